"""Readings are kept once, transactions nest, and two processes may write at once.

Source: the store's interface (envmon/store/base.py); SQLite is asked directly where it matters.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.errors import StoreError
from envmon.facts import Flag, Reading
from envmon.store.base import Reject
from envmon.store.sqlite import LIVE_FILE, REJECTS_KEPT, SqliteStore
from tests.guard_support import reading

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ALL = (-(2**62), 2**62)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path)
    yield made
    made.close()


def temp(value: float, at_s: float, point: str = "panel") -> Reading:
    return reading(point, "panel_temp_c", value, at_s)


def test_a_reading_is_kept_once_for_point_quantity_and_time(store: SqliteStore) -> None:
    first = temp(20.25, 1)
    assert store.add_readings([first, temp(20.5, 2)]) == 2
    assert store.add_readings([first, first._replace(value=99.0), temp(20.75, 3)]) == 1
    assert [r.value for r in store.readings(*ALL)] == [20.25, 20.5, 20.75]


def test_store_tells_which_readings_it_holds_as_given(store: SqliteStore) -> None:
    first, again = temp(20.25, 1), temp(20.25, 1)._replace(seen_us=5)
    store.add_readings([first, again, temp(21, 2)])
    assert store.kept([first, again, temp(22, 2), temp(21, 2), temp(23, 9)]) == [first, temp(21, 2)]


def test_same_time_of_another_quantity_or_point_is_another_reading(store: SqliteStore) -> None:
    readings = [temp(20, 1), temp(20, 1, "other"), reading("panel", "air_temp_c", 20, 1)]
    assert store.add_readings(readings) == 3


@settings(deadline=None, max_examples=30)
@given(
    st.lists(
        st.tuples(
            st.floats(allow_nan=False, allow_infinity=False),
            st.integers(-(10**6), 10**6),
            st.integers(0, 7),
            st.integers(-(10**6), 10**6),
        ),
        unique_by=lambda row: row[1],
    )
)
def test_readings_come_back_as_they_were(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[float, int, int, int]]
) -> None:
    store = SqliteStore(tmp_path_factory.mktemp("store"))
    readings = [Reading("p", "air_temp_c", t, v, Flag(f), s) for v, t, f, s in rows]
    store.add_readings(readings)
    assert list(store.readings(*ALL)) == sorted(readings, key=lambda r: r.t_us)
    store.close()


def test_range_takes_the_start_and_leaves_the_end(store: SqliteStore) -> None:
    readings = [temp(20 + at_s, at_s) for at_s in range(5)]
    store.add_readings(readings)
    assert list(store.readings(readings[1].t_us, readings[3].t_us)) == readings[1:3]
    store.add_readings([temp(5, 1, "other")])
    assert list(store.readings(*ALL, points=["panel"])) == readings


def test_seen_after_follows_the_order_of_arrival(store: SqliteStore) -> None:
    late = reading("panel", "panel_temp_c", 1, 10, seen_s=50)
    soon = reading("panel", "panel_temp_c", 2, 20, seen_s=20)
    store.add_readings([soon, late, reading("panel", "panel_temp_c", 3, 15, seen_s=15)])
    assert store.readings_seen_after(soon.seen_us - 1, 0) == [soon, late]
    assert store.readings_seen_after(soon.seen_us - 1, late.t_us) == [soon]


def test_nested_transaction_is_undone_alone(store: SqliteStore) -> None:
    with store.atomic():
        store.add_readings([temp(1, 1)])
        with pytest.raises(ZeroDivisionError), store.atomic():  # noqa: PT012 - a transaction
            store.add_readings([temp(2, 2), temp(2, 2, "fresh")])
            raise ZeroDivisionError
        store.add_readings([temp(3, 3), temp(3, 3, "fresh")])
    assert [(r.point, r.value) for r in store.readings(*ALL)] == [
        ("panel", 1), ("fresh", 3), ("panel", 3),
    ]  # fmt: skip


def test_outer_rollback_undoes_all_and_forgets_the_series_it_gave(store: SqliteStore) -> None:
    """Else the next reading would be written under an id that is not there."""
    with pytest.raises(ZeroDivisionError), store.atomic():  # noqa: PT012 - a transaction
        store.add_readings([temp(1, 1)])
        with store.atomic():
            store.ask("stage_started", "one", {}, 0)
        raise ZeroDivisionError
    assert list(store.readings(*ALL)) == []
    assert store.requests() == []
    assert store.add_readings([temp(2, 2, "another"), temp(3, 3)]) == 2
    assert {(r.point, r.value) for r in store.readings(*ALL)} == {("another", 2), ("panel", 3)}


WRITER = """
import sys
from pathlib import Path
from envmon.facts import Flag, NewEvent, Reading
from envmon.store.sqlite import SqliteStore
store, name = SqliteStore(Path(sys.argv[1])), sys.argv[2]
print("ready", flush=True)
sys.stdin.readline()
for t in range(150):
    with store.atomic():
        mine = Reading(name, "air_temp_c", t, 1.0, Flag.GOOD, t)
        shared = Reading("shared", "air_temp_c", t, 1.0, Flag.GOOD, t)
        store.add_readings([mine, shared])
        store.add_events([NewEvent(t, "test", "one", {"by": name})])
"""


def test_two_processes_writing_at_once_lose_and_double_nothing(
    store: SqliteStore, tmp_path: Path
) -> None:
    argv = [sys.executable, "-c", WRITER, str(tmp_path)]
    writers = [
        subprocess.Popen([*argv, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for name in ("a", "b")
    ]
    for writer in writers:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go\n")
        writer.stdin.flush()
    for writer in writers:
        writer.communicate(timeout=60)
        assert writer.returncode == 0
    for point in ("a", "b", "shared"):
        assert [r.t_us for r in store.readings(*ALL, points=[point])] == list(range(150))
    events = list(store.events())
    assert [e.seq for e in events] == list(range(1, 301))
    assert {e.data["by"] for e in events} == {"a", "b"}


def test_rejects_are_bounded_and_all_are_counted(store: SqliteStore) -> None:
    rejects = [Reject(n, "t", str(n).encode(), "why") for n in range(REJECTS_KEPT + 25)]
    store.add_rejects(rejects[:600])
    store.add_rejects(rejects[600:])
    assert store.reject_total() == REJECTS_KEPT + 25
    assert store.rejects() == rejects[: -REJECTS_KEPT - 1 : -1]
    store.add_rejects([])
    assert store.reject_total() == REJECTS_KEPT + 25


def test_undone_rejects_are_not_counted(store: SqliteStore) -> None:
    store.add_rejects([Reject(1, "t", b"", "why")])
    with pytest.raises(ZeroDivisionError), store.atomic():  # noqa: PT012 - a transaction
        store.add_rejects([Reject(2, "t", b"", "why")])
        raise ZeroDivisionError
    assert store.reject_total() == 1


def test_snapshots_are_replaced_by_name(store: SqliteStore) -> None:
    assert (store.snapshot("guard"), store.snapshot_at("guard")) == (None, None)
    store.save_snapshot("guard", 1, b"one")
    store.save_snapshot("other", 2, b"two")
    store.save_snapshot("guard", 3, b"three")
    assert (store.snapshot("guard"), store.snapshot_at("guard")) == (b"three", 3)


def test_requests_are_kept_in_order_until_dropped(store: SqliteStore) -> None:
    first = store.ask("stage_started", "one", {"stage": "wash"}, 5)
    second = store.ask("stage_ended", "one", {}, 6)
    assert [(r.id, r.kind, r.data, r.at_us) for r in store.requests()] == [
        (first, "stage_started", {"stage": "wash"}, 5), (second, "stage_ended", {}, 6),
    ]  # fmt: skip
    store.drop_requests([first])
    assert [r.id for r in store.requests()] == [second]


def test_file_is_in_wal_mode_and_every_commit_reaches_the_disk(
    store: SqliteStore, tmp_path: Path
) -> None:
    """SQLite documentation, PRAGMA synchronous: 2 is FULL, synced at each commit in WAL mode."""
    assert store._db.execute("PRAGMA synchronous").fetchone() == (2,)
    other = sqlite3.connect(tmp_path / LIVE_FILE)
    assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    other.close()


def test_folder_that_cannot_be_is_a_store_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    with pytest.raises(StoreError, match=r"cannot open .*check that the disk has room"):
        SqliteStore(tmp_path / "file" / "data")
