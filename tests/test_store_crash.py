"""What was committed stays: over kill -9 while committing, a full disk and a damaged file.

Kill -9 is POSIX SIGKILL; the full disk is a small tmpfs, or RLIMIT_FSIZE (setrlimit(2)) where
mounting is not allowed.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.errors import StoreError
from envmon.facts import Flag, NewEvent, Reading
from envmon.store.chain import first_break
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# Prints a number only after the commit it belongs to has returned.
COMMITTER = """
import sys
from pathlib import Path
from envmon.facts import Flag, NewEvent, Reading
from envmon.store.sqlite import SqliteStore
store, first = SqliteStore(Path(sys.argv[1])), int(sys.argv[2])
for n in range(first, first + 1_000_000):
    with store.atomic():
        store.add_readings([Reading("p", "air_temp_c", n, n / 4, Flag.GOOD, n)])
        store.add_events([NewEvent(n, "test", "one", {"n": n})])
    sys.stdout.write(f"{n}\\n")
    sys.stdout.flush()
"""


def committed_before_kill_9(folder: Path, first: int, wanted: int) -> int:
    """Run the committer, kill it after ``wanted`` commits, return the last one it told of."""
    argv = [sys.executable, "-c", COMMITTER, str(folder), str(first)]
    with subprocess.Popen(argv, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for _ in range(wanted):
            last = child.stdout.readline()
        child.kill()
        told = [last, *child.stdout.readlines()]
    assert child.returncode == -signal.SIGKILL
    return int(next(line for line in reversed(told) if line.endswith("\n")))


def test_kill_9_while_committing_loses_nothing_committed(tmp_path: Path) -> None:
    first = 0
    for wanted in (1, 20, 57, 100):
        last = committed_before_kill_9(tmp_path, first, wanted)
        store = SqliteStore(tmp_path)
        kept = [r.t_us for r in store.readings(0, 2**62)]
        events = [e.data["n"] for e in store.events()]
        assert first_break(store.events()) is None
        store.close()
        # The one being committed may be there or not; reading and event go together.
        assert kept == events == list(range(len(kept)))
        assert len(kept) - 1 in {last, last + 1}
        first = len(kept)


FILLER = """
import sys
from pathlib import Path
from envmon.errors import StoreError
from envmon.facts import Flag, NewEvent, Reading
from envmon.store.sqlite import SqliteStore
if sys.argv[2:]:
    import resource, signal
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
store, n = SqliteStore(Path(sys.argv[1])), 0
try:
    while n < 10_000:
        with store.atomic():
            store.add_events([NewEvent(n, "test", "one", {"text": "x" * 3000})])
            store.add_readings([Reading("p", "air_temp_c", n, 1.0, Flag.GOOD, n)])
        n += 1
except StoreError as error:
    try:
        store.add_events([NewEvent(n, "test", "one", {"text": "x" * 300_000})])
    except StoreError:
        print(n, error)
"""


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[list[str]]:
    """Give a disk of 1 MB, else a limit to the size of files as arguments for the filler."""
    folder.mkdir()
    argv = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    allowed = os.geteuid() == 0 and (
        subprocess.run(argv, capture_output=True, check=False).returncode == 0
    )
    try:
        yield [] if allowed else [str(1024 * 1024)]
    finally:
        if allowed:
            subprocess.run(["umount", str(folder)], check=True)


def fill(folder: Path, limit: list[str]) -> int:
    argv = [sys.executable, "-c", FILLER, str(folder), *limit]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=120, check=True)
    committed, _, message = done.stdout.partition(" ")
    assert message.startswith("cannot write ")
    assert "check that the disk has room" in message
    return int(committed)


def test_full_disk_is_a_store_error_and_keeps_what_was_committed(tmp_path: Path) -> None:
    with small_disk(tmp_path / "small") as limit:
        committed = fill(tmp_path / "small", limit)
        assert committed > 20
        store = SqliteStore(tmp_path / "small")
        assert [e.at_us for e in store.events()] == list(range(committed))
        assert [r.t_us for r in store.readings(0, 2**62)] == list(range(committed))
        assert first_break(store.events()) is None
        store.close()


def test_file_size_limit_is_a_store_error_and_keeps_what_was_committed(tmp_path: Path) -> None:
    committed = fill(tmp_path, [str(1024 * 1024)])
    assert committed > 20
    store = SqliteStore(tmp_path)
    assert [e.at_us for e in store.events()] == list(range(committed))
    assert store.add_events([NewEvent(1, "room again", "one", {})])[0].seq == committed + 1
    store.close()


def test_damaged_pages_are_a_store_error_wherever_they_show(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.add_events([NewEvent(n, "test", "one", {"text": "x" * 500}) for n in range(300)])
    store.add_readings([Reading("p", "air_temp_c", n, 1.0, Flag.GOOD, n) for n in range(20_000)])
    store.close()
    whole = store.path.read_bytes()
    store.path.write_bytes(whole[:65_536] + b"\x5a" * (len(whole) - 65_536))
    damaged = SqliteStore(tmp_path)
    for read in (
        lambda: list(damaged.events()),
        lambda: list(damaged.readings(0, 2**62)),
        lambda: damaged.readings_seen_after(0, 0),
    ):
        with pytest.raises(StoreError, match="cannot read"):
            read()
    damaged.close()
