"""One bay judged at one time: conditions, limits, stages, alarms, and what comes next.

Judging again before the next deadline, without a new reading, changes nothing: so a judgement
too many is harmless.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from envmon.facts import CURE_FITNESS
from envmon.guard.alarm import Scene, deadlines, update_alarms
from envmon.guard.calm import calm_spans, keeps_calm
from envmon.guard.chatter import free_us, note_eased
from envmon.guard.conditions import NO_SENSOR, air_conditions, rate_conditions
from envmon.guard.fitness import hold, is_better, judge, settling_until
from envmon.guard.jobs import cure_told
from envmon.guard.plan import SHOP
from envmon.guard.signs import (
    FIRST_WORD_US,
    active_stage,
    end_trail_signs,
    needs_trail,
    silent_from,
    update_signs,
    update_trail_signs,
)
from envmon.guard.state import Finding, StageTurn
from envmon.guard.trail import longer_trail, trail_due_us, trail_old_us

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon.guard.plan import BayPlan, GuardPlan, StagePlan
    from envmon.guard.state import BayNow, GuardState

TOLD = "stage_fitness"


def judge_bay(
    plan: GuardPlan,
    bay: BayPlan,
    state: GuardState,
    at_us: int,
    *,
    heard: bool = False,
    trace: list[StageTurn] | None = None,
) -> list[Finding]:
    """Judge every stage and alarm of a bay, or of the shop, and note the next deadline.

    Args:
        plan: The compiled shop file.
        bay: The bay, or the shop.
        state: What the guard remembers; what it remembers of the bay is replaced.
        at_us: Time to judge at [µs].
        heard: A reading or an event is the reason: only then the trail grows.
        trace: Gets every stage's verdict that changed; None wants none.
    """
    before = state.bays[bay.id]
    now = state.bays[bay.id] = before.copy()
    known = air_conditions(bay, state.newest, now, at_us)
    now.apart = tuple(sorted(name for name, it in known.items() if it.why == "disagree"))
    if heard:
        now.trail = longer_trail(now.trail, known, at_us)
    both_known = all(
        known.get(name, NO_SENSOR).value is not None for name in ("air_temp_c", "rel_hum_pct")
    )
    now.trail_due_us = trail_due_us(now.trail, both_known=both_known)
    known.update(rate_conditions(bay, known, now, at_us))
    now.stages = {stage.id: judge(stage, known, now.limits, now, at_us) for stage in bay.stages}
    for limit in bay.watched:
        value = known.get(limit.quantity, NO_SENSOR)
        now.limits[limit.key] = hold(limit, value, now.limits.get(limit.key), at_us)
    if trace is not None:
        trace.extend(_turns(bay.id, before, now, at_us))
    findings = _told(active_stage(bay, now), before, Scene(plan, bay, state, known, now, at_us))
    if now.cures is not None:
        findings += cure_told(bay.id, now, at_us)
    update_signs(plan, bay, state, now, at_us)
    if now.trail is not before.trail:
        update_trail_signs(bay, state, now, at_us)
    elif _is_over(now, at_us):
        end_trail_signs(bay, now, at_us)
    findings += update_alarms(Scene(plan, bay, state, known, now, at_us))
    now.wake_us = _next_deadline(plan, bay, state, at_us)
    if not keeps_calm(bay, state.newest, now, at_us):
        now.calm = calm_spans(bay, state.newest, known, now, at_us)
    return findings


def _is_over(now: BayNow, at_us: int) -> bool:
    """Return whether the trail has grown too old to say anything."""
    old_us = trail_old_us(now.trail)
    return old_us is not None and at_us >= old_us


def wake_bay(
    plan: GuardPlan,
    bay: BayPlan,
    state: GuardState,
    at_us: int,
    trace: list[StageTurn] | None = None,
) -> list[Finding]:
    """Judge a bay whose deadline has come, or note the one that readings have put off till then.

    Args:
        plan: The compiled shop file.
        bay: The bay, or the shop.
        state: What the guard remembers; what it remembers of the bay is replaced.
        at_us: Time now [µs], not before the bay's ``wake_us``.
        trace: As for ``judge_bay``.
    """
    now = state.bays[bay.id]
    assert now.wake_us is not None
    due_us = _next_deadline(plan, bay, state, now.wake_us - 1)
    if due_us is not None and due_us <= at_us:
        return judge_bay(plan, bay, state, at_us, trace=trace)
    state.bays[bay.id] = msgspec.structs.replace(now, wake_us=due_us)
    return []


def lengthen_trail(bay: BayPlan, state: GuardState, at_us: int) -> bool:
    """Make the trail of a calm bay longer, and return whether that changed a sign.

    Then the bay is to be judged; else all that a judgement would find is as it was.

    Args:
        bay: The bay; no limit is on a rate of change.
        state: What the guard remembers; what it remembers of the bay is replaced.
        at_us: Time of the reading that does it [µs].
    """
    now = state.bays[bay.id]
    known = air_conditions(bay, state.newest, now, at_us)
    trail = longer_trail(now.trail, known, at_us)
    due_us = trail_due_us(trail, both_known=True)
    after = msgspec.structs.replace(now, trail=trail, trail_due_us=due_us, signs=dict(now.signs))
    state.bays[bay.id] = after
    if trail is not now.trail and needs_trail(bay, after):
        update_trail_signs(bay, state, after, at_us)
    return after.signs != now.signs


def _turns(bay_id: str, before: BayNow, now: BayNow, at_us: int) -> Iterator[StageTurn]:
    for stage_id, stands in now.stages.items():
        was = before.stages.get(stage_id)
        if was is None or was.fitness != stands.fitness:
            yield StageTurn(at_us, bay_id, stage_id, stands.fitness)


def _told(active: StagePlan | None, before: BayNow, scene: Scene) -> list[Finding]:
    """Return the active stage's verdict where it is not the one last found, and note it."""
    now, at_us = scene.now, scene.at_us
    if active is None:
        now.told, now.untold = None, 0
        return []
    fitness, was = now.stages[active.id].fitness, before.stages.get(active.id)
    better = is_better(fitness, now.told)
    if fitness == now.told or (better and at_us < free_us(now, TOLD)):
        now.untold += was is not None and was.fitness != fitness
        return []
    if better:
        note_eased(now, TOLD, at_us)
    values = {x.quantity: scene.known.get(x.quantity, NO_SENSOR).value for x in active.limits}
    data: dict[str, Any] = {"stage": active.id, "fitness": fitness, "values": values}
    if now.untold:
        data["left_out"] = now.untold
    now.told, now.untold = fitness, 0
    return [Finding(at_us, TOLD, scene.place.id, data)]


def _good_news_due(bay: BayPlan, now: BayNow) -> Iterator[int]:
    """Yield when a verdict that is better than the one last told may be told [µs]."""
    active = active_stage(bay, now)
    if active is not None and is_better(now.stages[active.id].fitness, now.told):
        yield free_us(now, TOLD)
    if now.cures is not None and is_better(now.stages[now.cures].fitness, now.cure_told):
        yield free_us(now, CURE_FITNESS)


def _next_deadline(plan: GuardPlan, bay: BayPlan, state: GuardState, at_us: int) -> int | None:
    """Return the next time [µs] after ``at_us`` at which something changes without a reading."""
    now = state.bays[bay.id]
    due = [*deadlines(bay, now), *_good_news_due(bay, now)]
    for stage in bay.stages:
        until = settling_until(stage, now.stages[stage.id].inside_since_us, now, at_us)
        if until is not None:
            due.append(until)
    old_us = trail_old_us(now.trail) if needs_trail(bay, now) else None
    if old_us is not None:
        due.append(old_us)
    for group in bay.sources.values():
        for series in group:
            last = state.newest.get(series.key)
            if last is None:
                due.append(now.begun_us + FIRST_WORD_US)
            else:
                due.append(last.alive_us + series.stale_us + 1)
    silent_us = silent_from(plan, state) if bay.id == SHOP else None
    if silent_us is not None:
        due.append(silent_us)
    return min((at for at in due if at > at_us), default=None)
