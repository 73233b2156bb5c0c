"""Moments as a person writes them, in the shop's zone.

Source of the days on which clocks change: the IANA time zone rules of Europe/Oslo (last Sundays
of March and October at 01:00 UTC) and America/Sao_Paulo (2018-11-04 at midnight). Source of what
a skipped or doubled time means: RFC 5545, section 3.3.5.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import HOUR_US, us_from_datetime
from envmon.errors import InputError
from envmon.service.span import day_edges_us, local_from_us, moment_note, parse_moment

OSLO = "Europe/Oslo"


def utc(*parts: int) -> int:
    return us_from_datetime(datetime(*parts, tzinfo=UTC))  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("text", "at_us"),
    [
        ("2026-01-27", utc(2026, 1, 26, 23)),
        ("2026-01-27T10:00", utc(2026, 1, 27, 9)),
        ("2026-01-27 10:00:30.25", utc(2026, 1, 27, 9, 0, 30, 250_000)),
        ("2026-07-27T10:00", utc(2026, 7, 27, 8)),
        ("2026-01-27T10:00Z", utc(2026, 1, 27, 10)),
        ("2026-01-27T10:00-05:00", utc(2026, 1, 27, 15)),
        ("2026-03-29T02:30", utc(2026, 3, 29, 1, 30)),  # skipped: 03:30 summer time
        ("2026-10-25T02:30", utc(2026, 10, 25, 0, 30)),  # twice: the first, still summer time
        ("2026-10-25T02:30+01:00", utc(2026, 10, 25, 1, 30)),
    ],
)
def test_a_moment_is_read_in_the_shops_zone(text: str, at_us: int) -> None:
    assert parse_moment(text, OSLO) == at_us


def test_a_day_that_has_no_midnight_starts_when_it_starts() -> None:
    assert parse_moment("2018-11-04", "America/Sao_Paulo") == utc(2018, 11, 4, 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-03-29T02:30", "03:30"),
        ("2026-10-25T02:30", "comes twice"),
        ("2026-10-25T02:30+01:00", ""),
        ("2026-01-27T10:00", ""),
        ("2026-10-25", ""),
    ],
)
def test_a_time_that_is_not_one_moment_is_named(text: str, words: str) -> None:
    note = moment_note(text, OSLO)
    assert words in note
    assert bool(note) == bool(words)


@pytest.mark.parametrize(
    "text", ["", "yesterday", "27.01.2026", "2026-02-30", "1066-10-14", "9999"]
)
def test_what_is_no_moment_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(InputError, match="2026-01-27T10:00") as caught:
        parse_moment(text, OSLO)
    assert repr(text) in str(caught.value)


def test_local_days_have_23_24_and_25_hours() -> None:
    for day, hours in (("2026-03-29", 23), ("2026-03-30", 24), ("2026-10-25", 25)):
        start_us = parse_moment(day, OSLO)
        first, second = day_edges_us(start_us + HOUR_US, start_us + 2 * HOUR_US, OSLO)
        assert first == start_us
        assert second - first == hours * HOUR_US


@given(st.datetimes(datetime(1971, 1, 2), datetime(2199, 12, 30)))  # noqa: DTZ001 - UTC by itself
def test_a_moment_written_out_with_its_offset_is_read_back(moment: datetime) -> None:
    at_us = us_from_datetime(moment.replace(tzinfo=UTC))
    assert parse_moment(local_from_us(at_us, OSLO).isoformat(), OSLO) == at_us
