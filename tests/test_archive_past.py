"""Live and archive together are the same as if nothing had ever moved (property test).

The law: whatever the order of readings coming in and days moving out, what is read back is what a
plain dictionary would hold by the store's rule (the first stays, a wrong clock gives way).
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US
from envmon.facts import Flag, Reading
from envmon.store.live_part import live_days, live_span
from envmon.store.past import EVER, Past
from envmon.store.sqlite import SqliteStore
from tests.archive_support import DAY0, T0, archive_all, as_seen, everything, expected, keep

# Few distinct times and series, so that doubles and corrections really happen.
READING = st.builds(
    lambda point, day, at, value, flag, lag: Reading(
        point, "air_temp_c", T0 + day * DAY_US + at, value, flag, T0 + day * DAY_US + at + lag
    ),
    st.sampled_from(["a", "b"]),
    st.integers(0, 4),
    st.sampled_from([0, 1, DAY_US // 2, DAY_US - 1]),
    st.one_of(st.integers(-40_000, 90_000).map(lambda n: n / 1000), st.floats(-1e6, 1e6)),
    st.sampled_from([Flag.GOOD, Flag.LATE, Flag.CLOCK, Flag.RANGE, Flag.CLOCK | Flag.RANGE]),
    st.sampled_from([0, 1000, DAY_US, 3 * DAY_US]),
)
STEPS = st.lists(
    st.one_of(st.lists(READING, max_size=12), st.integers(2, 8)), min_size=1, max_size=8
)


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_moving_days_changes_nothing_that_is_read(steps: list[list[Reading] | int]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, batches = Path(name), []
        keep(folder, [])
        for step in steps:
            if isinstance(step, int):
                archive_all(folder, DAY0 + step)
            else:
                keep(folder, step)
                batches.append(step)
            wanted = list(expected(batches).values())
            assert everything(folder) == sorted(wanted, key=lambda r: (r.t_us // DAY_US, *r[:3]))
            assert as_seen(folder) == sorted(
                wanted, key=lambda r: (r.seen_us, r.t_us, r.point, r.quantity)
            )


@settings(max_examples=30, deadline=None)
@given(st.lists(READING, min_size=1, max_size=20), st.integers(0, 5), st.integers(0, 5))
def test_any_span_is_cut_to_the_microsecond(readings: list[Reading], one: int, two: int) -> None:
    start, end = sorted((T0 + one * DAY_US // 2 + 1, T0 + two * DAY_US // 2 + 1))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        keep(folder, readings)
        archive_all(folder, DAY0 + 4)
        kept = expected([readings]).values()
        store = SqliteStore(folder)
        past = Past(store, folder)
        found = [r for columns in past.columns(start, end, [("a", "air_temp_c")])
                 for r in columns.readings()]  # fmt: skip
        span, days = past.span(), live_days(store, *EVER)
        live = live_span(store)
        past.close()
        store.close()
    assert found == sorted(
        (r for r in kept if start <= r.t_us < end and r.point == "a"), key=lambda r: r.t_us
    )
    assert span == (min(r.t_us for r in kept), max(r.t_us for r in kept) + 1)
    assert days == {r.t_us // DAY_US for r in kept if r.t_us // DAY_US >= DAY0 + 2}
    assert (live is None) == (not days)


def test_nothing_kept_has_no_span(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    past = Past(store, tmp_path)
    assert past.span() is None
    assert list(past.columns(*EVER)) == []
    assert list(past.readings_seen(*EVER)) == []
    past.close()
    store.close()
