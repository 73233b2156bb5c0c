"""The trail of air temperature and humidity, and their rates of change."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US

if TYPE_CHECKING:
    from envmon.guard.state import BayNow

Trail = tuple[tuple[int, float, float], ...]
"""(time [µs], air temperature [°C], RH [%]), the oldest first."""

TRAIL_STEP_US = 30 * SECOND_US
TRAIL_SPAN_US = 15 * MINUTE_US
TRAIL_NEEDED_US = 5 * MINUTE_US
TRAIL_OLD_US = 3 * MINUTE_US
NEVER_US = 2**62
"""A time that does not come."""

RATES = {"air_temp_rate_k_h": ("air_temp_c", 1), "rel_hum_rate_pct_h": ("rel_hum_pct", 2)}
"""Rate -> what it is the rate of, and its place in an entry of the trail."""


def longer_trail(now: BayNow, air_c: float | None, rel_hum_pct: float | None, at_us: int) -> Trail:
    """Return the trail with the present added, at most one entry each half minute.

    Args:
        now: What is remembered of the bay.
        air_c: Air temperature [°C]; None when it cannot be told.
        rel_hum_pct: Relative humidity [%]; None when it cannot be told.
        at_us: Time of the reading that makes it longer [µs].
    """
    trail = now.trail
    if air_c is None or rel_hum_pct is None or (trail and at_us - trail[-1][0] < TRAIL_STEP_US):
        return trail
    kept = tuple([entry for entry in trail if at_us - entry[0] <= TRAIL_SPAN_US])
    return (*kept, (at_us, air_c, rel_hum_pct))


def trail_due_us(trail: Trail, *, both_known: bool) -> int:
    """Return from when on the next reading makes the trail longer [µs].

    Args:
        trail: The trail.
        both_known: Air temperature and humidity can be told now.
    """
    if not both_known:
        return NEVER_US
    return trail[-1][0] + TRAIL_STEP_US if trail else 0


def trail_old_us(trail: Trail) -> int | None:
    """Return when the trail will say nothing of the present any more [µs]; None without one."""
    return trail[-1][0] + TRAIL_OLD_US + 1 if trail else None


def rate_per_h(trail: Trail, column: int, at_us: int) -> float | None:
    """Return a rate of change by least squares over the trail [1/h]; None while it is too short.

    Args:
        trail: The trail.
        column: Which value of an entry.
        at_us: Time now [µs]; an old trail says nothing of it.
    """
    if (
        len(trail) < 3
        or trail[-1][0] - trail[0][0] < TRAIL_NEEDED_US
        or at_us - trail[-1][0] > TRAIL_OLD_US
    ):
        return None
    hours = [(entry[0] - trail[0][0]) / HOUR_US for entry in trail]
    return _slope(hours, [entry[column] for entry in trail])


def _slope(x: list[float], y: list[float]) -> float:
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    above = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))
    return above / sum((a - mean_x) ** 2 for a in x)
