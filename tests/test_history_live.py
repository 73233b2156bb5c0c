"""What is remembered of live readings never hides a new or a corrected one.

Source: the store's rule, in plain Python: the reading kept first stays, but one whose sensor had a
wrong clock gives way to a true one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.facts import Flag, Reading
from envmon.store.history import history
from envmon.store.history_live import remember_live
from envmon_boards.history_ready import HistoryReady
from tests.history_support import (
    AIR,
    PANEL,
    START_US,
    Kept,
    assert_equals_plain,
    assert_same,
    at,
    kept,
    plain_buckets,
)

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

# Few different times, so that later readings meet earlier ones.
TIMES = st.integers(0, 30).map(lambda place: START_US + place * 47 * MINUTE_US)
FLAGS = st.sampled_from([Flag.GOOD, Flag.LATE, Flag.CLOCK, Flag.RANGE, Flag(6)])
BATCH = st.lists(st.tuples(TIMES, st.floats(-50, 50), FLAGS), max_size=8)


@settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(BATCH, min_size=2, max_size=6))
def test_charts_between_writes_are_always_up_to_date(
    tmp_path_factory: pytest.TempPathFactory, batches: list[list[tuple[int, float, Flag]]]
) -> None:
    expected: dict[int, Reading] = {}
    with kept(tmp_path_factory.mktemp("past")) as made:
        for batch in batches:
            rows = [at(t_us, value, flag=flag) for t_us, value, flag in batch]
            for r in rows:
                known = expected.get(r.t_us)
                if known is None or (known.flag & Flag.CLOCK and not r.flag & Flag.CLOCK):
                    expected[r.t_us] = r
            made.store.add_readings(rows)
            for most in (1, 24, 1_440):
                found = history(made.past, [AIR], START_US, START_US + DAY_US, most, "UTC")
                plain = plain_buckets(list(expected.values()), found.edges_us.tolist())
                assert_equals_plain(found.lines[AIR], plain)


def test_readings_are_summed_up_once_and_remembered(tmp_path: Path) -> None:
    rows = [at(START_US + minute * MINUTE_US, minute) for minute in range(60)]
    asked = (START_US, START_US + HOUR_US, 60, "UTC")
    with kept(tmp_path, rows) as made:
        statements: list[str] = []
        made.store._db.set_trace_callback(statements.append)
        first, again = (history(made.past, [AIR], *asked) for _ in range(2))
        assert sum("group_concat" in text for text in statements) == 1
        assert_same(first.lines[AIR], again.lines[AIR])


def test_two_data_folders_do_not_mix(tmp_path: Path) -> None:
    for value in (1.0, 2.0):
        with kept(tmp_path / str(value), [at(START_US, value)]) as made:
            found = history(made.past, [AIR], START_US, START_US + HOUR_US, 60, "UTC")
            assert found.lines[AIR].high[0] == value


def fetches(made: Kept, asked: tuple[int, int, int, str]) -> int:
    """Return how many pieces of live readings a chart had to sum up."""
    statements: list[str] = []
    made.store._db.set_trace_callback(statements.append)
    history(made.past, [AIR, PANEL], *asked)
    made.store._db.set_trace_callback(None)
    return sum("group_concat" in text for text in statements)


def test_what_was_remembered_beforehand_is_not_summed_up_again(tmp_path: Path) -> None:
    """Three days of two series; then one reading more, whose piece alone is summed up anew."""
    times = range(START_US, START_US + 3 * DAY_US, HOUR_US)
    rows = [at(t_us, 1.0, series) for series in (AIR, PANEL) for t_us in times]
    far = at(START_US + 20_000 * DAY_US, 1.0, flag=Flag.CLOCK)  # a clock 54 years ahead
    asked = (START_US, START_US + 3 * DAY_US, 72, "UTC")
    with kept(tmp_path, [*rows, far]) as made:
        remember_live(made.store)
        assert fetches(made, asked) == 0
        made.store.add_readings([at(times[-1] + MINUTE_US, 2.0)])
        assert fetches(made, asked) == 1


def test_more_days_than_can_be_remembered_leave_the_newest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon.store.history_live._PIECES_KEPT", 8)
    rows = [at(START_US + hour * HOUR_US, 1.0) for hour in range(5 * 24)]
    with kept(tmp_path, rows) as made:
        remember_live(made.store)
        newest = (START_US + 3 * DAY_US, START_US + 5 * DAY_US, 48, "UTC")
        assert fetches(made, newest) == 0


def test_board_process_remembers_in_the_background_and_makes_no_file(tmp_path: Path) -> None:
    """A file that is gone is for the watch to renew; an empty one in its place would hide that."""
    gone = HistoryReady(tmp_path / "gone")
    gone.start()
    gone.stop()
    assert not (tmp_path / "gone").exists()
    rows = [at(START_US + hour * HOUR_US, 1.0) for hour in range(48)]
    with kept(tmp_path, rows) as made:
        ready = HistoryReady(made.folder)
        ready.start()
        ready.stop()
        assert fetches(made, (START_US, START_US + 2 * DAY_US, 48, "UTC")) == 0
