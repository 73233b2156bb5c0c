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
"""Share of half an hour the heater must run for a start."""
RISES_K = 0.5
"""Rise in 20 min that counts as a start where nobody knows when the heater ran."""
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
    n = len(past.air_c)
    begins = _beginnings(past)
    days = local_days(past.start_us, past.start_us + n * MINUTE_US, past.zone)
    found = []
    for midnight_us in days.edges_us[:-1]:
        first = max(0, (int(midnight_us) - past.start_us) // MINUTE_US)
        cold = begins[first : first + NOON_MIN]
        cold = cold & (past.air_c[first : first + NOON_MIN] <= target_c - LEAST_LIFT_K)
        if not cold.any():
            continue
        one = _morning(past, first + int(np.argmax(cold)), target_c)
        if one is not None:
            found.append(one)
    return found


def _beginnings(past: BayPast) -> Bools:
    """Return in which minutes steady heating may begin."""
    if past.run is not None and np.isfinite(past.run).mean() > 0.5:
        full: Bools = _ahead_mean(np.nan_to_num(past.run), 30) >= FULL
        return full
    later = np.concatenate((past.air_c[20:], np.full(min(20, len(past.air_c)), np.nan)))
    rises: Bools = later - past.air_c >= RISES_K
    return rises


def _ahead_mean(values: Floats, minutes: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(values)))
    last = np.minimum(np.arange(len(values)) + minutes, len(values))
    return (total[last] - total[:-1]) / minutes


def _morning(past: BayPast, row: int, target_c: float) -> Morning | None:
    air = past.air_c[row : row + LONGEST_MIN]
    warm = np.flatnonzero(air >= target_c - REACHED_K)
    before = past.air_c[max(0, row - 1440) : row + 1]
    if not len(warm) or not np.isfinite([air[0], past.outdoor_c[row]]).all():
        return None
    day_c = float(np.nanmean(before))
    return Morning(row, float(warm[0]), float(air[0]), float(past.outdoor_c[row]), day_c)
