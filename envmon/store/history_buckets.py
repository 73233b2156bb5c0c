"""Where the buckets of a chart begin and end: round steps, on the clock of the shop's wall."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US, us_from_datetime
from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

_HOUR_S, _DAY_S = 3_600, 86_400
_WEEK_S = 7 * _DAY_S
LADDER_S = (
    *(1, 2, 5, 10, 15, 20, 30),
    *(60 * minutes for minutes in (1, 2, 5, 10, 15, 20, 30)),
    *(_HOUR_S * hours for hours in (1, 2, 3, 4, 6, 8, 12)),
    *(_DAY_S * days for days in (1, 2, 7)),
)
"""Widths of buckets [s]; where a week is too fine, whole numbers of weeks follow."""

FIRST_US = us_from_datetime(datetime(1900, 1, 1, tzinfo=UTC))
LAST_US = us_from_datetime(datetime(2200, 1, 1, tzinfo=UTC))
"""History is asked for between these years; clocks of earlier ones had odd seconds."""

_CLOCK_CHANGES_A_YEAR = 6


class Buckets(NamedTuple):
    """Buckets side by side: bucket i is ``edges_us[i] <= t < edges_us[i + 1]``.

    Attributes:
        edges_us: Rising times [µs, UTC], int64 (n + 1,).
        step_s: Width by name [s]; one bucket may differ where the clock is changed.
    """

    edges_us: Ints
    step_s: int


def buckets_of(from_us: int, to_us: int, most: int, zone: str) -> Buckets:
    """Return the finest buckets on round times that cover a span.

    The span is rounded outwards: the first bucket begins at or before ``from_us``, the last
    ends at or after ``to_us``. Steps below an hour are counted in UTC. Steps of hours begin
    anew at each local midnight and follow the wall clock: 6 h means 0, 6, 12 and 18 o'clock, so
    a day of 23 hours has one bucket of 5 and a day of 25 hours one of 7; single hours stay
    single, 23 or 25 of them. Days begin at the first moment of the local date, weeks on Monday.

    Args:
        from_us: Start of the span [µs, UTC].
        to_us: End of the span [µs, UTC], after the start.
        most: So many buckets at most, at least 1.
        zone: Time zone name, such as Europe/Oslo.

    Raises:
        InputError: One of them is not allowed.
    """
    clock = _checked(from_us, to_us, most, zone)
    for step_s in LADDER_S:
        if _surely_more(to_us - from_us, step_s, most):
            continue
        edges = _edges(from_us, to_us, step_s, clock)
        if len(edges) <= most + 1:
            return Buckets(edges, step_s)
    return _weeks(from_us, to_us, most, clock)


def _checked(from_us: int, to_us: int, most: int, zone: str) -> ZoneInfo:
    if not FIRST_US <= from_us < to_us <= LAST_US:
        raise InputError(
            f"span is {from_us} to {to_us} µs; allowed is from 1900 to 2200 with the end after "
            "the start"
        )
    if most < 1:
        raise InputError(f"number of buckets is {most}; allowed is 1 or more")
    try:
        return ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        raise InputError(f"time zone is {zone!r}; allowed are names such as Europe/Oslo") from error


def _surely_more(span_us: int, step_s: int, most: int) -> bool:
    """Return whether a step gives more buckets whatever the clocks do."""
    irregular = _CLOCK_CHANGES_A_YEAR * (span_us // (365 * DAY_US) + 1)
    return span_us // (step_s * SECOND_US) - irregular > most


def _edges(from_us: int, to_us: int, step_s: int, clock: ZoneInfo) -> Ints:
    if step_s < _HOUR_S:
        width_us = step_s * SECOND_US
        start = from_us // width_us * width_us
        return np.arange(start, -(-to_us // width_us) * width_us + 1, width_us, dtype=np.int64)
    if step_s < _DAY_S:
        starts = list(_hour_starts(from_us, to_us, step_s // _HOUR_S, clock))
    else:
        starts = _day_starts(from_us, to_us, step_s // _DAY_S, clock)
    # A local day may be left out or begin before the one before it has wholly ended.
    edges = np.unique(np.array(starts, dtype=np.int64))
    begin, end = np.searchsorted(edges, from_us, "right"), np.searchsorted(edges, to_us)
    return edges[begin - 1 : end + 1]


def _day_starts(from_us: int, to_us: int, days: int, clock: ZoneInfo) -> list[int]:
    """Return starts of local days, every ``days``-th, from before to after the span."""
    # Day 1 of the calendar was a Monday.
    first = (_local_day(from_us, clock) - 2) // days * days + 1
    last = _local_day(to_us, clock) + 1 + days
    return [wall_us(clock, ordinal, 0)[0] for ordinal in range(first, last + 1, days)]


def _hour_starts(from_us: int, to_us: int, hours: int, clock: ZoneInfo) -> Iterator[int]:
    """Yield starts of buckets of ``hours`` hours, over whole local days around the span."""
    for ordinal in range(_local_day(from_us, clock) - 1, _local_day(to_us, clock) + 2):
        start, after = wall_us(clock, ordinal, 0)[0], wall_us(clock, ordinal + 1, 0)[0]
        if after - start == DAY_US:
            yield from range(start, after, hours * HOUR_US)
            continue
        for hour in range(0, 24, hours):
            found = wall_us(clock, ordinal, hour)
            yield from found if hours == 1 else found[:1]


def _weeks(from_us: int, to_us: int, most: int, clock: ZoneInfo) -> Buckets:
    """Return buckets of so many weeks that they are few enough."""
    edges = _edges(from_us, to_us, _WEEK_S, clock)
    weeks = -(-(len(edges) - 1) // most)
    monday = _local_day(int(edges[0]) + DAY_US // 2, clock)
    count = -(-(len(edges) - 1) // weeks)
    ordinals = [monday + 7 * weeks * place for place in range(count + 1)]
    starts = [wall_us(clock, ordinal, 0)[0] for ordinal in ordinals]
    return Buckets(np.array(starts, dtype=np.int64), weeks * _WEEK_S)


def _local_day(at_us: int, clock: ZoneInfo) -> int:
    """Return the number of the local date: 1 is the first day of year 1."""
    return datetime.fromtimestamp(at_us // SECOND_US, clock).toordinal()


@lru_cache(maxsize=8_192)
def wall_us(clock: ZoneInfo, ordinal: int, hour: int) -> tuple[int, ...]:
    """Return when the wall clock shows a full hour [µs, UTC]: once, or twice in autumn.

    An hour that is left out in spring begins at the moment of the change.

    Args:
        clock: The time zone.
        ordinal: Number of the local date, as ``date.toordinal`` gives it.
        hour: Hour of that day, 0…23.
    """
    wall = datetime.combine(date.fromordinal(ordinal), datetime.min.time(), clock)
    wall = wall.replace(hour=hour)
    first, second = us_from_datetime(wall), us_from_datetime(wall.replace(fold=1))
    if first < second:
        return first, second
    return (first,) if first == second else (_change_us(clock, second, first),)


def _change_us(clock: ZoneInfo, before_us: int, after_us: int) -> int:
    """Return when the clock is changed between two times [µs, UTC]."""
    old = _offset(clock, before_us)
    while after_us - before_us > SECOND_US:
        middle = (before_us + after_us) // 2 // SECOND_US * SECOND_US
        if _offset(clock, middle) == old:
            before_us = middle
        else:
            after_us = middle
    return after_us


def _offset(clock: ZoneInfo, at_us: int) -> timedelta | None:
    return datetime.fromtimestamp(at_us // SECOND_US, clock).utcoffset()


def slot_s(buckets: Buckets) -> int:
    """Return the longest slot of a summary that no edge cuts [s]; 0 when even minutes are cut."""
    edges = buckets.edges_us
    if buckets.step_s >= _HOUR_S and not (edges % HOUR_US).any():
        return _HOUR_S
    return 60 if buckets.step_s >= 60 and not (edges % MINUTE_US).any() else 0
