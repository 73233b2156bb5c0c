"""Quiet hours by the wall clock, over nights in which it is changed.

Source of the changes: IANA time zone database (tzdata), through zoneinfo.
"""

from __future__ import annotations

from datetime import time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import HOUR_US, MINUTE_US, iso_from_us, us_from_iso
from envmon.notice.people import Quiet

OSLO = ZoneInfo("Europe/Oslo")


def quiet(text: str) -> Quiet:
    begins, ends = (time.fromisoformat(part) for part in text.split("-"))
    return Quiet(begins, ends, OSLO)


@pytest.mark.parametrize(
    ("hours", "at", "ends"),
    [
        ("22:00-06:30", "2026-01-27T21:59:59+01:00", None),
        ("22:00-06:30", "2026-01-27T22:00:00+01:00", "2026-01-28T06:30:00+01:00"),
        ("22:00-06:30", "2026-01-28T06:29:59+01:00", "2026-01-28T06:30:00+01:00"),
        ("22:00-06:30", "2026-01-28T06:30:00+01:00", None),
        ("12:00-13:00", "2026-01-28T12:30:00+01:00", "2026-01-28T13:00:00+01:00"),
        # 29 March 2026 02:00 -> 03:00, 25 October 2026 03:00 -> 02:00
        ("22:00-06:30", "2026-03-28T23:00:00+01:00", "2026-03-29T06:30:00+02:00"),
        ("22:00-06:30", "2026-10-24T23:00:00+02:00", "2026-10-25T06:30:00+01:00"),
        ("22:00-02:30", "2026-03-29T01:30:00+01:00", "2026-03-29T03:30:00+02:00"),
        ("22:00-02:30", "2026-10-25T02:45:00+02:00", "2026-10-25T02:30:00+01:00"),
        ("22:00-02:30", "2026-10-25T02:30:00+01:00", None),
        ("02:15-02:45", "2026-03-29T03:20:00+02:00", "2026-03-29T03:45:00+02:00"),
    ],
)
def test_quiet_hours_end(hours: str, at: str, ends: str | None) -> None:
    found = quiet(hours).end_us(us_from_iso(at))
    assert (None if found is None else iso_from_us(found)) == (
        None if ends is None else iso_from_us(us_from_iso(ends))
    )


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-28", 7.5), ("2026-10-24", 9.5), ("2026-01-10", 8.5)]
)
def test_night_is_as_long_as_its_clock_makes_it(day: str, hours: float) -> None:
    begin_us = us_from_iso(f"{day}T20:00:00Z")
    held = [
        at_us
        for at_us in range(begin_us, begin_us + 14 * HOUR_US, MINUTE_US)
        if quiet("22:00-06:30").end_us(at_us) is not None
    ]
    assert len(held) == hours * 60
    assert held == list(range(held[0], held[-1] + 1, MINUTE_US))


@settings(deadline=None)
@given(
    st.times().filter(lambda t: t.microsecond == 0),
    st.times(),
    st.integers(us_from_iso("2026-01-01"), us_from_iso("2027-01-01")),
)
def test_end_lies_ahead_and_is_no_quiet_time(begins: time, ends: time, at_us: int) -> None:
    span = Quiet(begins.replace(second=0), ends.replace(second=0, microsecond=0), OSLO)
    found = span.end_us(at_us)
    if found is not None and span.begins != span.ends:
        assert at_us < found <= at_us + 25 * HOUR_US
        assert span.end_us(found) is None or span.begins == span.ends
