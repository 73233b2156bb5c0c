"""The outdoors ahead from a forecast: as it was told, put right by the shop's own sensor.

A forecast is of a place some way off, so it lies apart from what the shop's own sensor says. The
mean of that over the last hours is taken off and fades within half a day, and what sets this very
moment apart fades within an hour: a forecast is drawn from where the outdoors stand now.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US
from envmon.outlook.ahead import Outside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Foretold
    from envmon.outlook.frame import Values

OLDEST_H = 24
"""A forecast that was said longer ago is not used."""
GAP_H = 6
"""Told times further apart are not joined by a line; what is behind the gap is not used."""
WAIT_MIN = 90
"""A forecast that begins later than this has nothing to say of now."""
LOOKS_BACK_MIN, LEAST_MIN = 180, 30
"""It is held against so many minutes of the shop's own sensor, of which so many must be there."""
MOST_OFF_K = 10.0
"""A forecast further off than this is of another place, or in another unit."""
FADES_H, MOMENT_FADES_H = 12.0, 1.0
STEP_MIN, FARTHEST_H = 15, 36


class Seen(NamedTuple):
    """What the shop's own sensor outdoors said, a value a minute [°C], NaN where not known."""

    start_us: int
    outdoor_c: Values


class Weather(NamedTuple):
    """What is taken of the outdoors ahead.

    Attributes:
        outdoor: Temperatures ahead from now on; empty where no forecast is used.
        heard_us: When the newest word of the forecast was said [µs]; None without one.
        until_us: Up to when it goes [µs]; None where it is not used.
        off_k: How much warmer the shop's own sensor was lately [K]; None where nobody knows.
        why: Why a forecast that is there is not used, for a person.
    """

    outdoor: tuple[Outside, ...] = ()
    heard_us: int | None = None
    until_us: int | None = None
    off_k: float | None = None
    why: str = ""


def weather_from(told: Sequence[Foretold], seen: Seen | None, now_us: int) -> Weather:
    """Return what is taken of the outdoors ahead.

    Args:
        told: Every forecast that is kept, of one or several points.
        seen: What the shop's own sensor said up to now; None where there is none.
        now_us: Time now [µs].
    """
    if not told:
        return Weather()
    newest = max(told, key=lambda one: one.heard_us)
    heard_us = newest.heard_us
    age_h = (now_us - heard_us) / HOUR_US
    if age_h > OLDEST_H:
        return Weather(heard_us=heard_us, why=f"the forecast is {age_h:.0f} h old")
    times, temps_c = _told_by(newest.point, told, now_us)
    if not len(times) or times[-1] <= now_us:
        return Weather(heard_us=heard_us, why="the forecast has ended")
    if times[0] > now_us + WAIT_MIN * MINUTE_US:
        return Weather(heard_us=heard_us, why="the forecast begins later")
    lately_k, moment_k = _off(times, temps_c, seen, now_us)
    if abs(lately_k or 0.0) > MOST_OFF_K:
        why = f"the forecast lies {abs(lately_k or 0.0):.0f} K apart from the sensor outdoors"
        return Weather(heard_us=heard_us, off_k=lately_k, why=why)
    outdoor = _put_right((times, temps_c), lately_k or 0.0, moment_k or 0.0, now_us)
    return Weather(outdoor, heard_us, int(times[-1]), lately_k)


def outdoor_at(outdoor: Sequence[Outside], at_us: Values) -> Values:
    """Return the temperatures foretold for some times [°C]; behind the last it stays as it is.

    Args:
        outdoor: At least one, in order of time.
        at_us: Times [µs], any shape.
    """
    times = [one.t_us for one in outdoor]
    found: Values = np.interp(at_us, times, [one.temp_c for one in outdoor])
    return found


def _told_by(point: str, told: Sequence[Foretold], now_us: int) -> tuple[Values, Values]:
    """Return times and temperatures of one point, up to the first long gap behind now."""
    rows = sorted(
        (one.t_us, one.temp_c)
        for one in told
        if one.point == point and now_us - one.heard_us <= OLDEST_H * HOUR_US
    )
    times = np.array([t_us for t_us, _ in rows], dtype=np.int64)
    temps_c = np.array([temp_c for _, temp_c in rows])
    gaps = np.diff(times) > GAP_H * HOUR_US
    behind = np.flatnonzero(gaps & (times[1:] > now_us)) + 1
    before = np.flatnonzero(gaps & (times[1:] <= now_us)) + 1
    first = int(before[-1]) if len(before) else 0
    last = int(behind[0]) if len(behind) else len(times)
    return times[first:last], temps_c[first:last]


def _off(
    times: Values, temps_c: Values, seen: Seen | None, now_us: int
) -> tuple[float | None, float | None]:
    """Return how much warmer it was than told over the last hours, and is now beside that [K]."""
    if seen is None:
        return None, None
    size = min(len(seen.outdoor_c), max(0, (now_us - seen.start_us) // MINUTE_US + 1))
    seen_c = seen.outdoor_c[:size][-LOOKS_BACK_MIN:]
    at_us = seen.start_us + (size - len(seen_c) + np.arange(len(seen_c))) * MINUTE_US
    known = np.isfinite(seen_c)
    if not known[-LEAST_MIN:].any():
        return None, None
    off_k = seen_c - np.interp(at_us, times, temps_c)
    now_k = float(off_k[known][-1])
    covered = known & (at_us >= times[0])
    lately_k = float(off_k[covered].mean()) if covered.sum() >= LEAST_MIN else now_k
    return lately_k, now_k - lately_k


def _put_right(
    told: tuple[Values, Values], lately_k: float, moment_k: float, now_us: int
) -> tuple[Outside, ...]:
    span_min = min((int(told[0][-1]) - now_us) / MINUTE_US, FARTHEST_H * 60.0)
    ahead_min = np.append(np.arange(0.0, span_min, STEP_MIN), span_min)
    at_us = now_us + np.round(ahead_min * MINUTE_US).astype(np.int64)
    hours = ahead_min / 60
    temps_c = np.interp(at_us, *told)
    temps_c += lately_k * np.exp(-hours / FADES_H) + moment_k * np.exp(-hours / MOMENT_FADES_H)
    return tuple(Outside(int(t), float(c)) for t, c in zip(at_us, temps_c, strict=True))
