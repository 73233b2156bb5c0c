"""Buckets cover a span, are few enough, and follow the local clock over its changes.

Source: clock changes of the IANA time zone database (through ``zoneinfo``); the dates of the
European ones are the last Sundays of March and October (Directive 2000/84/EC).
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, SECOND_US, us_from_datetime, us_from_iso
from envmon.store.history_buckets import LADDER_S, Buckets, buckets_of, slot_s
from tests.history_support import ZONES

ANY_ZONE = st.sampled_from(
    [*ZONES, "UTC", "Pacific/Apia", "Africa/Casablanca", "America/Santiago", "Pacific/Chatham"]
)
# Apia left out 30 December 2011; Casablanca changes its clock four times a year.
START = st.integers(us_from_iso("2005-01-01"), us_from_iso("2035-01-01"))
SPAN = st.one_of(
    st.integers(1, 60 * SECOND_US),
    st.integers(1, DAY_US),
    st.integers(1, 230 * DAY_US),
    st.integers(1, 4_000 * DAY_US),
)


def local(at_us: int, zone: str) -> datetime:
    return datetime.fromtimestamp(at_us / SECOND_US, ZoneInfo(zone))


def day_buckets(date: str, most: int, zone: str) -> tuple[list[float], list[str]]:
    """Return hours and starting times of the buckets that a local day is cut into."""
    start = datetime.fromisoformat(date).replace(tzinfo=ZoneInfo(zone))
    from_us = us_from_datetime(start.astimezone(UTC))
    end = datetime.fromordinal(start.toordinal() + 1).replace(tzinfo=ZoneInfo(zone))
    to_us = us_from_datetime(end.astimezone(UTC))
    edges = buckets_of(from_us, to_us, most, zone).edges_us
    assert (edges[0], edges[-1]) == (from_us, to_us)
    hours = (np.diff(edges) / HOUR_US).tolist()
    return hours, [f"{local(edge, zone):%H:%M}" for edge in edges[:-1].tolist()]


@settings(deadline=None, max_examples=300)
@given(START, SPAN, st.integers(1, 2_500), ANY_ZONE)
def test_buckets_cover_the_span_and_are_few_enough(
    from_us: int, span_us: int, most: int, zone: str
) -> None:
    edges = buckets_of(from_us, from_us + span_us, most, zone).edges_us
    assert edges.dtype == np.int64
    assert 2 <= len(edges) <= most + 1
    assert (np.diff(edges) > 0).all()
    assert edges[0] <= from_us < edges[1]
    assert edges[-2] < from_us + span_us <= edges[-1]


@settings(deadline=None, max_examples=150)
@given(START, SPAN, st.integers(1, 2_500), ANY_ZONE)
def test_no_finer_step_would_do(from_us: int, span_us: int, most: int, zone: str) -> None:
    found = buckets_of(from_us, from_us + span_us, most, zone)
    finer = [step_s for step_s in LADDER_S if step_s < found.step_s]
    if finer:
        # The finest step of all, given room for the next finer one, still takes too many.
        room = 2 * most * found.step_s // finer[-1] + 500
        next_finer = buckets_of(from_us, from_us + span_us, room, zone)
        assert next_finer.step_s <= finer[-1]
        if next_finer.step_s == finer[-1]:
            assert len(next_finer.edges_us) - 1 > most


@settings(deadline=None, max_examples=150)
@given(START, SPAN, st.integers(1, 2_500), ANY_ZONE)
def test_edges_stand_on_round_times(from_us: int, span_us: int, most: int, zone: str) -> None:
    edges_us, step_s = buckets_of(from_us, from_us + span_us, most, zone)
    if step_s < 3_600:
        assert not (edges_us % (step_s * SECOND_US)).any()
        return
    for edge in edges_us.tolist():
        here, before = local(edge, zone), local(edge - SECOND_US, zone)
        if here.utcoffset() != before.utcoffset():
            continue  # the clock was changed at this very moment
        assert (here.minute, here.second, here.microsecond) == (0, 0, 0)
        if step_s < 86_400:
            assert here.hour % (step_s // 3_600) == 0
        else:
            assert here.hour == 0
        if step_s % (7 * 86_400) == 0:
            assert here.weekday() == 0


def test_spring_day_in_oslo_has_23_hours() -> None:
    hours, starts = day_buckets("2026-03-29", 25, "Europe/Oslo")
    assert hours == [1.0] * 23
    assert starts[:4] == ["00:00", "01:00", "03:00", "04:00"]
    assert day_buckets("2026-03-29", 4, "Europe/Oslo") == (
        [5.0, 6.0, 6.0, 6.0], ["00:00", "06:00", "12:00", "18:00"]
    )  # fmt: skip
    assert day_buckets("2026-03-29", 1, "Europe/Oslo") == ([23.0], ["00:00"])


def test_autumn_day_in_oslo_has_25_hours() -> None:
    hours, starts = day_buckets("2026-10-25", 25, "Europe/Oslo")
    assert hours == [1.0] * 25
    assert starts[:5] == ["00:00", "01:00", "02:00", "02:00", "03:00"]
    assert day_buckets("2026-10-25", 4, "Europe/Oslo") == (
        [7.0, 6.0, 6.0, 6.0], ["00:00", "06:00", "12:00", "18:00"]
    )  # fmt: skip
    assert day_buckets("2026-10-25", 1, "Europe/Oslo") == ([25.0], ["00:00"])


def test_two_hours_around_the_hour_that_comes_twice_are_three() -> None:
    hours, starts = day_buckets("2026-10-25", 12, "Europe/Oslo")
    assert hours == [2.0, 3.0] + [2.0] * 10
    assert starts[:3] == ["00:00", "02:00", "04:00"]


def test_day_without_midnight_begins_at_one() -> None:
    hours, starts = day_buckets("2026-03-08", 4, "America/Havana")
    assert (hours, starts[0]) == ([5.0, 6.0, 6.0, 6.0], "01:00")


def test_day_whose_midnight_comes_twice_begins_at_the_first() -> None:
    hours, starts = day_buckets("2026-11-01", 25, "America/Havana")
    assert hours == [1.0] * 25
    assert starts[:3] == ["00:00", "00:00", "01:00"]


def test_clock_changed_by_half_an_hour() -> None:
    assert sum(day_buckets("2026-04-05", 24, "Australia/Lord_Howe")[0]) == 24.5
    hours, starts = day_buckets("2026-10-04", 24, "Australia/Lord_Howe")
    assert hours == [1.0, 1.0, 0.5] + [1.0] * 21
    assert starts[2:4] == ["02:30", "03:00"]


def test_day_that_was_left_out() -> None:
    from_us, to_us = us_from_iso("2011-12-29T10:00Z"), us_from_iso("2012-01-01T10:00Z")
    edges = buckets_of(from_us, to_us, 3, "Pacific/Apia").edges_us.tolist()
    assert [f"{local(edge, 'Pacific/Apia'):%d %H}" for edge in edges] == [
        "29 00", "31 00", "01 00", "02 00"
    ]  # fmt: skip


def test_weeks_begin_on_monday_and_are_joined_when_still_too_many() -> None:
    from_us, to_us = us_from_iso("2025-10-01T00:00Z"), us_from_iso("2026-05-01T00:00Z")
    weeks = buckets_of(from_us, to_us, 40, "Europe/Oslo")
    assert weeks.step_s == 7 * 86_400
    assert local(int(weeks.edges_us[0]), "Europe/Oslo").isoformat() == "2025-09-29T00:00:00+02:00"
    assert buckets_of(from_us, to_us, 3, "Europe/Oslo").step_s == 11 * 7 * 86_400


@pytest.mark.parametrize(
    ("step_s", "first_us", "expected"),
    [
        (30, 0, 0),
        (60, 0, 60),
        (1_800, 0, 60),
        (3_600, 0, 3_600),
        (3_600, 15 * 60 * SECOND_US, 60),
        (86_400, 30 * 60 * SECOND_US, 60),
        (3_600, 7 * SECOND_US, 0),
    ],
)
def test_slots_are_never_cut(step_s: int, first_us: int, expected: int) -> None:
    edges = first_us + np.arange(4, dtype=np.int64) * step_s * SECOND_US
    assert slot_s(Buckets(edges, step_s)) == expected
