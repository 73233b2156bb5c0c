"""Where the heat went: a waterfall from what the heaters gave to what is left unexplained.

Every part is an estimate and names what it rests on; nothing is scaled to make the sum come out.
What the parts do not explain is shown as the rest: sun and people put heat in, vehicles and water
differ from the usual.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.heating.bay_heat import USUAL_VEHICLE, USUAL_WASH, Range
from envmon.heating.events_cost import door_k15_h
from envmon.heating.money_round import apportioned, digits_of

if TYPE_CHECKING:
    from decimal import Decimal

    from envmon.heating.bay_heat import BayHeat
    from envmon.heating.model import Floats
    from envmon.heating.signature import Signature

HOUR_KWH = 1 / 1000
REST = "what the other parts leave; warm water, people and sun put heat in"
LEAST_KNOWN = 0.5


class BayTimes(NamedTuple):
    """A bay over the time the waterfall is for.

    Attributes:
        bay: Its id.
        heat_kwh: Heat the heater gave [kWh]; None where not known.
        air_c: By the minute [°C] (n,).
        outdoor_c: By the minute [°C] (n,).
        door_open: Share of each minute (n,), or None.
        washes: Washes begun.
        arrivals_c: Outdoors when each vehicle came in [°C].
        storage_kwh_k: Heat that slab and walls hold for each kelvin [kWh/K], or None.
    """

    bay: str
    heat_kwh: float | None
    air_c: Floats
    outdoor_c: Floats
    door_open: Floats | None
    washes: int
    arrivals_c: tuple[float, ...]
    storage_kwh_k: float | None = None


class Part(NamedTuple):
    """A part of the waterfall.

    Attributes:
        what: ``fabric``, ``leaks``, ``losses`` (both in one), ``door``, ``wet work``, ``vehicles``,
            ``stored`` or ``rest``.
        kwh: Heat [kWh]; the rest may be below 0.
        within: Nine cases of ten lie in this range.
        rests: What it rests on.
        cost: Its share of the energy's cost; None where that is not known.
    """

    what: str
    kwh: float
    within: tuple[float, float]
    rests: str
    cost: Decimal | None = None


class Waterfall(NamedTuple):
    """Where a bay's heat went.

    Attributes:
        bay: Its id.
        heat_kwh: What the heater gave.
        known_share: Share of the time of which temperatures are known; losses are scaled up by it.
        parts: In order; they add up to ``heat_kwh``.
    """

    bay: str
    heat_kwh: float
    known_share: float
    parts: tuple[Part, ...]


def where_heat_went(
    times: BayTimes, heat: BayHeat, of_days: Signature | None = None
) -> Waterfall | None:
    """Return where a bay's heat went; None where heat or temperatures are hardly known.

    Args:
        times: The bay.
        heat: What its heat goes by.
        of_days: The bay's energy signature of heat, for its losses where no model knows them.
    """
    apart_k = times.air_c - times.outdoor_c
    known = np.isfinite(apart_k)
    share = float(known.mean()) if len(known) else 0.0
    if times.heat_kwh is None or share < LEAST_KNOWN:
        return None
    kelvin_h = float(apart_k[known].sum()) / 60 / share
    others = [*_door(times, heat), *_work(times)]
    parts = [*_losses(heat, of_days, kelvin_h, others), *others, *_stored(times)]
    left = times.heat_kwh - sum(part.kwh for part in parts)
    half = sum(((part.within[1] - part.within[0]) / 2) ** 2 for part in parts) ** 0.5
    rest = Part("rest", left, (left - half, left + half), REST)
    return Waterfall(times.bay, times.heat_kwh, share, (*parts, rest))


def _part(what: str, of: Range, rests: str) -> Part:
    return Part(what, of.value, (of.low, of.high), rests)


def _losses(
    heat: BayHeat, of_days: Signature | None, kelvin_h: float, others: list[Part]
) -> list[Part]:
    factor = kelvin_h * HOUR_KWH
    if heat.fabric_w_k is not None and heat.leak_w_k is not None:
        return [
            _part("fabric", heat.fabric_w_k.times(factor), heat.rests),
            _part("leaks", heat.leak_w_k.times(factor), heat.rests),
        ]
    if of_days is None:
        return []
    # Door and vehicles take more the colder it is, so the signature's slope holds them already.
    within = sum(one.kwh for one in others if one.what in {"door", "vehicles"})
    loss = Range(of_days.loss_w_k, *of_days.loss_within).times(factor)
    less = Range(*(end - within for end in loss))
    return [_part("losses", less, f"the energy signature of {of_days.n} days, less what follows")]


def _door(times: BayTimes, heat: BayHeat) -> list[Part]:
    if times.door_open is None:
        return []
    k15_h = float(np.nansum(door_k15_h(times.door_open, times.air_c, times.outdoor_c)))
    return [_part("door", heat.door_w_k15.times(k15_h * HOUR_KWH), heat.door_rests)]


def _work(times: BayTimes) -> list[Part]:
    found = []
    if times.washes:
        water = USUAL_WASH.times(times.washes)
        found.append(_part("wet work", water, f"{times.washes} washes, 2 to 12 kg of water each"))
    if times.arrivals_c:
        kelvin = sum(max(0.0, float(np.nanmean(times.air_c)) - cold) for cold in times.arrivals_c)
        count = len(times.arrivals_c)
        rests = f"{count} vehicles, warmed from outdoors to the bay's mean"
        found.append(_part("vehicles", USUAL_VEHICLE.times(kelvin), rests))
    return found


def _stored(times: BayTimes) -> list[Part]:
    """Return what slab and walls hold more at the end than at the start."""
    if times.storage_kwh_k is None or len(times.air_c) < 4 * 1440:
        return []
    first, last = (float(np.nanmean(part)) for part in (times.air_c[:1440], times.air_c[-1440:]))
    kwh = times.storage_kwh_k * (last - first)
    half = 0.3 * abs(kwh)
    return [Part("stored", kwh, (kwh - half, kwh + half), "slab and walls, first day and last")]


def priced(waterfall: Waterfall, cost: Decimal, currency: str) -> Waterfall:
    """Return a waterfall with money: each part has its share of the energy's cost.

    Args:
        waterfall: Where the heat went.
        cost: What its energy cost.
        currency: ISO 4217.
    """
    if waterfall.heat_kwh <= 0:
        return waterfall
    shares = [Fraction(cost) * Fraction(p.kwh / waterfall.heat_kwh) for p in waterfall.parts[:-1]]
    shares.append(Fraction(cost) - sum(shares, Fraction(0)))
    money = apportioned(shares, digits_of(currency))
    parts = (part._replace(cost=one) for part, one in zip(waterfall.parts, money, strict=True))
    return waterfall._replace(parts=tuple(parts))
