"""What a person may do about the air, worked out by the model: open the door.

The model's difference with and without is what is told; its own error mostly cancels in it. Advice
only: what stands there and what is being done is for the person to judge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import numpy as np

from envmon.outlook.ahead import STEP_MIN
from envmon.outlook.experts import Bay, model_ahead, shared_ahead
from envmon.outlook.learning import as_bay
from envmon.outlook.model import Advice
from envmon.units import QUANTITIES, UnitSystem, format_value

if TYPE_CHECKING:
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


def advice(
    facts: ModelFacts,
    recent: BayFrame,
    high_pct: float,
    context: Context,
    units: UnitSystem = "metric",
) -> list[Advice]:
    """Return what a person may do to come under a humidity; empty when nothing helps or is needed.

    Args:
        facts: What is learned of the bay.
        recent: Its rows up to now.
        high_pct: Humidity to come under [%].
        context: Plans, neighbours.
        units: What the texts are written in.
    """
    humid, stage = recent["rel_hum_pct"][-1], str(recent.stage[-1])
    if not humid > high_pct or stage in NO_DOOR:
        return []
    found = open_door(facts, recent, high_pct, context, units)
    return [] if found is None else [found]


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
    if not recent.has("outdoor_temp_c") and not context.plans.outdoor:
        return None  # nobody knows what would come in
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
