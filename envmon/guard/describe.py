"""The guard's state as the live state that is published and shown."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, cast

from envmon.clock import iso_from_us
from envmon.guard.conditions import NO_SENSOR, conditions
from envmon.guard.fitness import SEVERITY, settling_until
from envmon.guard.live import AlarmState, BayState, Condition, Reason, StageState
from envmon.guard.words import (
    by_hand_text,
    clock_time,
    left_out_texts,
    reason_text,
    value_text,
    why_text,
)
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from typing import Literal

    from envmon.guard.conditions import Conditions, Known
    from envmon.guard.plan import BayPlan, GuardPlan, HeldLimit, StagePlan
    from envmon.guard.state import BayNow, GuardState


def describe(plan: GuardPlan, state: GuardState, bay_id: str) -> BayState:
    """Return the live state of a bay as of the state's own time.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers, moved on to the time wanted.
        bay_id: The bay.
    """
    bay, now = plan.bays[bay_id], state.bays[bay_id]
    known = conditions(bay, state.newest, now, state.now_us)
    stages = tuple(_stage(plan, stage, known, now, state.now_us) for stage in bay.stages)
    return BayState(
        bay=bay.id,
        name=bay.name,
        at=iso_from_us(state.now_us),
        units=plan.units,
        stage=now.stage,
        stage_since=_iso(now.stage_since_us),
        conditions={name: _condition(plan, name, known[name]) for name in sorted(known)},
        stages=stages,
        alarms=_alarms(now, bay, stages),
        notes=_notes(plan, bay, state, known),
    )


def _iso(at_us: int | None) -> str | None:
    return None if at_us is None else iso_from_us(at_us)


def _condition(plan: GuardPlan, name: str, known: Known) -> Condition:
    return Condition(
        known.value,
        known.quality,
        _iso(known.t_us),
        known.points,
        value_text(known, name, plan),
        why_text(known, name, plan),
    )


def _stage(
    plan: GuardPlan, stage: StagePlan, known: Conditions, now: BayNow, at_us: int
) -> StageState:
    reasons = [_reason(plan, limit, known, now) for limit in stage.limits]
    reasons.sort(key=lambda reason: -SEVERITY[reason.fitness])
    stands = now.stages[stage.id]
    by_hand = tuple(by_hand_text(limit, plan) for limit in stage.by_hand)
    ready_us = settling_until(stage, stands.inside_since_us, now, at_us)
    ready_us = ready_us if stands.fitness == "marginal" else None
    if ready_us is not None and all(reason.fitness == "fit" for reason in reasons):
        summary = f"all limits hold; settled at {clock_time(ready_us, plan.timezone)}"
    elif stands.fitness == "fit":
        summary = "all limits hold" if reasons else "no limits in this stage"
    elif reasons:
        worst = [r.text for r in reasons if r.fitness == reasons[0].fitness]
        summary = "; ".join(worst)
    else:
        summary = "; ".join(by_hand)
    return StageState(
        stage.id, stage.name, stands.fitness, stage.goal, tuple(reasons), summary,
        _iso(ready_us), by_hand, stage.cautions, stage.sheet,
    )  # fmt: skip


def _reason(plan: GuardPlan, limit: HeldLimit, known: Conditions, now: BayNow) -> Reason:
    value = known.get(limit.quantity, NO_SENSOR)
    fitness = now.limits[limit.key].fitness
    return Reason(
        limit.quantity,
        fitness,
        value.value,
        limit.low if math.isfinite(limit.low) else None,
        limit.high if math.isfinite(limit.high) else None,
        reason_text(limit, value, fitness, plan),
        limit.source,
    )


def _alarms(now: BayNow, bay: BayPlan, stages: tuple[StageState, ...]) -> tuple[AlarmState, ...]:
    by_id = {stage.id: stage for stage in stages}
    alarms = []
    for what, alarm in sorted(now.alarms.items()):
        stage = by_id[alarm.stage]
        wanted = "unfit" if what == "window" else "unknown"
        texts = [r.text for r in stage.reasons if r.fitness == wanted]
        text = f"{stage.name} outside its window" if what == "window" else f"{stage.name} not known"
        text += f": {'; '.join(texts)}" if texts else ": coming back"
        alarms.append(
            AlarmState(
                f"{bay.id}-{what}", bay.id, cast("Literal['window', 'unknown']", what),
                alarm.stage, iso_from_us(alarm.since_us), text,
            )
        )  # fmt: skip
    return tuple(alarms)


def _notes(plan: GuardPlan, bay: BayPlan, state: GuardState, known: Conditions) -> tuple[str, ...]:
    notes = [
        why_text(value, name, plan)
        for name, value in sorted(known.items())
        if value.why in {"disagree", "stale", "silent", "suspect"} and not QUANTITIES[name].derived
    ]
    for name, value in sorted(known.items()):
        notes += left_out_texts(value, name, plan)
    for point, ahead_us in sorted(state.clock_ahead.items()):
        if any(point == series.point for group in bay.sources.values() for series in group):
            notes.append(f"clock of {point} runs {ahead_us / 60e6:.0f} min ahead; not used")
    return tuple(notes)
