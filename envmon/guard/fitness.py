"""Limits held against conditions: deadband, margin, settle time, and a verdict per stage."""

from __future__ import annotations

import math
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


def is_better(fitness: Fitness, told: Fitness | None) -> bool:
    """Return whether a verdict is better news than the one last told; None for none."""
    return told is not None and SEVERITY[fitness] < SEVERITY[told]


_GROUP: dict[Fitness, Literal["inside", "unfit", "unknown"]] = {
    "fit": "inside", "marginal": "inside", "unfit": "unfit", "unknown": "unknown",
}  # fmt: skip


def hold(limit: HeldLimit, known: Known, before: LimitNow | None, at_us: int) -> LimitNow:
    """Return where a limit stands now; ``before`` itself where nothing changed.

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
    if before is None:
        return LimitNow(fitness, _GROUP[fitness], at_us, held_out)
    if before.fitness == fitness and before.held_out == held_out:
        return before
    group = _GROUP[fitness]
    since_us = before.since_us if before.group == group else at_us
    return LimitNow(fitness, group, since_us, held_out)


def _is_out(limit: HeldLimit, value: float, *, held_out: bool) -> bool:
    if value < limit.low or value > limit.high:
        return True
    if not held_out:
        return False
    return not limit.low + limit.deadband <= value <= limit.high - limit.deadband


def _is_near(limit: HeldLimit, value: float, before: LimitNow | None) -> bool:
    if not limit.margin:
        return False
    near = _near_width(limit, before)
    return value < limit.low + near or value > limit.high - near


def _near_width(limit: HeldLimit, before: LimitNow | None) -> float:
    # The marginal zone has a deadband of its own, so that the word does not flicker.
    extra = limit.deadband if before is not None and before.fitness != "fit" else 0.0
    # However wide the margin, the middle fifth of a range stays fit.
    return min(limit.margin + extra, 0.4 * (limit.high - limit.low))


def zone(limit: HeldLimit, known: Known, stands: LimitNow) -> tuple[float, float]:
    """Return the values among which ``hold`` would leave a limit where it stands.

    Args:
        limit: The limit.
        known: The condition it was just held against; it has a value.
        stands: What ``hold`` returned.

    Returns:
        Lowest and highest value, both included, and ``known.value`` among them; infinite where
        the limit is open.
    """
    value = known.value
    assert value is not None
    if stands.held_out:
        return _zone_below_or_above(
            value, limit.low + limit.deadband, limit.high - limit.deadband, -math.inf, math.inf
        )
    if stands.fitness == "marginal" and known.quality == "good":
        near = _near_width(limit, stands)
        return _zone_below_or_above(
            value, limit.low + near, limit.high - near, limit.low, limit.high
        )
    # A limit without a margin is near nothing.
    near = _near_width(limit, stands) if stands.fitness == "fit" and limit.margin else 0.0
    return limit.low + near, limit.high - near


def _zone_below_or_above(
    value: float, below: float, above: float, low: float, high: float
) -> tuple[float, float]:
    """Return the part of ``low`` to ``high`` under ``below``, or over ``above``."""
    if value < below:
        return low, min(high, math.nextafter(below, -math.inf))
    if value > above:
        return max(low, math.nextafter(above, math.inf)), high
    return value, value


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
        before_it = limits.get(limit.key)
        stands = hold(limit, known.get(limit.quantity, NO_SENSOR), before_it, at_us)
        if stands is not before_it:
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
