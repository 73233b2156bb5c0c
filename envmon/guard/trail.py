"""The trail of air and panel over the last quarter of an hour, and their rates of change."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US

if TYPE_CHECKING:
    from envmon.guard.conditions import Conditions


class Trace(NamedTuple):
    """One entry of the trail.

    Attributes:
        at_us: Time of the reading that made it [µs].
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity [%].
        panel_temp_c: Panel temperature [°C]; None when not known.
        dew_margin_k: Panel above dew point [K]; None when not known.
    """

    at_us: int
    air_temp_c: float
    rel_hum_pct: float
    panel_temp_c: float | None = None
    dew_margin_k: float | None = None


Trail = tuple[Trace, ...]
"""The oldest first."""

TRAIL_STEP_US = 30 * SECOND_US
TRAIL_SPAN_US = 15 * MINUTE_US
TRAIL_NEEDED_US = 5 * MINUTE_US
LAST_US = TRAIL_NEEDED_US + TRAIL_STEP_US
TRAIL_OLD_US = 3 * MINUTE_US
NEVER_US = 2**62
"""A time that does not come."""

RATES = {"air_temp_rate_k_h": "air_temp_c", "rel_hum_rate_pct_h": "rel_hum_pct"}
"""Rate -> what it is the rate of."""
COLUMNS = {name: place for place, name in enumerate(Trace._fields) if place}
"""What the trail keeps -> its place in an entry."""


def longer_trail(trail: Trail, known: Conditions, at_us: int) -> Trail:
    """Return the trail with the present added, at most one entry each half minute.

    Args:
        trail: The trail so far.
        known: Conditions of the bay, moist air included; without air temperature and humidity
            nothing is added.
        at_us: Time of the reading that makes it longer [µs].
    """
    if trail and at_us - trail[-1].at_us < TRAIL_STEP_US:
        return trail
    air, humidity, panel, margin = (
        known[name].value if name in known else None for name in COLUMNS
    )
    if air is None or humidity is None:
        return trail
    kept = tuple([entry for entry in trail if at_us - entry.at_us <= TRAIL_SPAN_US])
    return (*kept, Trace(at_us, air, humidity, panel, margin))


def trail_due_us(trail: Trail, *, both_known: bool) -> int:
    """Return from when on the next reading makes the trail longer [µs].

    Args:
        trail: The trail.
        both_known: Air temperature and humidity can be told now.
    """
    if not both_known:
        return NEVER_US
    return trail[-1].at_us + TRAIL_STEP_US if trail else 0


def trail_old_us(trail: Trail) -> int | None:
    """Return when the trail will say nothing of the present any more [µs]; None without one."""
    return trail[-1].at_us + TRAIL_OLD_US + 1 if trail else None


def rate_per_h(trail: Trail, quantity: str, at_us: int) -> float | None:
    """Return a rate of change by least squares over the trail [1/h]; None while it is too short.

    Args:
        trail: The trail.
        quantity: One of ``COLUMNS``.
        at_us: Time now [µs]; an old trail says nothing of it.
    """
    column = COLUMNS[quantity]
    entries = [(entry.at_us, entry[column]) for entry in trail]
    known = [(t_us, value) for t_us, value in entries if value is not None]
    if (
        len(known) < 3
        or known[-1][0] - known[0][0] < TRAIL_NEEDED_US
        or at_us - known[-1][0] > TRAIL_OLD_US
    ):
        return None
    hours = [(t_us - known[0][0]) / HOUR_US for t_us, _ in known]
    return _slope(hours, [value for _, value in known])


def steady_rate_per_h(trail: Trail, quantity: str, at_us: int) -> float | None:
    """Return the rate that both the whole trail and its last minutes bear out [1/h].

    A step that is over (a door was shut, the car moved) leaves a slope in the whole trail for a
    quarter of an hour, though nothing moves any more. Where the two differ it is the smaller one,
    and none where they go opposite ways. Arguments as for ``rate_per_h``.
    """
    whole = rate_per_h(trail, quantity, at_us)
    last = tuple(entry for entry in trail if trail[-1].at_us - entry.at_us <= LAST_US)
    lately = rate_per_h(last, quantity, at_us)
    if whole is None or lately is None:
        return None
    return min(whole, lately, key=abs) if whole * lately > 0 else 0.0


def _slope(x: list[float], y: list[float]) -> float:
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    above = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))
    return above / sum((a - mean_x) ** 2 for a in x)
