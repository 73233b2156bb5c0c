"""Minutes and stretches by hand, days of 23 and 25 hours, alarms held against each other.

Source of the days on which clocks change: the IANA rules of Europe/Oslo. Everything else is
counted by hand or against a slow count minute by minute.
"""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import Flag, Reading
from envmon.service.replay.alarms import Alarm, only_in
from envmon.service.replay.cells import cells
from envmon.service.replay.feed import whole_moments
from envmon.service.replay.judged import stage_days
from envmon.service.replay.timeline import (
    FITNESS,
    NOTHING,
    Painter,
    Stretch,
    Timeline,
    gained_and_lost_us,
)
from envmon.service.span import parse_moment

OSLO = "Europe/Oslo"
KEY = ("one", "coating")


def line(*parts: tuple[str, int]) -> Timeline:
    """Return a timeline from local times with the code that holds from then on."""
    return Timeline([parse_moment(text, OSLO) for text, _ in parts], [code for _, code in parts])


def test_minutes_and_longest_stretch_by_hand() -> None:
    """Fit 08:00–09:30 and 22:00 to 01:15 the next day: 90 + 120 min, then 75 min."""
    stood = line(
        ("2026-01-27T06:00", 2), ("2026-01-27T08:00", 0), ("2026-01-27T09:30", 1),
        ("2026-01-27T22:00", 0), ("2026-01-28T01:15", 3), ("2026-01-28T02:00", NOTHING),
    )  # fmt: skip
    span = parse_moment("2026-01-27", OSLO), parse_moment("2026-01-29", OSLO)
    first, second = stage_days(KEY, stood, OSLO, span)

    assert [us / MINUTE_US for us in first.spent_us] == [210, 750, 120, 0]
    assert [us / MINUTE_US for us in second.spent_us] == [75, 0, 0, 45]
    assert (first.day, second.day) == (date(2026, 1, 27), date(2026, 1, 28))
    ends = parse_moment("2026-01-27T22:00", OSLO), parse_moment("2026-01-28", OSLO)
    assert first.longest == Stretch(*ends)
    assert stood.longest(*span) == Stretch(ends[0], parse_moment("2026-01-28T01:15", OSLO))


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25)])
def test_a_day_on_which_clocks_change_has_its_own_length(day: str, hours: int) -> None:
    start_us = parse_moment(day, OSLO)
    stood = Timeline([start_us - HOUR_US, start_us + 48 * HOUR_US], [0, NOTHING])
    (whole, *_) = stage_days(KEY, stood, OSLO, (start_us, start_us + 26 * HOUR_US))
    assert whole.spent_us[0] == hours * HOUR_US
    assert whole.longest is not None
    assert whole.longest.minutes == hours * 60
    drawn = cells(stood, date.fromisoformat(day), 30, OSLO)
    assert drawn == [0] * 4 + [NOTHING if hours == 23 else 0] * 2 + [0] * 42


def test_a_cell_is_as_most_of_it_was_and_of_equals_the_worse() -> None:
    stood = line(
        ("2026-01-27T00:00", 0), ("2026-01-27T00:16", 2), ("2026-01-27T00:45", 0),
        ("2026-01-27T01:00", NOTHING),
    )  # fmt: skip
    assert cells(stood, date(2026, 1, 27), 30, OSLO)[:3] == [0, 2, NOTHING]


def test_what_other_limits_gain_and_lose_by_hand() -> None:
    own = Timeline([0, 10, 20, 40], [0, 2, 0, NOTHING])
    other = Timeline([0, 5, 30, 40], [1, 0, 3, NOTHING])
    assert gained_and_lost_us(own, other, 0, 40) == (10, 5 + 10)
    assert gained_and_lost_us(own, other, 0, 7) == (0, 5)
    assert gained_and_lost_us(own, own, 0, 40) == (0, 0)


def test_alarms_about_the_same_at_the_same_time_are_one() -> None:
    early, late = Alarm("one", "wash", "window", 0, 10), Alarm("one", "wash", "window", 20)
    other = Alarm("one", "wash", "window", 5, 15)
    unknown = Alarm("one", "wash", "unknown", 5, 15)
    assert only_in([early, late], [other, unknown]) == [late]
    assert only_in([other, unknown], [early, late]) == [unknown]
    assert late.minutes(20 + 3 * MINUTE_US) == 3


PARTS = st.lists(
    st.tuples(
        st.integers(0, 60),
        st.lists(st.tuples(st.integers(1, 9), st.sampled_from(FITNESS)), min_size=1, max_size=6),
    ),
    min_size=1,
    max_size=4,
)


@given(PARTS, st.integers(0, 40), st.integers(41, 130))
def test_painted_time_is_what_a_count_second_by_second_gives(
    parts: list[tuple[int, list[tuple[int, str]]]], from_us: int, to_us: int
) -> None:
    painter = Painter()
    slow = dict[int, int]()
    for start, lengths in parts:
        at_us = start
        for place, (length, fitness) in enumerate(lengths):
            if place:
                painter.turn(at_us, KEY, fitness)  # type: ignore[arg-type]
            else:
                painter.begin(at_us, {KEY: fitness})  # type: ignore[dict-item]
            slow.update(dict.fromkeys(range(at_us, at_us + length), FITNESS.index(fitness)))
            at_us += length
        painter.end(at_us)
    stood = painter.timelines()[KEY]
    middle = (from_us + to_us) // 2
    spent = stood.spent_us([from_us, middle, to_us])
    for row, (start, end) in zip(spent, [(from_us, middle), (middle, to_us)], strict=True):
        counted = [slow.get(at, NOTHING) for at in range(start, end)]
        assert row.tolist() == [counted.count(code) for code in range(NOTHING + 1)]
    fit = "".join("x" if slow.get(at) == 0 else " " for at in range(from_us, to_us)).split()
    longest = stood.longest(from_us, to_us)
    assert (longest.to_us - longest.from_us if longest else 0) == max(map(len, fit), default=0)


@given(st.lists(st.integers(0, 3), max_size=30), st.lists(st.integers(0, 30), max_size=8))
def test_moments_stay_whole_however_the_readings_are_cut(gaps: list[int], cuts: list[int]) -> None:
    seen = [sum(gaps[: n + 1]) for n in range(len(gaps))]
    readings = [Reading("p", "air_temp_c", n, 1.0, Flag.GOOD, at) for n, at in enumerate(seen)]
    edges = sorted({0, len(readings), *(min(cut, len(readings)) for cut in cuts)})
    chunks = [readings[a:b] for a, b in pairwise(edges)]
    given_out = list(whole_moments(chunks))
    assert [reading for chunk in given_out for reading in chunk] == readings
    for before, after in pairwise(given_out):
        assert before[-1].seen_us < after[0].seen_us
