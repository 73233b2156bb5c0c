"""Minutes cut at edges: local days of 23, 24 and 25 hours, and what a value did between them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US, us_from_datetime

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

    from envmon.heating.model import Floats, Ints, Winter


WHOLE_SHARE = 23 / 24
"""With less than this of its minutes a day is partial."""


class LocalDays(NamedTuple):
    """Local days in order.

    Attributes:
        dates: The dates (d,).
        edges_us: Where each begins and the last one ends [µs] (d + 1,).
    """

    dates: tuple[date, ...]
    edges_us: Ints

    @property
    def hours(self) -> Floats:
        """Hours of each day: 23, 24 or 25 (d,)."""
        return np.diff(self.edges_us) / HOUR_US

    def place(self, at_us: int) -> int:
        """Return which day holds a moment [µs]; the first or last one for a moment outside."""
        found = int(np.searchsorted(self.edges_us, at_us, "right")) - 1
        return min(max(found, 0), len(self.dates) - 1)


class Between(NamedTuple):
    """What minutes between edges hold, each array (p,); NaN where none is known.

    Attributes:
        mean: Mean of the minutes known.
        low: The lowest of them.
        high: The highest of them.
        minutes: How many are known.
        share: Known minutes over all minutes between the edges, 0…1.
        whole_min: Minutes between the edges.
    """

    mean: Floats
    low: Floats
    high: Floats
    minutes: Ints
    share: Floats
    whole_min: Floats

    @property
    def total_min(self) -> Floats:
        """Sum over minutes; where less than an hour in a day lacks, it is taken as the others."""
        return self.mean * np.where(self.share >= WHOLE_SHARE, self.whole_min, self.minutes)


def day_starts_us(day: date, zone: str) -> int:
    """Return when a local day begins [µs, UTC]; one that is left out is the change."""
    midnight = datetime.combine(day, datetime.min.time(), ZoneInfo(zone))
    return us_from_datetime(midnight)


def date_near(at_us: int, zone: str) -> date:
    """Return the local day that begins at the midnight next to a moment [µs]."""
    return datetime.fromtimestamp(at_us // SECOND_US + 43_200, ZoneInfo(zone)).date()


def local_days(start_us: int, end_us: int, zone: str) -> LocalDays:
    """Return all local days that a span touches, whole ones.

    Args:
        start_us: First moment [µs].
        end_us: End of the span [µs], above ``start_us``.
        zone: Time zone name, such as Europe/Oslo.
    """
    clock = ZoneInfo(zone)
    first, last = (
        datetime.fromtimestamp(at_us // SECOND_US, UTC).astimezone(clock).date()
        for at_us in (start_us, end_us - 1)
    )
    dates = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    edges = np.array([day_starts_us(day, zone) for day in [*dates, last + timedelta(days=1)]])
    there = np.diff(edges) > 0  # a place that changed sides of the date line has left one out
    kept = tuple(day for day, is_there in zip(dates, there, strict=True) if is_there)
    return LocalDays(kept, np.append(edges[:-1][there], edges[-1]).astype(np.int64))


def days_of(winter: Winter) -> LocalDays:
    """Return the local days a winter touches."""
    end_us = winter.start_us + winter.minutes * MINUTE_US
    return local_days(winter.start_us, end_us, winter.zone)


def places(start_us: int, minutes: int, edges_us: Ints) -> Ints:
    """Return the first minute at or after each edge, held within 0…``minutes``."""
    return np.clip(-((start_us - edges_us) // MINUTE_US), 0, minutes).astype(np.int64)


def totals(values: Floats, at: Ints) -> tuple[Floats, Ints]:
    """Return sum and number of what is known between places (p,), (p,)."""
    known = ~np.isnan(values)
    summed = reduced(np.where(known, values, 0.0), at, np.add)
    counted = reduced(known.astype(np.int64), at, np.add)
    return np.nan_to_num(summed), np.nan_to_num(counted).astype(np.int64)


def between(values: Floats, start_us: int, edges_us: Ints) -> Between:
    """Return what minutes did between edges.

    Args:
        values: By the minute (n,), NaN where not known.
        start_us: First minute [µs].
        edges_us: Rising times [µs] (p + 1,).
    """
    at = places(start_us, len(values), edges_us)
    total, minutes = totals(values, at)
    mean = np.full(len(minutes), np.nan)
    np.divide(total, minutes, out=mean, where=minutes > 0)
    low, high = (reduced(values, at, of) for of in (np.fmin, np.fmax))
    whole = np.diff(edges_us) / MINUTE_US
    return Between(mean, low, high, minutes, minutes / whole, whole)


def reduced(values: NDArray[Any], at: Ints, of: np.ufunc) -> Floats:
    """Return ``of`` over what lies between places (p,); NaN where nothing does."""
    padded = np.append(values, 0)  # reduceat wants every place to lie inside
    found: Floats = of.reduceat(padded, at)[:-1]
    return np.where(np.diff(at) > 0, found, np.nan)
