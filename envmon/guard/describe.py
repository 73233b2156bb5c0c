"""The guard's state as the live state that is published and shown."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from envmon.clock import iso_from_us
from envmon.guard.alarm import Scene
from envmon.guard.alarm_kinds import KINDS, priority_of
from envmon.guard.alarm_words import alarm_text
from envmon.guard.conditions import NO_SENSOR, conditions
from envmon.guard.fitness import SEVERITY, settling_until
from envmon.guard.lifecycle import ANNUNCIATED, SET_ASIDE, UNACKNOWLEDGED
from envmon.guard.live import (
    AlarmState,
    BayState,
    Condition,
    Reason,
    ShopAlarms,
    StageState,
)
from envmon.guard.plan import SHOP
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
    from envmon.guard.conditions import Conditions, Known
    from envmon.guard.lifecycle import AlarmNow
    from envmon.guard.plan import BayPlan, GuardPlan, HeldLimit, StagePlan
    from envmon.guard.state import BayNow, GuardState


def describe(plan: GuardPlan, state: GuardState, bay_id: str) -> BayState:
    """Return the live state of a bay as of the state's own time.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers, moved on to the time wanted.
        bay_id: The bay.
    """
    bay, now = plan.place(bay_id, state), state.bays[bay_id]
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
        alarms=tuple(
            alarm
            for alarm in _alarms(Scene(plan, bay, state, known, now, state.now_us))
            if alarm.life in ANNUNCIATED
        ),
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


_URGENT = {"high": 0, "medium": 1, "low": 2}


def shop_alarms(plan: GuardPlan, state: GuardState) -> ShopAlarms:
    """Return every alarm of the shop that is not normal, the most urgent first.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers, moved on to the time wanted.
    """
    alarms = []
    for place_id in plan.places:
        place, now = plan.place(place_id, state), state.bays[place_id]
        known = conditions(place, state.newest, now, state.now_us) if now.alarms else {}
        alarms += _alarms(Scene(plan, place, state, known, now, state.now_us))
    alarms.sort(key=_urgency)
    return ShopAlarms(iso_from_us(state.now_us), tuple(alarms))


def _urgency(alarm: AlarmState) -> tuple[bool, bool, int, str, str]:
    return (
        alarm.life not in ANNUNCIATED,
        alarm.life not in UNACKNOWLEDGED,
        _URGENT[alarm.priority],
        alarm.since,
        alarm.id,
    )


def _alarms(scene: Scene) -> list[AlarmState]:
    found = [
        _alarm(scene, alarm_id, alarm)
        for alarm_id, alarm in scene.now.alarms.items()
        if alarm.life != "NORM" and alarm_id in scene.place.alarms
    ]
    return sorted(found, key=_urgency)


def _alarm(scene: Scene, alarm_id: str, alarm: AlarmNow) -> AlarmState:
    assert alarm.life != "NORM"
    what = scene.place.alarms[alarm_id]
    since_us = alarm.since_us if alarm.life in SET_ASIDE else alarm.raised_us
    return AlarmState(
        alarm_id,
        scene.place.id,
        what,
        alarm.stage,
        iso_from_us(alarm.since_us if since_us is None else since_us),
        alarm_text(scene, alarm_id, what) if alarm.active else alarm.text or KINDS[what].name,
        KINDS[what].name,
        priority_of(what, curing=scene.curing or alarm.latches),
        alarm.life,
        alarm.active,
        KINDS[what].do,
        alarm.under if alarm.under and _stands(scene, alarm.under) else None,
        _iso(alarm.until_us),
        alarm.reason,
        alarm.by,
    )


def _stands(scene: Scene, alarm_id: str) -> bool:
    """Return whether the alarm another follows from is still shown."""
    return any(
        alarm_id in bay.alarms and bay.alarms[alarm_id].life in ANNUNCIATED
        for bay in (scene.now, scene.state.bays[SHOP])
    )


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
