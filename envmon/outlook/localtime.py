"""The shop's own clock along a history: what is usual goes by it, in summer as in winter."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import DAY_US, SECOND_US

STEP_US = 900 * SECOND_US
"""Clocks are changed at quarters of an hour of UTC."""


def local_us(at_us: Any, zone: str) -> Any:
    """Return what clocks on the wall show at some times [µs since 1970, as if that were UTC].

    Args:
        at_us: A time [µs], or an array of them.
        zone: Time zone name, such as Europe/Oslo.
    """
    if zone == "UTC":
        return at_us
    times = np.asarray(at_us, dtype=np.int64)
    days, place = np.unique(times // DAY_US, return_inverse=True)
    rows = np.array([_change(int(day), zone) for day in days], dtype=np.int64).reshape(-1, 3)
    before, change_us, after = np.moveaxis(rows[place.reshape(times.shape)], -1, 0)
    found = times + np.where(times < change_us, before, after)
    return found if times.ndim else int(found)


@lru_cache(maxsize=4096)
def _change(day: int, zone: str) -> tuple[int, int, int]:
    """Return the offset [µs] at a UTC day's begin, when it changes [µs], and that at its end."""
    begin_us, end_us = day * DAY_US, (day + 1) * DAY_US
    first, last = _offset_us(begin_us, zone), _offset_us(end_us - 1, zone)
    if first == last:
        return first, end_us, last
    steps = range(begin_us, end_us, STEP_US)
    return first, next(us for us in steps if _offset_us(us, zone) != first), last


def _offset_us(at_us: int, zone: str) -> int:
    offset = datetime.fromtimestamp(at_us // SECOND_US, UTC).astimezone(ZoneInfo(zone)).utcoffset()
    return (offset or timedelta()) // timedelta(microseconds=1)
