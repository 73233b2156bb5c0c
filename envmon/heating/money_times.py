"""Times cut where a price may change: at local midnights, at a tariff's clock times, at DST."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import DAY_US, MINUTE_US, SECOND_US

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from envmon.heating.model import Floats, Ints
    from envmon.shop.heat import Band

_EPOCH = date(1970, 1, 1).toordinal()


class Pieces(NamedTuple):
    """Intervals cut into pieces in which no price changes, each array (k,).

    Attributes:
        place: Which interval a piece is of.
        share: Of that interval's length, 0…1.
        day: Local day, counted from 1970-01-01.
        minute: Local minute of the day at its start.
    """

    place: Ints
    share: Floats
    day: Ints
    minute: Ints


def date_of(day: int) -> date:
    """Return the date of a day counted from 1970-01-01."""
    return date.fromordinal(_EPOCH + int(day))


def day_of(day: date) -> int:
    """Return a date as days from 1970-01-01."""
    return day.toordinal() - _EPOCH


def minutes_of(clock: str) -> int:
    """Return minutes after midnight of ``"07:30"``."""
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def offsets(first_us: int, last_us: int, zone: str) -> tuple[Ints, Ints]:
    """Return since when which offset from UTC holds, both [µs] (k,)."""
    clock = ZoneInfo(zone)

    def at(t_us: int) -> int:
        offset = datetime.fromtimestamp(t_us // SECOND_US, UTC).astimezone(clock).utcoffset()
        assert offset is not None
        return round(offset.total_seconds()) * SECOND_US

    found = [(first_us, at(first_us))]
    for begin in range(first_us, last_us, DAY_US):
        end = min(begin + DAY_US, last_us)
        if at(end) != found[-1][1]:
            found.append((_changed(at, begin, end), at(end)))
    since, offset = np.array(found, dtype=np.int64).T
    return since, offset


def _changed(at: Callable[[int], int], begin_us: int, end_us: int) -> int:
    """Return the minute in which the offset changes."""
    before = at(begin_us)
    while end_us - begin_us > SECOND_US:
        middle = (begin_us + end_us) // 2
        begin_us, end_us = (middle, end_us) if at(middle) == before else (begin_us, middle)
    return -(-begin_us // MINUTE_US) * MINUTE_US


def pieces_of(edges_us: Ints, clocks: Iterable[int], zone: str) -> Pieces:
    """Cut intervals at midnights, at some clock times and where the clock is changed.

    Args:
        edges_us: Rising times [µs] (n + 1,).
        clocks: Minutes after local midnight.
        zone: Time zone name.
    """
    edges = np.asarray(edges_us, dtype=np.int64)
    first, last = int(edges[0]), int(edges[-1])
    since, offset = offsets(first, last, zone)
    cuts = [edges, since]
    for one in np.unique(offset):
        days = np.arange((first + one) // DAY_US, (last + one) // DAY_US + 1)
        cuts += [days * DAY_US + clock * MINUTE_US - one for clock in {0, *clocks}]
    times = np.unique(np.concatenate(cuts))
    times = times[(times >= first) & (times <= last)]
    start = times[:-1]
    place = np.searchsorted(edges, start, side="right") - 1
    wall = start + offset[np.searchsorted(since, start, side="right") - 1]
    share = np.diff(times) / np.diff(edges)[place]
    return Pieces(place, share, wall // DAY_US, wall // MINUTE_US % (DAY_US // MINUTE_US))


def bands_at(pieces: Pieces, bands: Sequence[Band]) -> Ints:
    """Return the first band that fits each piece, -1 for none (k,).

    A band whose end is not after its start goes on into the next day; ``days`` is the day on which
    it starts.
    """
    found = np.full(len(pieces.day), -1)
    for number in reversed(range(len(bands))):
        found[_inside(pieces, bands[number])] = number
    return found


def _inside(pieces: Pieces, band: Band) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    start, end = minutes_of(band.start), minutes_of(band.end)
    if start < end:
        inside = (pieces.minute >= start) & (pieces.minute < end)
        return inside & _right_day(pieces.day, band)
    evening = (pieces.minute >= start) & _right_day(pieces.day, band)
    return evening | ((pieces.minute < end) & _right_day(pieces.day - 1, band))


def _right_day(day: Ints, band: Band) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    weekend = (day + 3) % 7 >= 5  # 1970-01-01 was a Thursday
    if band.days == "all":
        return np.ones(len(day), dtype=bool)
    return weekend if band.days == "weekends" else ~weekend
