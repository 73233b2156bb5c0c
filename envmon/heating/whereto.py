"""Where the heat went: a waterfall from what the heaters gave to what is left unexplained.

Every part is an estimate and names what it rests on; nothing is scaled to make the sum come out.
What the parts do not explain is shown as the rest: sun and people put heat in, vehicles and water
differ from the usual. Where the rest lies outside its range, or a part is more than all that the
heaters gave, that is said.

Losses go by what holds on each day: on either side of a change by another line.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.heating.bay_heat import USUAL_VEHICLE, USUAL_WASH, WASH_KG, Range
from envmon.heating.events_cost import door_k15_h
from envmon.heating.money_round import apportioned, digits_of
from envmon.heating.words import about, number, supported

if TYPE_CHECKING:
    from collections.abc import Sequence
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


class Stretch(NamedTuple):
    """Minutes of a bay over which the same holds.

    Attributes:
        first: First minute.
        end: The one after the last.
        line: The bay's energy signature of heat; None where its days tell none.
        modelled: Whether what is learned of the bay, ``BayHeat``, holds on these days.
        when: Which days, in words, such as ``before 12 Jan``; empty for all of them.
    """

    first: int
    end: int
    line: Signature | None
    modelled: bool = True
    when: str = ""


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

    def text(self, heat_kwh: float) -> str:
        """Return it as a person reads it, no finer than it is known: ``1 200 kWh, 15 %``."""
        said = f"{number(supported(self.kwh, self._half))} kWh"
        return f"{said}, {number(self.percent(heat_kwh))} %" if heat_kwh else said

    def percent(self, heat_kwh: float) -> float:
        """Return its share of the heat [%], as ``text`` says it."""
        return supported(100 * self.kwh / heat_kwh, 100 * self._half / heat_kwh)

    @property
    def _half(self) -> float:
        return (self.within[1] - self.within[0]) / 2


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

    @property
    def caution(self) -> str:
        """What does not fit, as a sentence; empty where all does."""
        rest, others = self.parts[-1], self.parts[:-1]
        if self.heat_kwh <= 0 or not others:
            return ""
        low, high = (100 * end / self.heat_kwh for end in rest.within)
        left = rest.percent(self.heat_kwh)
        if low > 0:
            return (
                f"{number(left)} % ({about(low, 0)} to {about(high, 0)} %) is "
                "explained by none of the parts: a fan, another door, or a heater that gives less "
                "than is stated."
            )
        if left >= 0:
            return ""
        text = f"The parts come to {number(100 - left)} % of what the heaters gave"
        if high < 0:
            return (
                f"{text}, and their ranges do not explain it: sun, people, engines and warm water "
                "gave the rest, or a loss is estimated too high."
            )
        return f"{text}; within their ranges, or sun, people and warm water gave the rest."


def where_heat_went(
    times: BayTimes, heat: BayHeat, stretches: Sequence[Stretch] = ()
) -> Waterfall | None:
    """Return where a bay's heat went; None where heat or temperatures are hardly known.

    Args:
        times: The bay.
        heat: What its heat goes by.
        stretches: What its losses go by, in order; nothing where only ``heat`` is known.
    """
    apart_k = times.air_c - times.outdoor_c
    known = np.isfinite(apart_k)
    share = float(known.mean()) if len(known) else 0.0
    if times.heat_kwh is None or share < LEAST_KNOWN:
        return None
    others = [*_door(times, heat), *_work(times)]
    held = [
        (one, float(np.nansum(apart_k[one.first : one.end])) / 60 / share)
        for one in stretches or (Stretch(0, len(apart_k), None),)
    ]
    parts = [*_losses(heat, held, others), *others, *_stored(times)]
    left = times.heat_kwh - sum(part.kwh for part in parts)
    half = sum(((part.within[1] - part.within[0]) / 2) ** 2 for part in parts) ** 0.5
    rest = Part("rest", left, (left - half, left + half), REST)
    return Waterfall(times.bay, times.heat_kwh, share, (*parts, rest))


def _part(what: str, of: Range, rests: str) -> Part:
    return Part(what, of.value, (of.low, of.high), rests)


def _losses(heat: BayHeat, held: Sequence[tuple[Stretch, float]], others: list[Part]) -> list[Part]:
    """Return what is lost for good; ``held`` has kelvin hours of each stretch."""
    known = heat.fabric_w_k is not None and heat.leak_w_k is not None
    if known and all(one.modelled for one, _ in held):
        factor = sum(kelvin_h for _, kelvin_h in held) * HOUR_KWH
        assert heat.fabric_w_k is not None
        assert heat.leak_w_k is not None
        return [
            _part("fabric", heat.fabric_w_k.times(factor), heat.rests),
            _part("leaks", heat.leak_w_k.times(factor), heat.rests),
        ]
    found = [_loss(heat, one, kelvin_h) for one, kelvin_h in held]
    losses = [one for one in found if one is not None]
    if not losses:
        return []
    # Door and vehicles take more the colder it is, so a signature's slope holds them already.
    by_line = sum(kelvin_h for (one, kelvin_h) in held if one.line and not (known and one.modelled))
    total = sum(kelvin_h for _, kelvin_h in held)
    within = sum(one.kwh for one in others if one.what in {"door", "vehicles"})
    less = within * by_line / total if total > 0 else 0.0
    value = sum(one.value for one, _ in losses) - less
    low, high = (sum((one[end] - one.value) ** 2 for one, _ in losses) ** 0.5 for end in (1, 2))
    rests = " and ".join(rests for _, rests in losses)
    return [Part("losses", value, (value - low, value + high), f"{rests}, less what follows")]


def _loss(heat: BayHeat, one: Stretch, kelvin_h: float) -> tuple[Range, str] | None:
    """Return the losses of a stretch [kWh] and what they rest on."""
    factor, when = kelvin_h * HOUR_KWH, f" {one.when}" if one.when else ""
    if one.modelled and heat.fabric_w_k is not None and heat.leak_w_k is not None:
        both = Range(*(a + b for a, b in zip(heat.fabric_w_k, heat.leak_w_k, strict=True)))
        return both.times(factor), heat.rests + when
    if one.line is None:
        return None
    loss = Range(one.line.loss_w_k, *one.line.loss_within).times(factor)
    return loss, f"the energy signature of {one.line.n} days{when}"


def _door(times: BayTimes, heat: BayHeat) -> list[Part]:
    if times.door_open is None:
        return []
    k15_h = float(np.nansum(door_k15_h(times.door_open, times.air_c, times.outdoor_c)))
    return [_part("door", heat.door_w_k15.times(k15_h * HOUR_KWH), heat.door_rests)]


def _work(times: BayTimes) -> list[Part]:
    found = []
    if times.washes:
        water = USUAL_WASH.times(times.washes)
        dry = f"{WASH_KG.low:.0f} to {WASH_KG.high:.0f} kg of water drying of each"
        found.append(_part("wet work", water, f"{times.washes} washes, {dry}"))
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
