"""Past mornings: when a bay was heated up, from how cold, and how long it took."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.local import local_days

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.model import Floats

    Bools = NDArray[np.bool_]

LEAST_LIFT_K = 1.5
"""A bay that was nearly warm says nothing of warming up."""
FULL = 0.85
"""Share of the time the heater runs while it warms a bay up."""
RUNS = 0.5
NEAR_LOW_K = 0.15
"""Where nobody knows when the heater ran: it began when the air was last so near its lowest."""
REACHED_K = 0.3
"""A bay this far under the target is warm: a thermostat swings."""
LONGEST_MIN = 720
NOON_MIN = 720


class BayPast(NamedTuple):
    """A bay by the minute up to now.

    Attributes:
        start_us: First minute [µs].
        air_c: Mean of the minute [°C] (n,).
        outdoor_c: Outdoors [°C] (n,).
        run: Share of the minute the heater ran (n,), NaN where not known, or None.
        zone: The shop's time zone.
    """

    start_us: int
    air_c: Floats
    outdoor_c: Floats
    run: Floats | None
    zone: str


class Morning(NamedTuple):
    """A morning on which a bay was heated up.

    Attributes:
        row: Minute in which heating began.
        minutes: How long it took to the target [min].
        air_c: Air when it began [°C].
        outdoor_c: Outdoors then [°C].
        day_c: Mean of the air over the 24 h before, for how cold slab and walls were [°C].
    """

    row: int
    minutes: float
    air_c: float
    outdoor_c: float
    day_c: float


def mornings_of(past: BayPast, target_c: float) -> list[Morning]:
    """Return the mornings on which a bay was heated up to a target, in order.

    Mornings on which it never got there, such as those with the door open in between, are left
    out.

    Args:
        past: The bay.
        target_c: How warm it was to be [°C].
    """
    end_us = past.start_us + len(past.air_c) * MINUTE_US
    found = []
    for midnight_us in local_days(past.start_us, end_us, past.zone).edges_us[:-1]:
        first = max(0, (int(midnight_us) - past.start_us) // MINUTE_US)
        one = _morning(past, first, target_c)
        if one is not None:
            found.append(one)
    return found


def _morning(past: BayPast, first: int, target_c: float) -> Morning | None:
    """Return the first warming up after a midnight."""
    air = past.air_c[first : first + NOON_MIN + LONGEST_MIN]
    cold = np.flatnonzero(air[:NOON_MIN] <= target_c - LEAST_LIFT_K)
    if not len(cold):
        return None
    warm = np.flatnonzero(air[cold[0] :] >= target_c - REACHED_K)
    if not len(warm):
        return None
    reached = first + int(cold[0] + warm[0])
    row = _began(past, max(0, reached - LONGEST_MIN), reached)
    if row is None or not past.air_c[row] <= target_c - LEAST_LIFT_K:
        return None
    if not np.isfinite(past.outdoor_c[row]):
        return None
    day_c = float(np.nanmean(past.air_c[max(0, row - 1440) : row + 1]))
    cold_c, outdoor_c = float(past.air_c[row]), float(past.outdoor_c[row])
    return Morning(row, float(reached - row), cold_c, outdoor_c, day_c)


def _began(past: BayPast, first: int, reached: int) -> int | None:
    """Return the minute in which warming up to a moment began."""
    if past.run is not None and np.isfinite(past.run[first:reached]).all():
        backward = np.cumsum(past.run[first:reached][::-1])
        share = backward / np.arange(1, len(backward) + 1)
        full = np.flatnonzero((share >= FULL) & (past.run[first:reached][::-1] >= RUNS))
        return None if not len(full) else reached - int(full[-1]) - 1
    air = past.air_c[first:reached]
    if not np.isfinite(air).any():
        return None
    low = np.flatnonzero(air <= np.nanmin(air) + NEAR_LOW_K)
    return first + int(low[-1])
