"""Drift: sensors of the same air that slowly part from what lay between them before.

Two places of a bay are never quite alike, so a standing difference says nothing. For each sensor
two running means of its distance to the median of all are kept, one of half a day and one of ten
days; when they part, a sensor is drifting, though nobody can tell which of two.
"""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING

from envmon.clock import DAY_US, HOUR_US
from envmon.guard.conditions import is_healthy
from envmon.guard.state import Gap
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from envmon.guard.plan import BayPlan
    from envmon.guard.state import Last

LATELY_US = 12 * HOUR_US
USUALLY_US = 10 * DAY_US
WARM_UP_US = 3 * DAY_US
"""Nothing is said of drift before it has been watched for so long."""
DRIFTED, BACK = 0.15, 0.1
"""Shares of what sensors may lie apart at which drift begins and ends (common practice); of two
sensors each moves by half."""
LONGEST_STEP_US = HOUR_US
"""After a longer silence a difference counts as if it had been seen for this long."""


def next_gaps(
    place: BayPlan, gaps: dict[str, Gap], newest: dict[str, Last], at_us: int
) -> dict[str, Gap]:
    """Return the running means with the present taken in; the argument is not changed.

    Args:
        place: The bay.
        gaps: Series key -> running means so far.
        newest: Series key -> newest reading.
        at_us: Time now [µs].
    """
    grown = dict(gaps)
    for quantity, group in place.sources.items():
        state = QUANTITIES[quantity].dimension == "state"
        if len(group) < 2 or state or not place.is_own(quantity):
            continue
        values = {
            series.key: newest[series.key].value
            for series in group
            if series.key in newest and is_healthy(series, newest[series.key], at_us)
        }
        if len(values) > 1:
            middle = median(values.values())
            for key, value in values.items():
                grown[key] = _next_gap(grown.get(key), value - middle, at_us)
    return grown


def _next_gap(gap: Gap | None, distance: float, at_us: int) -> Gap:
    if gap is None:
        return Gap(distance, distance, at_us, at_us)
    step_us = min(at_us - gap.at_us, LONGEST_STEP_US)
    # As long as less was seen than the mean spans, it is the plain mean of what was seen.
    seen_us = max(at_us - gap.since_us, 1)
    lately, usually = (
        mean + (1 - math.exp(-step_us / min(span_us, seen_us))) * (distance - mean)
        for mean, span_us in ((gap.lately, LATELY_US), (gap.usually, USUALLY_US))
    )
    return Gap(lately, usually, gap.since_us, at_us)


def drifted(place: BayPlan, gaps: dict[str, Gap], at_us: int, *, before: bool) -> dict[str, float]:
    """Return the points that have drifted, with how far [unit of the quantity].

    Args:
        place: The bay.
        gaps: Series key -> running means.
        at_us: Time now [µs].
        before: Drift had been found before; then it ends only when they have come nearer.
    """
    share = BACK if before else DRIFTED
    found: dict[str, float] = {}
    for quantity, group in place.sources.items():
        for series in group:
            gap = gaps.get(series.key)
            if gap is None or at_us - gap.since_us < WARM_UP_US:
                continue
            known = QUANTITIES[quantity]
            # Humidity of two places parts for days by itself, where one of them dries a wet car.
            part = share * (2.0 if known.dimension == "percent" else 1.0)
            if abs(gap.lately - gap.usually) > part * known.agree_within:
                found[series.key] = gap.lately - gap.usually
    return found
