"""Kill -9 at every step of a move: nothing lost, nothing twice, no leftovers in the end.

Each trial runs the keeper's work in a process of its own that kills itself (POSIX SIGKILL) at its
n-th step; a step is a call of fsync, a rename, or one of the archive's own marks. n goes up until
the work gets to its end unharmed.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.facts import Flag, Reading
from envmon.store.manifest import Manifest
from envmon.store.parquet import sha256_of
from envmon.store.sqlite import SqliteStore
from tests.archive_support import (
    DAY0,
    T0,
    archive_all,
    as_seen,
    everything,
    expected,
    keep,
    some_days,
)

if TYPE_CHECKING:
    from pathlib import Path

# Tries n = 1, 2, ... each in a fork of its own, until one gets to the end unharmed.
WORKER = """
import os, shutil, signal, sys
from pathlib import Path
import duckdb, numpy
from envmon.clock import DAY_US
from envmon.store.archive import Archive, Rules
from envmon.store.orphans import take_in_orphans
from envmon.store.sqlite import SqliteStore

def stepping(call):
    def wrapped(*args, **named):
        step()
        done = call(*args, **named)
        step()
        return done
    return wrapped

def step(*_):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)

def work(folder, now_us):
    os.fsync, Path.rename, Path.unlink = map(stepping, (os.fsync, Path.rename, Path.unlink))
    store = SqliteStore(folder)
    archive = Archive(store, folder, "test", step)
    take_in_orphans(archive, store)
    archive.archive_closed(now_us, Rules())
    archive.merge_months(now_us, Rules())
    archive.close()
    os._exit(0)

start, now_us, number, code = Path(sys.argv[1]), int(sys.argv[2]) * DAY_US, 0, 1
while code:
    number += 1
    folder, left = start.parent / str(number), number
    shutil.copytree(start, folder)
    child = os.fork()
    if child == 0:
        work(folder, now_us)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(code, flush=True)
    if code not in (0, -signal.SIGKILL):
        break
"""


def killed_folders(start: Path, now_day: int) -> list[Path]:
    """Return the folders left by a process killed at its first, second, ... step."""
    argv = [sys.executable, "-c", WORKER, str(start), str(now_day)]
    said = subprocess.run(argv, check=True, capture_output=True, text=True).stdout
    codes = [int(line) for line in said.split()]
    assert codes[-1] == 0
    assert set(codes[:-1]) == {-signal.SIGKILL}
    return [start.parent / str(number) for number in range(1, len(codes) + 1)]


def ensure_whole(folder: Path, wanted: list[Reading], now_day: int) -> None:
    """Assert that everything is there once: right after the crash, and after the next turn."""
    in_order = sorted(wanted, key=lambda r: (r.seen_us, r.t_us, r.point, r.quantity))
    by_key = sorted(wanted, key=lambda r: (r.t_us // DAY_US, *r[:3]))
    assert everything(folder) == by_key
    assert as_seen(folder) == in_order
    archive_all(folder, now_day)
    assert everything(folder) == by_key
    assert as_seen(folder) == in_order
    store = SqliteStore(folder)
    files = Manifest(store, folder).files()
    store.close()
    there = sorted(path for path in (folder / "archive").rglob("*") if path.is_file())
    assert there == sorted(file.path for file in files), "no leftovers"
    assert all(sha256_of(file.path) == file.sha256 for file in files)


def test_killed_at_every_step_of_moves_and_merges(tmp_path: Path) -> None:
    # The last two days of a month and a day of the next: moves, and then a merge.
    readings = some_days(3, every_s=3600, first_day=DAY0 + 29)
    start = tmp_path / "start"
    start.mkdir()
    keep(start, readings)
    folders = killed_folders(start, DAY0 + 34)
    assert len(folders) > 30, "it was really killed on the way"
    for folder in folders:
        ensure_whole(folder, readings, DAY0 + 34)


def test_killed_at_every_step_of_taking_in_late_readings(tmp_path: Path) -> None:
    readings = some_days(2, every_s=3600, first_day=DAY0 + 29)
    start = tmp_path / "start"
    start.mkdir()
    keep(start, readings)
    archive_all(start, DAY0 + 34)
    late = [
        Reading("north-air", "air_temp_c", T0 + 29 * DAY_US + n, 1.5, Flag.LATE, T0 + 33 * DAY_US)
        for n in range(7, 12)
    ]
    keep(start, late)
    wanted = list(expected([readings, late]).values())
    folders = killed_folders(start, DAY0 + 34)
    assert len(folders) > 8, "it was really killed on the way"
    for folder in folders:
        ensure_whole(folder, wanted, DAY0 + 34)


def test_reading_that_comes_while_a_day_is_written_is_not_lost(tmp_path: Path) -> None:
    from envmon.store.archive import Archive, Rules

    readings = some_days(1, every_s=3600)
    keep(tmp_path, readings)
    extra = Reading("north-air", "air_temp_c", T0 + 5, 7.0, Flag.LATE, T0 + 3 * DAY_US)
    store, steps = SqliteStore(tmp_path), []

    def come(step: str) -> None:
        steps.append(step)
        if steps.count("day written") == 1 and step == "day written":
            keep(tmp_path, [extra])

    archive = Archive(store, tmp_path, "test", come)
    assert archive.archive_closed((DAY0 + 4) * DAY_US, Rules()) == len(readings) + 1
    archive.close()
    store.close()
    assert steps.count("day written") == 2
    assert steps.count("committed") == 1
    assert len(everything(tmp_path)) == len(readings) + 1
