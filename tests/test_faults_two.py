"""Two of a kind on one data folder: the second watch is refused, the second keeper waits."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.errors import ServiceError
from envmon.service.keeping.keeper import Keeper, archive_lock
from tests.archive_support import keep, some_days
from tests.faults_support import NOW_US, ROOT, WatchRun, all_rows, beat_of, lived_in
from tests.guard_support import SHOP, shop_from
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from pathlib import Path


class TestWatch:
    pytestmark = NEEDS_MOSQUITTO

    def test_second_watch_ends_with_2_and_names_the_folder(self, tmp_path: Path) -> None:
        data = tmp_path / "data"
        with (
            Mosquitto(tmp_path) as broker,
            Ear(broker.port, "envmon/#") as ear,
            WatchRun(tmp_path, broker.port, data) as first,
        ):
            wait_until(lambda: beat_of(ear).get("state") == "up", "the watch", 30)
            second = subprocess.run(
                [sys.executable, "-m", "envmon.service.watch_process", str(first.shop_file)],
                capture_output=True, text=True, timeout=60, check=False, cwd=ROOT,
            )  # fmt: skip
            assert second.returncode == 2
            assert second.stderr == (
                f"envmon watch: another watch works in {data}; stop it, or give another [store] "
                "folder\n"
            )
            assert first.process is not None
            assert first.process.poll() is None
            # The first one's readiness and its connection are not touched by the refused one.
            assert beat_of(ear)["state"] == "up"
            assert (data / "watch.ready").exists()


def test_second_keeper_in_the_middle_of_a_turn_is_refused_and_names_the_folder(
    tmp_path: Path,
) -> None:
    keep(tmp_path, some_days(5))
    second = Keeper(shop_from(SHOP), tmp_path)
    with archive_lock(tmp_path), pytest.raises(ServiceError, match=str(tmp_path)):
        second.turn(NOW_US)
    second.close()


def test_two_keepers_turn_about_without_harm(tmp_path: Path) -> None:
    """They hold the archive only while they turn; each finds what the other has done."""
    lived_in(tmp_path / "data", 600)
    before = all_rows(tmp_path / "data")
    keepers = [Keeper(shop_from(SHOP), tmp_path / "data") for _ in range(2)]
    day_us = 86_400_000_000
    for turn in range(8):
        keepers[turn % 2].turn(NOW_US + turn // 2 * day_us)
    for keeper in keepers:
        keeper.close()
    assert all_rows(tmp_path / "data") == before
    assert not list((tmp_path / "data").rglob("*.damaged"))
