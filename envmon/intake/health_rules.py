"""What is asked of each series' readings, compiled from the shop file."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import MINUTE_US, SECOND_US
from envmon.shop.points import expand_points
from envmon.shop.sensor_health import HUMIDITIES, WET_FROM_PCT, health_limits
from envmon.units import FORECASTS

if TYPE_CHECKING:
    from envmon.shop.models import Shop
    from envmon.shop.sensor_health import HealthLimits

SeriesName = tuple[str, str]
"""(point, quantity)"""

RATE_OVER_US = 30 * SECOND_US
"""A rate is taken over this long at least, or a step of a sensor's last digit would be one."""
_RUN_PARTS = 4
"""A silence longer than this part of a test's span ends what was seen before it."""


class HealthRule(msgspec.Struct, frozen=True):
    """What is asked of one series; infinite asks nothing.

    Attributes:
        gap_us: After a longer silence nothing is a leap or too quick [µs].
        spike: Largest difference of two readings in a row before a third has confirmed it.
        rate_per_us: Largest change [1/µs].
        flat_after_us: Standing still for so long is FLAT [µs].
        flat_within: Changes up to this count as standing still.
        flat_gap_us: A longer silence ends a time of standing still [µs].
        top: From here on a humidity sensor is at its upper end [%].
        wet_after_us: At its upper end for so long is WET [µs].
        wet_gap_us: A longer silence ends a time at the upper end [µs].
    """

    gap_us: int
    spike: float = math.inf
    rate_per_us: float = math.inf
    flat_after_us: float = math.inf
    flat_within: float = 0.0
    flat_gap_us: float = math.inf
    top: float = math.inf
    wet_after_us: float = math.inf
    wet_gap_us: float = math.inf


def health_rules(shop: Shop) -> dict[SeriesName, HealthRule]:
    """Return what is asked of every series a shop file names, ``{1}`` written out.

    Raises:
        InputError: The shop file was not checked, and asks what cannot be.
    """
    return {
        (point.id, quantity): rule_from_limits(
            health_limits(read, quantity), quantity, point.stale_after
        )
        for point in expand_points(shop.point, [bay.id for bay in shop.bay])
        for quantity, read in point.reads.items()
        if quantity not in FORECASTS
    }


def rule_from_limits(limits: HealthLimits, quantity: str, stale_after_s: float) -> HealthRule:
    """Return a rule in plain numbers.

    Args:
        limits: What is asked; 0 asks nothing.
        quantity: Name of the quantity.
        stale_after_s: Older than this a reading says nothing of the present [s].
    """
    gap_us = round(stale_after_s * SECOND_US)
    flat_us, wet_us = (_or_never(s * SECOND_US) for s in (limits.flat_after, limits.wet_after))
    return HealthRule(
        gap_us,
        _or_never(limits.spike),
        _or_never(limits.rate / MINUTE_US),
        flat_us,
        limits.flat_within,
        max(gap_us, flat_us / _RUN_PARTS),
        WET_FROM_PCT if quantity in HUMIDITIES else math.inf,
        wet_us,
        max(gap_us, wet_us / _RUN_PARTS),
    )


def _or_never(number: float) -> float:
    return number or math.inf
