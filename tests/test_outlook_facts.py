"""What was learned survives being killed, and gives way when it cannot be read.

Source of kill -9: POSIX, SIGKILL cannot be caught; rename(2) replaces a name as a whole.
"""

from __future__ import annotations

import logging
import signal
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.errors import StoreError
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fresh_facts
from envmon.service.outlook_facts import (
    FACTS_FILE,
    SET_ASIDE,
    KeptFacts,
    keep_facts,
    read_facts,
)
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from pathlib import Path

BAYS = {"north": fresh_facts(Priors(260.0), 5), "south": fresh_facts(Priors(190.0), 7)}
KEEPS = """
import sys
from pathlib import Path
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fresh_facts
from envmon.service.outlook_facts import keep_facts
folder, at_us = Path(sys.argv[1]), 0
while True:
    at_us += 1
    keep_facts(folder, {"north": fresh_facts(Priors(260.0), at_us)})
"""


def test_what_is_kept_comes_back_without_loss(tmp_path: Path) -> None:
    assert read_facts(tmp_path) == {}
    keep_facts(tmp_path, BAYS)
    assert read_facts(tmp_path) == BAYS


def test_killed_while_keeping_the_old_or_the_new_is_there(tmp_path: Path) -> None:
    last = 0
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", KEEPS, str(tmp_path)])
        wait_until((tmp_path / FACTS_FILE).exists, "the first facts", 60)
        threading.Event().wait(0.05)
        process.send_signal(signal.SIGKILL)
        process.wait(30)
        last = read_facts(tmp_path)["north"].made_us
        assert last > 0
    assert not (tmp_path / SET_ASIDE).exists()


@pytest.mark.parametrize("text", [b"", b"{", b'{"form": 1}', b'{"form": "x", "bays": {"n": {}}}'])
def test_an_unreadable_file_is_set_aside_and_said(
    tmp_path: Path, text: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FACTS_FILE).write_bytes(text)
    with caplog.at_level(logging.WARNING):
        assert read_facts(tmp_path) == {}
    assert "is unreadable" in caplog.text
    assert (tmp_path / SET_ASIDE).read_bytes() == text
    assert not (tmp_path / FACTS_FILE).exists()


def test_half_a_path_of_errors_is_unreadable(tmp_path: Path) -> None:
    keep_facts(tmp_path, BAYS)
    kept = msgspec.json.decode((tmp_path / FACTS_FILE).read_bytes(), type=KeptFacts)
    trust = kept.bays["north"].trust
    cut = {name: msgspec.structs.replace(one, paths=one.paths[:-6]) for name, one in trust.items()}
    bays = {"north": msgspec.structs.replace(kept.bays["north"], trust=cut)}
    (tmp_path / FACTS_FILE).write_bytes(msgspec.json.encode(KeptFacts(kept.form, bays)))
    assert read_facts(tmp_path) == {}
    assert (tmp_path / SET_ASIDE).exists()


def test_facts_of_another_version_are_not_used(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FACTS_FILE).write_bytes(msgspec.json.encode(KeptFacts("of before", BAYS)))
    with caplog.at_level(logging.WARNING):
        assert read_facts(tmp_path) == {}
    assert "of another version" in caplog.text


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot keep what was learned"):
        keep_facts(tmp_path / "gone", BAYS)
