"""What the history board can show of a bay: its series, and what is worked out from them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.clock import SECOND_US
from envmon.guard.plan import Series
from envmon.shop.points import expand_points, read_by
from envmon.units import QUANTITIES, shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from envmon.guard.plan import GuardPlan
    from envmon.shop.models import Shop
    from envmon.units import UnitSystem

DEW_POINT, DEW_MARGIN = "dew_point_c", "dew_margin_k"
DERIVED = {
    DEW_POINT: ("air_temp_c", "rel_hum_pct"),
    DEW_MARGIN: ("air_temp_c", "rel_hum_pct", "panel_temp_c"),
}
"""Worked out for the history -> what it needs."""
_FIRST = ("air_temp_c", "panel_temp_c", DEW_POINT, "rel_hum_pct", DEW_MARGIN, "water_temp_c")

_SYSTEMS: tuple[UnitSystem, ...] = ("metric", "us")

Sources = dict[str, tuple[Series, ...]]
"""Quantity -> the series that measure it; a derived one has those it is worked out from."""


def sources_by_bay(shop: Shop, plan: GuardPlan) -> dict[str, Sources]:
    """Return for every bay what can be shown of it, in the order in which it is listed.

    A point that belongs to no bay (a meter, the outdoor sensor) can be shown with every bay.

    Args:
        shop: The shop file.
        plan: The same, compiled.
    """
    outside = _outside(shop)
    return {bay.id: _ordered({**outside, **bay.sources}) for bay in plan.bays.values()}


def _outside(shop: Shop) -> dict[str, list[Series]]:
    found: dict[str, list[Series]] = {}
    for point in expand_points(shop.point, [bay.id for bay in shop.bay]):
        for quantity in read_by(point) if point.bay is None else ():
            stale_us = round(point.stale_after * SECOND_US)
            found.setdefault(quantity, []).append(
                Series(f"{point.id}/{quantity}", point.id, stale_us)
            )
    return found


def _ordered(found: Mapping[str, Sequence[Series]]) -> Sources:
    measured: Sources = {name: tuple(series) for name, series in found.items()}
    for name, needs in DERIVED.items():
        if all(need in measured for need in needs):
            measured[name] = tuple(series for need in needs for series in measured[need])
    order = [*_FIRST, *(name for name in QUANTITIES if name not in _FIRST)]
    return {name: measured[name] for name in order if name in measured}


def unit_facts(quantity: str) -> dict[str, Any]:
    """Return what a person reads of a quantity and how its numbers are shown.

    A shown number is ``value * factor + offset``; a difference has no offset.

    Args:
        quantity: Name of the quantity.
    """
    known = QUANTITIES[quantity]
    facts: dict[str, Any] = {"label": known.label, "dimension": known.dimension}
    for system in _SYSTEMS:
        how = shown(known, system)
        facts[system] = {"unit": how.unit, "factor": how.factor, "offset": how.offset}
        facts[system]["decimals"] = how.decimals
    return facts
