"""The guard: ``step(plan, state, readings, events, now) -> (state, findings)``, and nothing else.

The same function runs live, in replay and in tests. Its answer does not depend on how the
stream is cut into steps: what happens without a reading (a value grows stale, a delay ends)
happens at its exact time, and readings act in the order in which they were taken in.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from envmon.facts import Event, Flag, Reading
from envmon.guard.alarm import deadlines, end_alarms, update_alarms
from envmon.guard.conditions import NO_SENSOR, conditions, longer_trail
from envmon.guard.fitness import judge, settling_until
from envmon.guard.state import BayNow, Finding, GuardState, Last

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.guard.conditions import Conditions
    from envmon.guard.plan import BayPlan, GuardPlan, StagePlan


def fresh_state(plan: GuardPlan, now_us: int) -> GuardState:
    """Return the state of a guard that has seen nothing: every stage is unknown."""
    state = GuardState(now_us=now_us, bays={bay_id: BayNow() for bay_id in plan.bays})
    for bay in plan.bays.values():
        _judge_bay(bay, state, now_us)
    return state


def fitted_state(plan: GuardPlan, state: GuardState) -> tuple[GuardState, list[Finding]]:
    """Return a state that fits the plan after the shop file changed: bays added, bays gone.

    Limits are judged anew; what the person said (the stage being worked) is kept. What changes
    by that is in the findings.
    """
    fitted = fresh_state(plan, state.now_us)
    findings: list[Finding] = []
    fitted.newest = dict(state.newest)
    fitted.event_seq = state.event_seq
    fitted.clock_ahead = dict(state.clock_ahead)
    for bay_id, plan_bay in plan.bays.items():
        if bay_id in state.bays:
            known = {limit.key for stage in plan_bay.stages for limit in stage.limits}
            bay = state.bays[bay_id].copy()
            bay.limits = {key: now for key, now in bay.limits.items() if key in known}
            fitted.bays[bay_id] = bay
        findings += _judge_bay(plan_bay, fitted, state.now_us)
    return fitted, findings


def rewound_state(
    plan: GuardPlan, state: GuardState, now_us: int
) -> tuple[GuardState, list[Finding]]:
    """Return a state for a clock that was set back: nothing is known until it is heard again.

    Held against the old time, a reading would look fresh until the clock has caught up. What the
    person said (the stage being worked) is kept; alarms end and are raised anew where due.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers, ahead of the clock; not changed.
        now_us: What the clock says now [µs].
    """
    rewound = fresh_state(plan, now_us)
    rewound.event_seq = state.event_seq
    findings: list[Finding] = []
    for bay_id, old in state.bays.items():
        if bay_id not in plan.bays:
            continue
        findings += end_alarms(bay_id, old.copy(), now_us, "clock set back")
        bay = rewound.bays[bay_id]
        bay.stage = old.stage
        since_us = old.stage_since_us
        bay.stage_since_us = None if since_us is None else min(since_us, now_us)
        findings += _judge_bay(plan.bays[bay_id], rewound, now_us)
    return rewound, findings


def step(
    plan: GuardPlan,
    state: GuardState,
    readings: Sequence[Reading],
    events: Sequence[Event],
    now_us: int,
) -> tuple[GuardState, list[Finding]]:
    """Take in readings and events and move on to ``now_us``.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers; not changed.
        readings: New readings; they act in the order of ``seen_us``, those taken in at one
            moment in the order of their own time, as the store gives them back.
        events: What the person did, in the order of the chain.
        now_us: Time to move on to [µs]; an earlier one than the state's moves nothing.

    Returns:
        The new state, and the findings in order of time.
    """
    state = state.copy()
    findings: list[Finding] = []
    queue = sorted(
        [(r.seen_us, 1, r) for r in readings] + [(e.at_us, 0, e) for e in events], key=_turn
    )
    place = 0
    while place < len(queue):
        at_us = max(queue[place][0], state.now_us)
        findings += _advance(plan, state, at_us)
        touched: set[str] = set()
        while place < len(queue) and queue[place][0] <= at_us:
            fact = queue[place][2]
            if queue[place][1]:
                touched.update(_take_reading(plan, state, fact))  # type: ignore[arg-type]
            else:
                findings += _take_event(plan, state, fact, at_us)  # type: ignore[arg-type]
                touched.add(fact.bay)  # type: ignore[union-attr]
            place += 1
        findings += _judge(plan, state, touched, at_us)
    findings += _advance(plan, state, now_us)
    return state, findings


def _turn(entry: tuple[int, int, Reading | Event]) -> tuple[int, int, int, str, str]:
    at_us, rank, fact = entry
    if isinstance(fact, Reading):
        return at_us, rank, fact.t_us, fact.point, fact.quantity
    return at_us, rank, fact.seq, "", ""


def _judge(plan: GuardPlan, state: GuardState, bays: Iterable[str], at_us: int) -> list[Finding]:
    return [
        finding
        for bay_id in sorted(bays)
        if bay_id in plan.bays
        for finding in _judge_bay(plan.bays[bay_id], state, at_us)
    ]


def _advance(plan: GuardPlan, state: GuardState, to_us: int) -> list[Finding]:
    """Move to a time, stopping at every deadline on the way."""
    findings: list[Finding] = []
    while True:
        due = [bay.wake_us for bay in state.bays.values() if bay.wake_us is not None]
        wake_us = min(due, default=None)
        if wake_us is None or wake_us > to_us:
            break
        at_us = max(wake_us, state.now_us)
        state.now_us = at_us
        woken = [bay_id for bay_id, bay in state.bays.items() if bay.wake_us == wake_us]
        findings += _judge(plan, state, woken, at_us)
    state.now_us = max(state.now_us, to_us)
    return findings


def _take_reading(plan: GuardPlan, state: GuardState, reading: Reading) -> tuple[str, ...]:
    """Note a reading if it is newer than what is known; return the bays it speaks for."""
    known = plan.series.get((reading.point, reading.quantity))
    if known is None:
        return ()
    key, bays = known
    if reading.flag & Flag.CLOCK:
        state.clock_ahead[reading.point] = reading.t_us - reading.seen_us
        return ()
    last = state.newest.get(key)
    if reading.flag & Flag.LATE or (last is not None and reading.t_us <= last.t_us):
        return ()
    if state.clock_ahead:
        state.clock_ahead.pop(reading.point, None)
    usable = reading.flag.usable and math.isfinite(reading.value)
    value = reading.value if math.isfinite(reading.value) else 0.0
    alive_us = min(reading.t_us, reading.seen_us)
    state.newest[key] = Last(reading.t_us, value, usable, alive_us)
    return bays


def _take_event(plan: GuardPlan, state: GuardState, event: Event, at_us: int) -> list[Finding]:
    """Note what the person did; return the alarms it ended."""
    state.event_seq = max(state.event_seq, event.seq)
    now = state.bays.get(event.bay)
    if now is None or event.kind not in {"stage_started", "stage_ended"}:
        return []
    stage = event.data.get("stage") if event.kind == "stage_started" else None
    if stage is not None and stage not in [s.id for s in plan.bays[event.bay].stages]:
        return []
    findings = end_alarms(event.bay, now, at_us)
    now.stage, now.stage_since_us = stage, None if stage is None else at_us
    now.told = None
    return findings


def active_stage(bay: BayPlan, now: BayNow) -> StagePlan | None:
    """Return the stage being worked in a bay, or None."""
    return next((stage for stage in bay.stages if stage.id == now.stage), None)


def _judge_bay(bay: BayPlan, state: GuardState, at_us: int) -> list[Finding]:
    """Judge every stage and alarm of a bay at a time and note the next deadline."""
    now = state.bays[bay.id]
    known = conditions(bay, state.newest, now, at_us)
    now.trail = longer_trail(now.trail, known, at_us)
    now.apart = tuple(name for name in sorted(bay.sources) if known[name].why == "disagree")
    active = active_stage(bay, now)
    now.stages = {stage.id: judge(stage, known, now.limits, now, at_us) for stage in bay.stages}
    findings = []
    fitness = now.stages[active.id].fitness if active else None
    if active is not None and fitness != now.told:
        data = {"stage": active.id, "fitness": fitness, "values": _values(active, known)}
        findings.append(Finding(at_us, "stage_fitness", bay.id, data))
    now.told = fitness
    findings += update_alarms(bay.id, active, now, at_us)
    now.wake_us = _next_deadline(bay, state, at_us)
    return findings


def _values(stage: StagePlan, known: Conditions) -> dict[str, float | None]:
    return {limit.quantity: known.get(limit.quantity, NO_SENSOR).value for limit in stage.limits}


def _next_deadline(bay: BayPlan, state: GuardState, at_us: int) -> int | None:
    """Return the next time [µs] at which something changes without a new reading."""
    now = state.bays[bay.id]
    due = list(deadlines(active_stage(bay, now), now))
    for stage in bay.stages:
        until = settling_until(stage, now.stages[stage.id].inside_since_us, now, at_us)
        if until is not None:
            due.append(until)
    for group in bay.sources.values():
        for series in group:
            last = state.newest.get(series.key)
            if last is not None:
                due.append(last.alive_us + series.stale_us + 1)
    return min((at for at in due if at > at_us), default=None)
