"""A backup holds together, also while the watch writes and the keeper merges, and comes back.

Sources: SQLite's own integrity check, the hash chain (FIPS 180-4), the digests in the manifest.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import subprocess
import time
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US, HOUR_US, SECOND_US, ManualClock
from envmon.errors import InputError, StoreError
from envmon.facts import Flag, NewEvent, Reading
from envmon.service.keeping import backup
from envmon.service.keeping.backup import Backup, make_backup
from envmon.service.keeping.keeper import archive_turn
from envmon.service.watch import Watch
from envmon.shop.load import load_shop
from envmon.store.chain import first_break
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.acceptance import kill_watch
from tests.guard_support import START_US
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto, wait_until
from tests.transfer_support import ALL, NOW_US, Bench
from tests.watch_support import HandLink

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Return a folder with two archived days, two live ones and some events."""
    made = Bench(tmp_path)
    made.put(
        [
            Reading("air-a", "air_temp_c", at, n / 8, Flag.GOOD, at)
            for day in (0, 1, 8, 9)
            for n in range(50)
            for at in [START_US + day * DAY_US + n * SECOND_US]
        ]
    )
    with closing(SqliteStore(made.data)) as store:
        store.add_events([NewEvent(START_US + n, "test", "one", {"n": n}) for n in range(20)])
    archive_turn(load_shop(made.shop), made.data, START_US + 4 * DAY_US)
    (made.data / "records").mkdir()
    (made.data / "records" / "job-1.json").write_text("{}", encoding="utf-8")
    return made


def backed_up(bench: Bench, name: str = "copy") -> tuple[Backup, list[str]]:
    said: list[str] = []
    return make_backup(bench.shop, bench.folder / name, str(bench.data), said.append), said


def restored(bench: Bench, made: Backup) -> Bench:
    """Return a shop whose data folder is a copy of the backup, as the README says to do it."""
    (bench.folder / "elsewhere").mkdir()
    other = Bench(bench.folder / "elsewhere")
    shutil.copytree(made.folder, other.data)
    return other


def test_a_backup_holds_everything_and_says_so(bench: Bench) -> None:
    before = bench.kept()
    made, said = backed_up(bench)
    assert (made.readings, made.events) == (200, 20)
    assert made.span == (START_US, START_US + 9 * DAY_US + 49_000_000 + 1)
    assert "200 readings, 2026-01-27T08:00:00.000Z to 2026-02-05T08:00:49.000Z" in said[0]
    assert "20 events, chain whole" in said[0]
    size = sum(path.stat().st_size for path in made.folder.rglob("*") if path.is_file())
    assert made.byte_count == size
    names = {str(path.relative_to(made.folder)) for path in made.folder.rglob("*")}
    assert {LIVE_FILE, "shop.toml", "records/job-1.json"} < names
    assert sum(name.endswith(".parquet") for name in names) == 2
    assert not any(name.endswith(("-wal", "-shm", ".lock", ".part")) for name in names)
    other = restored(bench, made)
    assert other.kept() == before
    # and the keeper finds nothing to set right in it
    turned = archive_turn(load_shop(other.shop), other.data, START_US + 4 * DAY_US)
    assert (turned.adopted, turned.damaged) == (0, ())
    assert other.kept() == before


def test_who_may_log_in_is_in_it_and_all_of_it_is_its_owners(bench: Bench) -> None:
    people = bench.folder / "people.toml"
    text = bench.shop.read_text(encoding="utf-8")
    bench.shop.write_text(f'{text}\n[boards]\npeople_file = "people.toml"\n', encoding="utf-8")
    people.write_text("# nobody yet\n", encoding="utf-8")
    made, _ = backed_up(bench)
    copy = made.folder / people.name
    assert copy.read_bytes() == people.read_bytes()
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert stat.S_IMODE(made.folder.stat().st_mode) == 0o700


def test_a_backup_changes_nothing_in_the_data_folder(bench: Bench) -> None:
    def state() -> dict[str, bytes]:
        return {p.name: p.read_bytes() for p in bench.data.rglob("*") if p.is_file()}

    before = state()
    backed_up(bench)
    assert state() == before


def test_files_merged_while_copying_are_copied_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The keeper merges the month's day files after the live file was copied."""
    before, calls, real = bench.kept(), [], backup._copy_live

    def then_merge(source: Path, target: Path) -> None:
        real(source, target)
        calls.append(1)
        if len(calls) == 1:
            turned = archive_turn(load_shop(bench.shop), bench.data, NOW_US + 60 * DAY_US)
            assert turned.months

    monkeypatch.setattr(backup, "_copy_live", then_merge)
    made, _ = backed_up(bench)
    assert len(calls) == 2
    assert restored(bench, made).kept() == before


def archived_file(bench: Bench) -> Path:
    return next(iter(sorted((bench.data / "archive").rglob("*.parquet"))))


def test_a_missing_file_of_the_archive_is_named(bench: Bench) -> None:
    file = archived_file(bench)
    file.unlink()
    with pytest.raises(StoreError, match=f"{file.name} is missing, though the manifest names it"):
        backed_up(bench)
    ensure_nothing_made(bench)


def test_a_damaged_file_of_the_archive_is_named(bench: Bench) -> None:
    file = archived_file(bench)
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    file.write_bytes(data)
    with pytest.raises(StoreError, match=f"{file.name} is damaged"):
        backed_up(bench)
    ensure_nothing_made(bench)


def test_a_changed_event_is_noticed(bench: Bench) -> None:
    with closing(sqlite3.connect(bench.data / LIVE_FILE)) as live:
        live.execute("DROP TRIGGER event_no_update")
        live.execute("UPDATE event SET bay = 'two' WHERE seq = 7")
        live.commit()
    with pytest.raises(StoreError, match="chain of events is broken at place 7"):
        backed_up(bench)
    ensure_nothing_made(bench)


def ensure_nothing_made(bench: Bench) -> None:
    assert sorted(path.name for path in bench.folder.iterdir()) == ["data", "shop.toml"]


def test_where_a_backup_cannot_go(bench: Bench) -> None:
    (bench.folder / "there").mkdir()
    with pytest.raises(InputError, match="is there already; give a folder that is not"):
        backed_up(bench, "there")
    with pytest.raises(InputError, match="is inside the data folder"):
        backed_up(bench, "data/copy")
    (bench.folder / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="cannot make"):
        backed_up(bench, "file/copy")
    shutil.rmtree(bench.data)
    with pytest.raises(StoreError, match="no data in"):
        backed_up(bench)
    assert not bench.data.exists()


@contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """Mount a disk of one megabyte, or skip where that is not permitted."""
    folder.mkdir()
    argv = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(argv, check=False, capture_output=True).returncode:
        pytest.skip("a small disk needs the right to mount a tmpfs")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_leaves_no_backup_and_says_so(bench: Bench) -> None:
    bench.put(
        [
            Reading("air-b", "air_temp_c", NOW_US - HOUR_US + n, n / 7, Flag.GOOD, NOW_US)
            for n in range(60_000)
        ]
    )
    disk = bench.folder / "disk"
    with small_disk(disk):
        with pytest.raises(StoreError, match=r"cannot write .*full.*no backup was made"):
            backed_up(bench, "disk/copy")
        assert list(disk.iterdir()) == []


@pytest.mark.broker
@pytest.mark.skipif(*NEEDS_MOSQUITTO[1].args, **NEEDS_MOSQUITTO[1].kwargs)
def test_a_backup_made_while_the_watch_writes_is_one_moment_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Numbered messages arrive at 400/s; each backup has all of them up to some number."""
    first_s = int(time.time()) - 3_600
    monkeypatch.setattr(kill_watch, "FIRST_S", first_s)
    shop_path, made = tmp_path / "shop.toml", list[Backup]()
    with Mosquitto(tmp_path, on_disk=False) as broker:
        shop_path.write_text(kill_watch.SHOP.format(port=broker.port), encoding="utf-8")
        watch = kill_watch.WatchProcess(shop_path)
        try:
            wait_until(lambda: kill_watch.session_is_there(broker, tmp_path), "the session", 60)
            publisher = kill_watch.Publisher(broker.port, 2_000, 400)
            while not publisher.done:
                wait_until(lambda: more_than(tmp_path, made) or publisher.done, "new readings")
                copy = tmp_path / f"copy{len(made)}"
                made.append(make_backup(shop_path, copy, None, lambda _: None))
            publisher.close()
            wait_until(lambda: kill_watch.stored_count(tmp_path) == 2_001, "the rest")
        finally:
            watch.stop()
    assert len(made) >= 3
    for each in made:
        with closing(SqliteStore(each.folder)) as store:
            values = [reading.value for reading in store.readings(*ALL)]
        assert values == list(range(-1, each.readings - 1))
    assert 1 < made[1].readings < made[-1].readings
    goes_on_from(made[len(made) // 2], shop_path, tmp_path / "restored", first_s)


def more_than(folder: Path, made: list[Backup]) -> bool:
    return kill_watch.stored_count(folder) > (made[-1].readings if made else 1)


def goes_on_from(made: Backup, shop_path: Path, folder: Path, first_s: int) -> None:
    """Restore a backup, watch from it, and find state, readings and chain as they were."""
    shutil.copytree(made.folder, folder)
    last = made.readings - 2
    with closing(SqliteStore(folder)) as store:
        seen_us = max(reading.seen_us for reading in store.readings(*ALL))
        before = list(store.events())
        watch = Watch(load_shop(shop_path), store, HandLink(), ManualClock(seen_us + 1_000))
        newest = watch.state.newest["counter/particulate_ug_m3"]
        assert (newest.t_us, newest.value) == ((first_s + last) * SECOND_US, last)
        store.ask("stage_started", "one", {"stage": "wash"}, seen_us)
        watch.turn(0)
        after = list(store.events())
        assert after[: len(before)] == before
        assert "stage_started" in [event.kind for event in after[len(before) :]]
        assert first_break(after) is None
