"""What the guard heeds of a job: whose limits hold in its bay, and what its coating cures by."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.facts import CURE_FITNESS, JOB_OPENED
from envmon.guard.chatter import free_us, note_eased
from envmon.guard.fitness import is_better
from envmon.guard.state import Finding, LimitNow, StageNow

if TYPE_CHECKING:
    from envmon.facts import Event
    from envmon.guard.plan import BayPlan, GuardPlan
    from envmon.guard.state import BayNow

CURES = ("early_cure", "cure")
"""Stages whose window a coating cures by."""


def take_job(plan: GuardPlan, bay_id: str, now: BayNow, event: Event, at_us: int) -> None:
    """Note that a job was opened or closed; from then on other limits may hold.

    Args:
        plan: The compiled shop file.
        bay_id: The bay.
        now: What is remembered of it; changed in place.
        event: What happened.
        at_us: When it counts [µs].
    """
    opened = event.kind == JOB_OPENED
    before = plan.variant(bay_id, now.procedure)
    now.procedure = str(event.data.get("procedure")) if opened else None
    now.cures = now.cure_told = None
    after = plan.variant(bay_id, now.procedure)
    if after is not before:
        _hold_anew(before, after, now, at_us)


def _hold_anew(before: BayPlan, after: BayPlan, now: BayNow, at_us: int) -> None:
    """Forget where the limits of stages stood that are not as they were; they are judged next."""
    was = {stage.id: stage for stage in before.stages}
    limits, stages = dict(now.limits), dict(now.stages)
    for stage in after.stages:
        old = was[stage.id]
        if stage == old:
            continue
        for limit in old.limits:
            limits.pop(limit.key, None)
        for limit in stage.limits:
            limits[limit.key] = LimitNow("unknown", "unknown", at_us, held_out=False)
        if stage.id in stages:
            stages[stage.id] = StageNow(stages[stage.id].fitness, None)
    now.limits, now.stages, now.calm = limits, stages, {}


def take_stage_of_job(now: BayNow, event: Event) -> None:
    """Note which window a coating cures by, once a job has come to that.

    Args:
        now: What is remembered of the bay; changed in place.
        event: A stage that was started.
    """
    stage = event.data.get("stage")
    if "job" not in event.data:
        return
    if stage in CURES:
        now.cures = str(stage)
    elif stage == "coating" and now.cures is None:
        now.cures = CURES[0]


def cure_told(bay_id: str, now: BayNow, at_us: int) -> list[Finding]:
    """Return the cure window's verdict where it is not the one last found, and note it.

    Args:
        bay_id: The bay.
        now: What is remembered of it, just judged; ``cures`` is set. Changed in place.
        at_us: When it was judged [µs].
    """
    assert now.cures is not None
    fitness = now.stages[now.cures].fitness
    if fitness == now.cure_told:
        return []
    if is_better(fitness, now.cure_told):
        if at_us < free_us(now, CURE_FITNESS):
            return []
        note_eased(now, CURE_FITNESS, at_us)
    now.cure_told = fitness
    return [Finding(at_us, CURE_FITNESS, bay_id, {"stage": now.cures, "fitness": fitness})]
