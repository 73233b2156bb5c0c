"""What a message foretells, apart from what it has measured.

A forecast speaks of times to come, and a later one takes the place of an earlier one; so it is no
reading: it is kept apart, and nothing is judged by it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import DAY_US, HOUR_US
from envmon.facts import Foretold
from envmon.units import FORECASTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Reading
    from envmon.shop.models import Shop

KEPT_US = DAY_US
"""What was foretold of times longer ago is forgotten; till then it tells how far it was off."""

STEP_K, HOURLY_K = 15.0, 5.0
"""Told times up to an hour apart differ by no more than this, and by so much more for each further
hour (common practice; the simulated shop's year of a cold coast leaps by 7 K at most)."""
APART_K = 40.0
"""No weather takes the outdoors so far from where the shop's own sensor has them now in a day or
two (common practice)."""


class Believed(NamedTuple):
    """What of a forecast can be so.

    Attributes:
        told: What is left of it, in order of time.
        heard_us: When the newest word of it was said [µs]; None where nothing was.
        why: What of the times to come is left out and why, for a person; empty for nothing.
    """

    told: list[Foretold]
    heard_us: int | None = None
    why: str = ""


def foretells(shop: Shop) -> bool:
    """Return whether a point of a shop says a forecast."""
    return any(not FORECASTS.isdisjoint(point.reads) for point in shop.point)


def foretold_apart(
    taken: Sequence[Reading], heard_us: int, *, retained: bool
) -> tuple[list[Reading], list[Foretold]]:
    """Return the readings of a message, and what it foretells.

    Args:
        taken: What the decoder took from it.
        heard_us: When it came [µs].
        retained: The broker had kept it: then it is taken to be as old as the first time it
            speaks of, if that is over.
    """
    ahead = [one for one in taken if one.quantity in FORECASTS]
    if not ahead:
        return list(taken), []
    if retained:
        heard_us = min(heard_us, *(one.t_us for one in ahead))
    told = [Foretold(one.point, one.t_us, one.value, heard_us) for one in ahead]
    return [one for one in taken if one.quantity not in FORECASTS], told


def believed(told: Sequence[Foretold], seen_c: float | None, now_us: int) -> Believed:
    """Return the forecast that was said last, up to where it cannot be so.

    It ends before a leap no weather makes, and before it goes too far from the outdoors now; what
    was told of before a leap that is over is left out as well.

    Args:
        told: Every forecast that is kept, of one or several points.
        seen_c: What the shop's own sensor outdoors says now [°C]; None where there is none.
        now_us: Time now [µs].
    """
    if not told:
        return Believed([])
    newest = max(told, key=lambda one: one.heard_us)
    rows = sorted((one for one in told if one.point == newest.point), key=lambda one: one.t_us)
    first, last, why = 0, len(rows), ""
    for place, (one, after) in enumerate(pairwise(rows), start=1):
        leap_k = abs(after.temp_c - one.temp_c)
        if leap_k <= _most_k(one, after):
            continue
        if after.t_us <= now_us or (one.t_us <= now_us and one.heard_us != after.heard_us):
            first = place
            continue
        last, why = place, f"it leaps by {leap_k:.0f} K from one told time to the next"
        break
    far = _first_far(rows[:last], seen_c, now_us)
    if far is not None:
        last = far
        why = f"it goes more than {APART_K:.0f} K away from what the sensor outdoors says now"
    return Believed(rows[first:last], newest.heard_us, why)


def _most_k(one: Foretold, after: Foretold) -> float:
    hours = max(1.0, (after.t_us - one.t_us) / HOUR_US)
    return STEP_K + HOURLY_K * (hours - 1)


def _first_far(rows: Sequence[Foretold], seen_c: float | None, now_us: int) -> int | None:
    if seen_c is None:
        return None
    ahead = ((place, one) for place, one in enumerate(rows) if one.t_us > now_us)
    return next((place for place, one in ahead if abs(one.temp_c - seen_c) > APART_K), None)
