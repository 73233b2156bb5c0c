"""Limits held against conditions: deadband, margin, settle time, and a verdict per stage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from envmon.guard.conditions import NO_SENSOR
from envmon.guard.state import LimitNow, StageNow

if TYPE_CHECKING:
    from envmon.guard.conditions import Conditions, Known
    from envmon.guard.live import Fitness
    from envmon.guard.plan import HeldLimit, StagePlan
    from envmon.guard.state import BayNow

SEVERITY: dict[Fitness, int] = {"unfit": 3, "unknown": 2, "marginal": 1, "fit": 0}
"""Known to be bad outweighs not known; neither is ever shown as fit."""


_GROUP: dict[Fitness, Literal["inside", "unfit", "unknown"]] = {
    "fit": "inside", "marginal": "inside", "unfit": "unfit", "unknown": "unknown",
}  # fmt: skip


def hold(limit: HeldLimit, known: Known, before: LimitNow | None, at_us: int) -> LimitNow:
    """Return where a limit stands now.

    A value exactly on the edge is inside. Once outside it counts as inside again only when it
    has come back by the deadband. Within the margin, or with sensors that disagree, it is
    marginal at best.

    Args:
        limit: The limit.
        known: The condition it is held against.
        before: Where it stood; None at the start.
        at_us: Time to judge at [µs].
    """
    held_out = before is not None and before.held_out
    value = known.value
    if value is None:
        fitness: Fitness = "unknown"
    else:
        held_out = _is_out(limit, value, held_out=held_out)
        if held_out:
            fitness = "unfit"
        elif known.quality != "good" or _is_near(limit, value, before):
            fitness = "marginal"
        else:
            fitness = "fit"
    group = _GROUP[fitness]
    since = before.since_us if before is not None and before.group == group else at_us
    return LimitNow(fitness, group, since, held_out)


def _is_out(limit: HeldLimit, value: float, *, held_out: bool) -> bool:
    if value < limit.low or value > limit.high:
        return True
    inside = limit.low + limit.deadband <= value <= limit.high - limit.deadband
    return held_out and not inside


def _is_near(limit: HeldLimit, value: float, before: LimitNow | None) -> bool:
    # The marginal zone has a deadband of its own, so that the word does not flicker.
    extra = limit.deadband if before is not None and before.fitness != "fit" else 0.0
    if not limit.margin:
        return False
    # However wide the margin, the middle fifth of a range stays fit.
    zone = min(limit.margin + extra, 0.4 * (limit.high - limit.low))
    return value < limit.low + zone or value > limit.high - zone


def judge(
    stage: StagePlan, known: Conditions, limits: dict[str, LimitNow], now: BayNow, at_us: int
) -> StageNow:
    """Hold every limit of a stage, note where it stands in ``limits``, return the verdict.

    Args:
        stage: The stage.
        known: Conditions of the bay.
        limits: Limit key -> where it stands; changed in place.
        now: What is remembered of the bay.
        at_us: Time to judge at [µs].
    """
    worst: Fitness = "fit" if stage.limits or not stage.by_hand else "unknown"
    for limit in stage.limits:
        stands = hold(limit, known.get(limit.quantity, NO_SENSOR), limits.get(limit.key), at_us)
        limits[limit.key] = stands
        if SEVERITY[stands.fitness] > SEVERITY[worst]:
            worst = stands.fitness
    inside = worst in ("fit", "marginal")
    before = now.stages.get(stage.id)
    since = before.inside_since_us if before is not None else None
    since = (at_us if since is None else since) if inside else None
    if worst == "fit" and settling_until(stage, since, now, at_us) is not None:
        worst = "marginal"
    return StageNow(worst, since)


def settling_until(
    stage: StagePlan, inside_since_us: int | None, now: BayNow, at_us: int
) -> int | None:
    """Return when the settle time before a start ends [µs], or None when it does not run.

    It runs before the start only: a stage being worked has begun already.
    """
    if inside_since_us is None or not stage.settle_us or now.stage == stage.id:
        return None
    until = inside_since_us + stage.settle_us
    return until if until > at_us else None
