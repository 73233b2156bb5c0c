"""Tonight: hold the bay warm, or let it fall and warm it up in time; in heat and money.

Where something cures the bay is held, whatever it costs. Where products stand that frost would
spoil, the bay falls no further than their limit. By the bay's model both nights are simulated and
priced step by step; without one, what is saved is the loss by the signature times the kelvin-hours
the bay is colder (the heat that slab and walls give off by night is put back in the morning).
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from envmon.heating.money_round import digits_of, half_up
from envmon.heating.warming import Falling
from envmon.heating.warming_model import NIGHT_STEP_MIN

if TYPE_CHECKING:
    from decimal import Decimal

    from numpy.typing import NDArray

    from envmon.heating.model import Floats
    from envmon.heating.mornings import BayPast
    from envmon.heating.preheat import Start
    from envmon.heating.warming import Aim
    from envmon.heating.warming_model import BayModel

    Bools = NDArray[np.bool_]

STEP_H = NIGHT_STEP_MIN / 60
AFTER_H = 6.0
"""Nights are followed so long beyond the morning: what was let fall is made good until then."""
STORES_ABOVE_K = 2.0
"""A bay with products is kept so far above their limit: corners are colder than the sensor."""


class Prices(NamedTuple):
    """What heat costs tonight.

    Attributes:
        kwh: Price of a kWh of the fuel in each step of five minutes from now (s,); the last one
            goes on.
        efficiency: Heat into the bay over energy of the fuel.
        currency: ISO 4217.
    """

    kwh: Floats
    efficiency: float
    currency: str


class Tonight(NamedTuple):
    """Hold or let fall.

    Attributes:
        advice: What is cheaper, or ``hold`` where letting fall is not allowed; ``either`` where
            the difference is less than a twentieth.
        why: Why it has to be so; empty where money decides.
        setback_c: How far the bay may fall [°C].
        lowest_c: How far it would fall by the time heating begins [°C].
        hold_kwh: Energy to hold the target until morning [kWh]; None where nobody knows.
        fall_kwh: Energy to let it fall and warm it up; None likewise.
        saved_kwh: What letting fall saves; None likewise.
        saved: The same in money; None where no price is known.
        rests: What it rests on.
    """

    advice: Literal["hold", "let fall", "either", "not known"]
    why: str
    setback_c: float
    lowest_c: float | None
    hold_kwh: float | None
    fall_kwh: float | None
    saved_kwh: float | None
    saved: Decimal | None
    rests: str


class Bay(NamedTuple):
    """What stands in a bay tonight.

    Attributes:
        cures: What cures there, such as a job's id; empty for nothing.
        stores_above_c: Limit of products that frost would spoil [°C]; None where none stand there.
    """

    cures: str = ""
    stores_above_c: float | None = None


def allowed_setback(aim: Aim, bay: Bay) -> float:
    """Return how far a bay may fall [°C]: the shop's setback, above the stores' limit."""
    if bay.stores_above_c is None:
        return aim.setback_c
    return min(aim.target_c, max(aim.setback_c, bay.stores_above_c + STORES_ABOVE_K))


class Evening(NamedTuple):
    """What hold or let fall is asked from.

    Attributes:
        past: The bay up to now.
        aim: The target, and how far it may fall; ask ``allowed_setback`` first.
        by_min: When it is to be warm, counted from now [min].
        start: When heating would begin.
        bay: What stands in it.
        prices: What heat costs.
        model: The bay's model.
        loss_w_k: Its loss by the energy signature [W/K], used where there is no model.
    """

    past: BayPast
    aim: Aim
    by_min: float
    start: Start
    bay: Bay
    prices: Prices
    model: BayModel | None = None
    loss_w_k: float | None = None


def tonight(of: Evening) -> Tonight:
    """Return whether to hold the target until morning or to let the bay fall."""
    past, aim, bay = of.past, of.aim, of.bay
    if bay.cures:
        why = f"{bay.cures} cures there: it is held at its temperature"
        return Tonight("hold", why, aim.target_c, None, None, None, None, None, "")
    steps = int(np.ceil((of.by_min / 60 + AFTER_H) / STEP_H))
    begins = np.arange(steps) * NIGHT_STEP_MIN >= of.start.wait_min
    now = len(past.air_c) - 1
    nights = None if of.model is None else _simulated(of.model, now, aim, begins)
    if nights is None and of.loss_w_k is not None:
        nights = _by_loss(past, aim, begins, of.loss_w_k)
    if nights is None:
        rests = "neither a bay model nor its loss is known"
        return Tonight("not known", "", aim.setback_c, None, None, None, None, None, rests)
    return _told(nights, aim, of.prices)


class _Nights(NamedTuple):
    """Heat of both nights by step [kWh] (s,), the lowest air [°C], what it rests on."""

    hold: Floats
    fall: Floats
    lowest_c: float
    rests: str


def _simulated(model: BayModel, row: int, aim: Aim, begins: Bools) -> _Nights | None:
    hold_c = np.full(len(begins), aim.target_c)
    fall_c = np.where(begins, aim.target_c, aim.setback_c)
    ahead = model.course(np.array([row, row]), np.column_stack((hold_c, fall_c)))
    kwh = model.heat_kwh(ahead)
    if kwh is None:
        return None
    return _Nights(kwh[:, 0], kwh[:, 1], float(ahead.air_c[:, 1].min()), model.rests)


def _by_loss(past: BayPast, aim: Aim, begins: Bools, loss_w_k: float) -> _Nights:
    """Return both nights from loss and the time in which the bay falls; weather as it is now."""
    outdoor_c = float(past.outdoor_c[-1])
    minutes = np.arange(0.0, len(begins)) * NIGHT_STEP_MIN
    start_c = min(float(past.air_c[-1]), aim.target_c)
    now = np.full(len(begins), len(past.air_c) - 1)
    free_c = outdoor_c + (start_c - outdoor_c) * Falling(past).left(now, minutes)
    air_c = np.where(begins, aim.target_c, np.maximum(free_c, min(aim.setback_c, start_c)))
    per_k = loss_w_k / 1000 * STEP_H
    hold = per_k * max(aim.target_c - outdoor_c, 0.0) * np.ones(len(begins))
    # Heat is spent while the bay is held or warmed, not while it falls.
    total = per_k * float(np.maximum(air_c - outdoor_c, 0.0).sum())
    held = begins | (air_c > free_c)
    fall = np.where(held, total / max(1, held.sum()), 0.0)
    lowest_c = float(air_c[~begins].min()) if (~begins).any() else aim.target_c
    return _Nights(hold, fall, lowest_c, "the loss by the energy signature")


def _told(of: _Nights, aim: Aim, prices: Prices) -> Tonight:
    hold, fall = (float(night.sum()) / prices.efficiency for night in (of.hold, of.fall))
    saved = (of.hold - of.fall) / prices.efficiency
    money = None
    worth, whole = hold - fall, hold
    if len(prices.kwh) and np.isfinite(prices.kwh).all():
        by_step = np.pad(prices.kwh, (0, len(saved)), mode="edge")[: len(saved)]
        worth, whole = float(saved @ by_step), float(of.hold @ by_step) / prices.efficiency
        money = half_up(Fraction(worth), digits_of(prices.currency))
    advice: Literal["hold", "let fall", "either"] = "let fall" if worth > 0 else "hold"
    if abs(worth) < 0.05 * abs(whole):
        advice = "either"
    return Tonight(advice, "", aim.setback_c, of.lowest_c, hold, fall, hold - fall, money, of.rests)
