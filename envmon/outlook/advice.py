"""What a person may do about the air, worked out by the model: open the door, start heating.

The model's difference with and without is what is told; its own error mostly cancels in it. Advice
only: what stands there and what is being done is for the person to judge.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.clock import MINUTE_US
from envmon.guard.words import clock_time
from envmon.outlook.ahead import STEP_MIN, Plans, course_ahead
from envmon.outlook.experts import Bay, model_ahead, shared_ahead
from envmon.outlook.fit import room_from, state_at
from envmon.outlook.forward import Course, forward
from envmon.outlook.hidden import hidden_states, inputs_of
from envmon.outlook.learning import as_bay
from envmon.outlook.model import Advice
from envmon.units import QUANTITIES, UnitSystem, format_value

if TYPE_CHECKING:
    from envmon.outlook.ahead import Outside
    from envmon.outlook.foresee import Context
    from envmon.outlook.forward import Ahead
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts

DOOR_MIN = (2, 5, 10, 15)
DOOR_HELPS_PCT = 4.0
"""A door that gains less humidity than this is not worth the cold."""
NO_DOOR = frozenset({"wipe", "coating", "early_cure", "cure"})
"""Stages in which no draught is advised: dust, cold, solvent vapour that drifts."""
AFTER_MIN = 10
"""So long after the door is shut the humidity is compared."""
HEAT_STEP_MIN = 5.0
LONGEST_H = 14


class Wish(msgspec.Struct, frozen=True):
    """What a bay is to be like.

    Attributes:
        rel_hum_high_pct: Humidity to come under [%]; None where it does not matter.
        air_temp_c: Temperature to be reached [°C]; None where it does not matter.
        by_us: When it is to be reached [µs].
    """

    rel_hum_high_pct: float | None = None
    air_temp_c: float | None = None
    by_us: int | None = None


def advice(
    facts: ModelFacts,
    recent: BayFrame,
    wish: Wish,
    context: Context,
    units: UnitSystem = "metric",
    timezone: str = "UTC",
) -> list[Advice]:
    """Return what a person may do to reach a wish; empty when nothing helps or is needed.

    Args:
        facts: What is learned of the bay.
        recent: Its rows up to now.
        wish: What is wanted.
        context: Plans, neighbours.
        units: What the texts are written in.
        timezone: The shop's, for times in texts.
    """
    found: list[Advice | None] = []
    now = len(recent) - 1
    humid = recent["rel_hum_pct"][now]
    stage = str(recent.stage[now])
    if wish.rel_hum_high_pct is not None and humid > wish.rel_hum_high_pct and stage not in NO_DOOR:
        found.append(open_door(facts, recent, wish.rel_hum_high_pct, context, units))
    if wish.air_temp_c is not None and wish.by_us is not None:
        wait_min = (wish.by_us - recent.end_us) / MINUTE_US
        heat = start_heating(facts, recent, wish.air_temp_c, wait_min, context.plans.outdoor)
        found.append(None if heat is None else _heat_text(heat, wish, recent, units, timezone))
    return [one for one in found if one is not None]


def open_door(
    facts: ModelFacts,
    recent: BayFrame,
    high_pct: float,
    context: Context,
    units: UnitSystem = "metric",
) -> Advice | None:
    """Return the shortest opening that brings the humidity down, or the one that does most.

    Args:
        facts: What is learned of the bay.
        recent: Its rows up to now.
        high_pct: Humidity to come under [%].
        context: Plans, neighbours.
        units: What the text is written in.
    """
    if not facts.constants["door"].told and not facts.guessing:
        return None
    shut = _with_door(facts, recent, context, 0)
    best: Advice | None = None
    for minutes in DOOR_MIN:
        opened = _with_door(facts, recent, context, minutes)
        one = _door_advice(facts, shut, opened, minutes)
        gain = (one.rel_hum_from_pct or 0) - (one.rel_hum_to_pct or 0)
        if gain < DOOR_HELPS_PCT:
            continue
        if best is None or (one.rel_hum_to_pct or 0) < (best.rel_hum_to_pct or 0) - 2:
            best = one
        if (one.rel_hum_to_pct or 100) <= high_pct:
            break
    return None if best is None else _door_text(best, units)


def _with_door(facts: ModelFacts, recent: BayFrame, context: Context, minutes: float) -> Ahead:
    plans = msgspec.structs.replace(context.plans, door_open=((0.0, float(minutes)),))
    bay = Bay(recent, facts.constants, facts.habits, plans)
    row = np.array([len(recent) - 1])
    shared = shared_ahead([as_bay(one) for one in context.neighbours], row)
    return model_ahead(bay, row, shared, np.array([1.0]), np.array([False]))


def _door_advice(facts: ModelFacts, shut: Ahead, opened: Ahead, minutes: float) -> Advice:
    later = round((minutes + AFTER_MIN) / STEP_MIN)
    heat_k = float((opened.heater[1:] - shut.heater[1:]).sum()) * STEP_MIN / 60
    heat_k *= facts.constants["heater_k_h"].value
    cost = None if facts.air_j_k is None else max(0.0, heat_k * facts.air_j_k / 3.6e6)
    return Advice(
        "open_door",
        "",
        float(minutes),
        rel_hum_from_pct=float(100 * shut.share[later, 0, 0]),
        rel_hum_to_pct=float(100 * opened.share[later, 0, 0]),
        air_low_c=float(opened.air_c[: later + 1].min()),
        cost_kwh=cost,
    )


def _door_text(one: Advice, units: UnitSystem) -> Advice:
    low = format_value(one.air_low_c or 0.0, QUANTITIES["air_temp_c"], units)
    text = (
        f"open the door {one.minutes:.0f} min: humidity about {one.rel_hum_from_pct:.0f} → "
        f"{one.rel_hum_to_pct:.0f} %, air down to {low}"
    )
    if one.cost_kwh is not None:
        text += f", about {one.cost_kwh:.1f} kWh"
    return msgspec.structs.replace(one, text=text)


class Heating(NamedTuple):
    """When to start heating, counted from now [min], with what the constants leave open."""

    start_min: float
    early_min: float
    late_min: float


def start_heating(
    facts: ModelFacts,
    recent: BayFrame,
    target_c: float,
    wait_min: float,
    outdoor: tuple[Outside, ...] = (),
) -> Heating | None:
    """Return the latest start that has a bay warm in time; None when even at once is too late.

    The heater is taken to be off until the start and then to run until the bay is warm.

    Args:
        facts: What is learned of the bay.
        recent: Its rows up to now.
        target_c: Air temperature to be reached [°C].
        wait_min: When it is to be reached, counted from now [min], up to 14 h.
        outdoor: A forecast, where there is one.
    """
    if not 0 < wait_min <= LONGEST_H * 60:
        return None
    usual = _latest_start(facts, recent, target_c, wait_min, outdoor)
    slow = _latest_start(facts, recent, target_c, wait_min, outdoor, weaker=True)
    quick = _latest_start(facts, recent, target_c, wait_min, outdoor, weaker=False)
    if usual is None:
        return None
    return Heating(usual, slow or 0.0, usual if quick is None else quick)


def _latest_start(
    facts: ModelFacts,
    recent: BayFrame,
    target_c: float,
    wait_min: float,
    outdoor: tuple[Outside, ...],
    *,
    weaker: bool | None = None,
) -> float | None:
    inputs = inputs_of(recent)
    values = dict(facts.constants)
    if weaker is not None:
        heater = values["heater_k_h"]
        value = heater.low if weaker else heater.high
        values["heater_k_h"] = msgspec.structs.replace(heater, value=value)
    room = room_from(values)
    row = np.array([len(recent) - 1])
    state = state_at(hidden_states(room, inputs), row)
    steps = max(1, round(wait_min / HEAT_STEP_MIN))
    starts = np.arange(steps)
    course = _night(facts, recent, steps, outdoor)
    heats = (np.arange(steps)[:, None] >= starts).astype(float)
    ahead = forward(
        room, state, replace(course, heater=heats), values["fan_above"].value, HEAT_STEP_MIN / 60
    )
    in_time = (ahead.air_c >= target_c).any(axis=0)
    return float(starts[in_time].max() * HEAT_STEP_MIN) if in_time.any() else None


def _night(facts: ModelFacts, recent: BayFrame, steps: int, outdoor: tuple[Outside, ...]) -> Course:
    """Return a course of some hours without work, drawn on from the next three."""
    row = np.array([len(recent) - 1])
    inputs = inputs_of(recent)
    near = course_ahead(recent, inputs, facts.habits, row, Plans(outdoor=outdoor))
    places = (np.arange(steps) * HEAT_STEP_MIN / STEP_MIN).astype(int)
    places = np.minimum(places, len(near.door) - 1)
    outdoor_c = near.outdoor_c[places]
    if outdoor:
        at_us = recent.end_us + np.arange(steps) * HEAT_STEP_MIN * MINUTE_US
        told = np.interp(at_us, [one.t_us for one in outdoor], [one.temp_c for one in outdoor])
        outdoor_c = told[:, None]
    none = np.zeros((steps, 1))
    return Course(
        outdoor_c, near.outdoor_ratio[places], near.shared_c[places], near.shared_ratio[places],
        near.pressure_pa[places], none, none, none, none,
    )  # fmt: skip


def _heat_text(
    heat: Heating, wish: Wish, recent: BayFrame, units: UnitSystem, timezone: str
) -> Advice:
    warm, outside = (
        format_value(temp_c, QUANTITIES["air_temp_c"], units)
        for temp_c in (wish.air_temp_c or 0.0, inputs_of(recent).outdoor_c[-1])
    )
    start_us = recent.end_us + round(heat.start_min * MINUTE_US)
    start = clock_time(start_us, timezone) if heat.start_min > 0 else "now"
    text = f"start heating {start} to be at {warm} by {clock_time(wish.by_us, timezone)}"
    if recent.has("outdoor_temp_c"):
        text += f" ({outside} outside)"
    return Advice(
        "start_heating",
        text,
        heat.start_min,
        early_min=heat.early_min,
        late_min=heat.late_min,
    )
