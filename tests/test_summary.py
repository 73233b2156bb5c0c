"""A day's summary equals plain counting, and packing loses nothing.

Source: the definition of lowest, highest, sum and count, worked out here in plain Python.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, SECOND_US
from envmon.errors import InputError, StoreError
from envmon.store.summary import (
    LARGEST_MILLI,
    STEPS_S,
    DaySummary,
    pack,
    summarise_day,
    unpack,
    unpack_days,
)
from envmon.units import QUANTITIES

Rows = list[tuple[int, int, bool]]

MILLI = st.one_of(
    st.integers(-60_000, 80_000),
    st.integers(-6_000, 8_000).map(lambda hundredths: hundredths * 10),
    st.integers(-(10**12), 10**12),
)
IN_DAY = st.one_of(st.integers(0, DAY_US - 1), st.integers(0, 3 * 60 * SECOND_US))
ROWS = st.lists(st.tuples(IN_DAY, MILLI, st.booleans()), max_size=60)
DAYS = st.integers(-400_000, 400_000)


def summarised(rows: Rows, day: int, step_s: int) -> DaySummary:
    t_us = np.array([row[0] + day * DAY_US for row in rows], dtype=np.int64)
    milli = np.array([row[1] for row in rows], dtype=np.int64)
    charted = np.array([row[2] for row in rows], dtype=bool)
    return summarise_day(t_us, milli, charted, day, step_s)


def counted(rows: Rows, step_s: int) -> list[tuple[int, int, int, int, int]]:
    slots: list[list[int]] = [[] for _ in range(86_400 // step_s)]
    flagged = [0] * len(slots)
    for t_us, milli, charted in rows:
        place = t_us // (step_s * SECOND_US)
        if charted:
            slots[place].append(milli)
        else:
            flagged[place] += 1
    return [
        (len(values), bad, min(values, default=0), max(values, default=0), sum(values))
        for values, bad in zip(slots, flagged, strict=True)
    ]


def as_rows(summary: DaySummary) -> list[tuple[int, ...]]:
    return list(zip(*(column.tolist() for column in summary), strict=True))


@settings(deadline=None)
@given(ROWS, DAYS, st.sampled_from(STEPS_S))
def test_summary_equals_plain_counting(rows: Rows, day: int, step_s: int) -> None:
    assert as_rows(summarised(rows, day, step_s)) == counted(rows, step_s)


@settings(deadline=None)
@given(ROWS, st.sampled_from(STEPS_S))
def test_unpacking_gives_back_what_was_packed(rows: Rows, step_s: int) -> None:
    summary = summarised(rows, 20_000, step_s)
    again = unpack(pack(summary))
    assert as_rows(again) == as_rows(summary)
    assert [c.dtype for c in again] == [c.dtype for c in summary]


@settings(deadline=None, max_examples=50)
@given(st.lists(ROWS, min_size=1, max_size=6), st.sampled_from(STEPS_S))
def test_many_days_at_once_equal_each_by_itself(days: list[Rows], step_s: int) -> None:
    packed = [pack(summarised(rows, 20_000, step_s)) for rows in days]
    together = unpack_days(packed)
    for place, one in enumerate(packed):
        assert as_rows(unpack(one)) == as_rows(DaySummary(*(c[place] for c in together)))


def test_order_of_readings_does_not_matter() -> None:
    rows = [(place * 7 * SECOND_US, place % 13, place % 5 > 0) for place in range(900)]
    assert as_rows(summarised(rows[::-1], 3, 60)) == as_rows(summarised(rows, 3, 60))


def test_an_ordinary_day_by_the_minute_takes_a_few_bytes_a_minute() -> None:
    generator = np.random.default_rng(1)
    t_us = np.arange(17_280, dtype=np.int64) * 5 * SECOND_US
    drift = 20 + 3 * np.sin(np.arange(17_280) / 2_750)
    milli = np.rint((drift + generator.normal(0, 0.02, 17_280)) * 100).astype(np.int64) * 10
    packed = pack(summarise_day(t_us, milli, np.ones(17_280, dtype=bool), 0, 60))
    assert len(packed) < 6 * 1_440


def test_what_no_quantity_can_be_counts_as_flagged() -> None:
    rows = [(0, LARGEST_MILLI, True), (1, LARGEST_MILLI + 1, True), (2, -(2**63), True)]
    summary = summarised(rows, 0, 60)
    assert (summary.count[0], summary.flagged[0]) == (1, 2)
    assert summary.low[0] == summary.high[0] == LARGEST_MILLI


def test_every_quantity_of_the_table_is_within_what_can_be_summed() -> None:
    for quantity in QUANTITIES.values():
        assert max(abs(quantity.low), abs(quantity.high)) * 1_000 < LARGEST_MILLI


@pytest.mark.parametrize("t_us", [-1, DAY_US])
def test_reading_of_another_day_is_refused(t_us: int) -> None:
    with pytest.raises(InputError, match="outside day 0"):
        summarised([(t_us, 1, True)], 0, 60)


def test_slot_of_another_length_is_refused() -> None:
    with pytest.raises(InputError, match="slot is 7 s"):
        summarised([], 0, 7)


def test_damaged_summary_is_refused() -> None:
    good = pack(summarised([(0, 5, True), (1, 700, True)], 0, 60))
    other = pack(summarised([(0, 5, True)], 0, 3600))
    for bad in (good[:-1], good + b"\0", good[:40], b"", b"\2" + good[1:], b"\1\3" + good[2:]):
        with pytest.raises(StoreError, match="cannot be read"):
            unpack(bad)
    with pytest.raises(StoreError, match="steps differ"):
        unpack_days([good, other])
    with pytest.raises(StoreError, match="too short"):
        unpack_days([])
