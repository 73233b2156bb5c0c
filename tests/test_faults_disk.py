"""A full disk, and one that cannot be written: nothing acknowledged is lost, and it is said."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US
from envmon.errors import StoreError
from envmon.service.keeping.keeper import KEEPER_WORD, Keeper
from envmon.store.chain import first_break
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.archive_support import DAY0, keep, some_days
from tests.faults_support import (
    NOW_US,
    ROOT,
    WatchRun,
    all_rows,
    beat_of,
    check_and_mount,
    fill_up,
    live_rows,
    lived_in,
    loop_disk,
    remount,
    send_panel,
    small_disk,
)
from tests.guard_support import SHOP, shop_from
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


def wait_for(ear: Ear, state: str, text: str = "") -> None:
    wait_until(
        lambda: beat_of(ear).get("state") == state and text in beat_of(ear)["text"],
        f"the watch to be {state} {text}",
        30,
    )


def ensure_chain(data: Path) -> None:
    store = SqliteStore(data)
    assert first_break(store.events()) is None
    assert store.run("PRAGMA integrity_check").fetchone() == ("ok",)
    store.close()


class TestWhileWriting:
    pytestmark = NEEDS_MOSQUITTO

    @pytest.mark.parametrize("killed", [False, True])
    def test_full_disk_keeps_messages_at_the_broker_until_there_is_room(
        self, tmp_path: Path, broker: Mosquitto, *, killed: bool
    ) -> None:
        with (
            small_disk(tmp_path / "small", "6m") as disk,
            Ear(broker.port, "envmon/#") as ear,
            WatchRun(tmp_path, broker.port, disk / "data") as watch,
        ):
            wait_for(ear, "up")
            send_panel(broker.port, range(20))
            wait_until(lambda: len(watch.values()) == 20, "the first to be stored")
            filler = fill_up(disk)
            send_panel(broker.port, range(20, 60))
            wait_for(ear, "trouble", "disk is full")
            assert "check that the disk has room" in beat_of(ear)["text"]
            assert watch.values() == list(range(20))
            if killed:
                watch.end()
                filler.unlink()
                watch.start()
            else:
                filler.unlink()
            wait_until(lambda: len(watch.values()) >= 60, "all to be stored", 30)
            wait_for(ear, "up")
            assert beat_of(ear)["text"] == ""
            assert watch.end(15) == 0
            assert watch.values() == list(range(60))
            ensure_chain(watch.data)

    @pytest.mark.parametrize("used_before", [False, True])
    def test_start_on_a_full_disk_says_why_and_the_next_start_goes_on(
        self, tmp_path: Path, broker: Mosquitto, *, used_before: bool
    ) -> None:
        with (
            small_disk(tmp_path / "small", "6m") as disk,
            Ear(broker.port, "envmon/#") as ear,
        ):
            watch = WatchRun(tmp_path, broker.port, disk / "data")
            if used_before:
                lived_in(disk / "data", 3600)
            filler = fill_up(disk)
            watch.start()
            assert watch.process is not None
            assert watch.process.wait(30) == 1
            assert "Traceback" not in watch.said()
            assert "check that the disk has room" in watch.said()
            filler.unlink()
            with watch:
                wait_for(ear, "up")
                before = len(watch.values())
                send_panel(broker.port, range(5))
                wait_until(lambda: len(watch.values()) == before + 5, "all to be stored")

    def test_file_system_that_turns_read_only_is_trouble_and_costs_nothing_stored(
        self, tmp_path: Path, broker: Mosquitto
    ) -> None:
        """An ext4 that meets a fault of its disk does this by itself (mount(8), errors=)."""
        with (
            loop_disk(tmp_path / "disk") as disk,
            Ear(broker.port, "envmon/#") as ear,
            WatchRun(tmp_path, broker.port, disk / "data") as watch,
        ):
            wait_for(ear, "up")
            send_panel(broker.port, range(20))
            wait_until(lambda: len(watch.values()) == 20, "the first to be stored")
            remount(disk, "abort")
            send_panel(broker.port, range(20, 40))
            wait_for(ear, "trouble", "check that")
            watch.end()
            watch.start()
            assert watch.process is not None
            assert watch.process.wait(30) == 2
            watch.process = None
            assert f"cannot write in {disk / 'data'}" in watch.said()
            check_and_mount(disk)
            watch.start()
            wait_until(lambda: len(watch.values()) >= 40, "all to be stored", 30)
            assert watch.end(15) == 0
            assert watch.values() == list(range(40))
            ensure_chain(watch.data)

    def test_files_that_may_not_be_written_for_a_while_are_trouble_for_that_while(
        self, tmp_path: Path, broker: Mosquitto
    ) -> None:
        with (
            loop_disk(tmp_path / "disk") as disk,
            Ear(broker.port, "envmon/#") as ear,
            WatchRun(tmp_path, broker.port, disk / "data") as watch,
        ):
            wait_for(ear, "up")
            files = [str(path) for path in (disk / "data").glob(f"{LIVE_FILE}*")]
            done = subprocess.run(["chattr", "+i", *files], capture_output=True, check=False)
            if done.returncode != 0:
                pytest.skip(f"chattr is not permitted here: {done.stderr!r}")
            send_panel(broker.port, range(20))
            wait_for(ear, "trouble", "check that")
            assert watch.values() == []
            subprocess.run(["chattr", "-i", *files], check=True)
            wait_until(lambda: len(watch.values()) >= 20, "all to be stored", 30)
            wait_for(ear, "up")
            assert watch.end(15) == 0
            assert watch.values() == list(range(20))
            ensure_chain(watch.data)


def run_module(name: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", name, *map(str, arguments)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False, cwd=ROOT)


PROCESS = {
    "watch": "envmon.service.watch_process",
    "keeper": "envmon.service.keeping.keeper_process",
}


@pytest.mark.parametrize("used_before", [False, True])
@pytest.mark.parametrize("name", PROCESS)
def test_read_only_folder_is_refused_at_the_start(
    tmp_path: Path, name: str, *, used_before: bool
) -> None:
    (tmp_path / "shop.toml").write_text(SHOP, encoding="utf-8")
    with small_disk(tmp_path / "small", "6m") as disk:
        if used_before:
            lived_in(disk / "data", 3600)
        remount(disk, "ro")
        done = run_module(PROCESS[name], tmp_path / "shop.toml", "--data", disk / "data")
        # A watch that cannot take its folder ends the run; the keeper is started again later.
        assert done.returncode == {"watch": 2, "keeper": 1}[name]
        assert str(disk / "data") in done.stderr
        assert "Traceback" not in done.stderr
        assert "Read-only file system" in done.stderr or "writable" in done.stderr


def word_of(data: Path) -> str:
    store = SqliteStore(data)
    text = store.snapshot(KEEPER_WORD) or b""
    store.close()
    return text.decode()


@pytest.mark.parametrize("free_kb", [0, 12, 48, 160, 200, 340, 800])
def test_full_disk_while_archiving_moves_nothing_half(tmp_path: Path, free_kb: int) -> None:
    with small_disk(tmp_path / "small", "8m") as disk:
        data = disk / "data"
        readings = some_days(5, 60)
        keep(data, readings)
        before = all_rows(data)
        keeper = Keeper(shop_from(SHOP), data)
        filler = fill_up(disk)
        with filler.open("r+b") as handle:
            handle.truncate(max(0, filler.stat().st_size - free_kb * 1024))
        failure = ""
        try:
            keeper.turn(NOW_US)
        except StoreError as error:
            failure = str(error)
        if free_kb <= 24:
            assert failure
            assert "check that the disk has room" in failure
        said = True
        try:
            keeper.say(NOW_US, failure)
        except StoreError:
            said = False  # with no room for even that, the watch's own trouble tells it
        assert all_rows(data) == before
        store = SqliteStore(data)
        for (path,) in store.run("SELECT path FROM archive_file").fetchall():
            assert (data / path).exists()
        store.close()
        if said and failure:
            assert "has room" in word_of(data)

        filler.unlink()
        keeper.turn(NOW_US)
        keeper.turn(NOW_US)
        keeper.say(NOW_US)
        assert "has room" not in word_of(data)
        keeper.close()
        assert all_rows(data) == before
        assert {r.t_us // DAY_US for r in live_rows(data)} == {DAY0 + 3, DAY0 + 4}
        store = SqliteStore(data)
        known = {row[0] for row in store.run("SELECT path FROM archive_file").fetchall()}
        store.close()
        there = {p.relative_to(data).as_posix() for p in data.rglob("month=*/*")}
        assert there == known


def test_disk_that_stays_full_does_not_make_a_sound_file_look_damaged(tmp_path: Path) -> None:
    with small_disk(tmp_path / "small", "8m") as disk:
        data = disk / "data"
        keep(data, some_days(5, 60))
        keeper = Keeper(shop_from(SHOP), data)
        filler = fill_up(disk)
        with filler.open("r+b") as handle:
            handle.truncate(filler.stat().st_size - 12 * 1024)
        for _ in range(2):
            with pytest.raises(StoreError):
                keeper.turn(NOW_US)
        keeper.close()
        assert not list(data.rglob("*.damaged"))
