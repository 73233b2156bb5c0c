"""A bounded form of the soak: two thirds of a clock day, with every check of the whole month."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.boards_support import CHROMIUM
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from collections.abc import Mapping

pytestmark = [*NEEDS_MOSQUITTO, pytest.mark.browser, pytest.mark.long]

SOAK = Path(__file__).resolve().parent / "acceptance" / "soak.py"
DAYS = "0.6"
NO_NETWORKS = 2
TOO_SHORT = {"memory flat", "alarms in time"}
"""Half a minute of one process says nothing of its memory, a busy machine is no fault of ours."""


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Any]:
    """Run the soak as a person does; the networks it makes are its own."""
    if shutil.which("ip", path="/usr/sbin:/sbin:/usr/bin") is None or not CHROMIUM.exists():
        pytest.skip("needs iproute2 and Debian's chromium")
    where = tmp_path_factory.mktemp("soak") / "report.json"
    argv = [sys.executable, str(SOAK), "--days", DAYS, "--json", str(where)]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=400)
    if done.returncode == NO_NETWORKS:
        pytest.skip(done.stderr.strip())
    assert where.exists(), done.stderr
    told: dict[str, Any] = json.loads(where.read_text(encoding="utf-8"))
    return told


def test_nothing_is_lost_missed_or_shown_old(report: Mapping[str, Any]) -> None:
    failed = {what for what, held in report["verdicts"].items() if not held} - TOO_SHORT
    told = ("readings", "alarms", "acts", "wall", "not_back")
    assert not failed, {key: report[key] for key in told}


def test_faults_and_a_condition_were_there(report: Mapping[str, Any]) -> None:
    assert sum(report["faults"].values()) >= 2
    assert report["alarms"]["judged"] >= 1
    assert report["readings"]["made"] > 800
    assert report["acts"]["acknowledged"] >= 1
    assert report["acts"]["log_ins"] >= 1
