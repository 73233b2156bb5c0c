"""Degree days by three methods; each sum names its base and its method.

``hourly`` adds up, hour by hour, how far the outdoors lies below the base, over 24: a day of 25
hours counts 25/24. ``daily_mean`` takes the day's mean, ``max_min`` the middle of its highest and
lowest minute; both count a date as one day however long it is. All three are common practice and
differ by several per cent, most near the base.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.local import WHOLE_SHARE, between, places, totals

if TYPE_CHECKING:
    from envmon.heating.model import Floats, Ints
    from envmon.shop.heat import DegreeDayMethod

LEAST_SHARE = 0.5
"""A day with less than this has no degree days."""
_METHODS: dict[str, str] = {
    "hourly": "hour by hour",
    "daily_mean": "by the day's mean",
    "max_min": "by the middle of the day's highest and lowest",
}


class DegreeDays(NamedTuple):
    """Degree days of local days, each array (d,).

    Attributes:
        value: [K·d]; NaN where less than half the day is known. A partial day's stands for the
            whole day, worked out from what is known of it.
        share: Share of the day's minutes that are known, 0…1.
        base_c: Base [°C].
        method: How they were worked out.
    """

    value: Floats
    share: Floats
    base_c: float
    method: DegreeDayMethod

    @property
    def partial(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Days that have less than 23 of 24 parts of their minutes (d,)."""
        return self.share < WHOLE_SHARE

    @property
    def words(self) -> str:
        """Base and method, to stand beside every number."""
        return f"base {self.base_c:g} °C, {_METHODS[self.method]}"


def degree_days(
    outdoor_c: Floats, start_us: int, edges_us: Ints, base_c: float, method: DegreeDayMethod
) -> DegreeDays:
    """Return heating degree days of local days.

    Args:
        outdoor_c: By the minute [°C] (n,), NaN where not known.
        start_us: First minute [µs].
        edges_us: Where the days begin and the last one ends [µs] (d + 1,).
        base_c: Base [°C].
        method: ``hourly``, ``daily_mean`` or ``max_min``.
    """
    days = between(outdoor_c, start_us, edges_us)
    if method == "hourly":
        value = _hourly(outdoor_c, start_us, edges_us, base_c)
    elif method == "daily_mean":
        value = np.maximum(base_c - days.mean, 0.0)
    else:
        value = np.maximum(base_c - (days.high + days.low) / 2, 0.0)
    return DegreeDays(
        np.where(days.share >= LEAST_SHARE, value, np.nan), days.share, base_c, method
    )


def _hourly(outdoor_c: Floats, start_us: int, edges_us: Ints, base_c: float) -> Floats:
    """Return degree days from hours counted from each day's start; an hour needs half its minutes.

    Hours that are not known are taken to be as the day's others.
    """
    hours_us, day = _hours(edges_us)
    total, minutes = totals(outdoor_c, places(start_us, len(outdoor_c), hours_us))
    lasts = np.diff(hours_us) / MINUTE_US
    known = minutes >= np.maximum(lasts / 2, 1)
    below = np.maximum(base_c - total / np.maximum(minutes, 1), 0.0)
    count = len(edges_us) - 1
    summed = np.bincount(day, np.where(known, below * lasts, 0.0), count)
    weight = np.bincount(day, np.where(known, lasts, 0.0), count)
    mean = np.full(count, np.nan)
    np.divide(summed, weight, out=mean, where=weight > 0)
    return mean * np.diff(edges_us) / (1440 * MINUTE_US)


def _hours(edges_us: Ints) -> tuple[Ints, Ints]:
    """Return where the hours of all days begin, and the last ends, and the day of each hour."""
    in_day = -(-np.diff(edges_us) // (60 * MINUTE_US))
    day = np.repeat(np.arange(len(in_day)), in_day)
    first = np.concatenate(([0], np.cumsum(in_day)[:-1]))
    starts = edges_us[day] + (np.arange(len(day)) - first[day]) * 60 * MINUTE_US
    return np.append(starts, edges_us[-1]), day
