"""The day ahead: when each step can begin, when all takes as long as usual in this shop.

Every course the air may take is walked by itself: a step begins when the one before has ended and
its limits have held for its settle time. So what makes one step late makes the next ones late too,
and intervals are those of whole days, not of single steps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US, iso_from_us
from envmon.outlook.ahead import AHEAD_MIN
from envmon.outlook.crossing import FORESEEN, first_run, room_left, span_of
from envmon.service.outlook.live import DayStep, Moment

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.guard.plan import StagePlan
    from envmon.job.model import Job, StepStatus
    from envmon.outlook.crossing import Courses
    from envmon.outlook.frame import Values
    from envmon.outlook.habits import Habits
    from envmon.outlook.model import Span
    from envmon.shop.models import Shop

OTHER_MIN = 30.0
"""Minutes of a stage nobody has seen and the trade has no usual for."""
WAITS_MIN = 5.0
"""A step that begins so much later than the one before ends is waiting for its air."""
_NO_TIME = frozenset({"hand_over"})


class StepAhead(NamedTuple):
    """A step still to be worked, or being worked.

    Attributes:
        place: Place in the procedure.
        stage: Its stage.
        status: ``active`` or ``todo``.
        minutes: What it takes, or what is left of it [min].
    """

    place: int
    stage: str
    status: StepStatus
    minutes: float


def steps_ahead(
    job: Job | None, usual: Sequence[str], worked: tuple[str, int], habits: Habits
) -> list[StepAhead]:
    """Return the steps from now on: those of the job, or else of the usual procedure.

    Args:
        job: The job open in the bay, or None.
        usual: Stages of the bay's usual procedure.
        worked: Stage being worked, empty for none, and for how many minutes.
        habits: What is usual in the bay.
    """
    stage, elapsed = worked
    found = []
    for index, name, status in _listed(job, usual, stage):
        minutes = 0.0 if name in _NO_TIME else habits.lasts_min.get(name, OTHER_MIN)
        if status == "active":
            # One that has taken longer than usual is taken to end in a tenth of that.
            minutes = max(minutes - elapsed, 0.1 * minutes, 1.0)
        found.append(StepAhead(index, name, status, minutes))
    return found


def _listed(
    job: Job | None, usual: Sequence[str], stage: str
) -> Iterator[tuple[int, str, StepStatus]]:
    if job is not None:
        first = job.current if job.current is not None else job.following
        for index, step in enumerate(job.steps):
            if first is not None and index >= first and step.status in {"active", "todo"}:
                yield index, step.stage, step.status
        return
    first = usual.index(stage) if stage in usual else 0
    for index, name in enumerate(usual):
        if index >= first:
            yield index, name, "active" if name == stage else "todo"


def usual_steps(shop: Shop, bay: str) -> list[str]:
    """Return the stages of a bay's usual procedure; empty where it has none."""
    wanted = shop.bay_by_id(bay).procedure
    found = next((p for p in shop.procedure if p.id == wanted), None)
    return [step.stage for step in found.step] if found else []


def planned_stages(steps: Sequence[StepAhead]) -> tuple[tuple[str, float, float], ...]:
    """Return (stage, first, last minute from now) of steps worked one after the other."""
    found, at = [], 0.0
    for step in steps:
        if step.minutes and at < AHEAD_MIN:
            found.append((step.stage, at, min(at + step.minutes, float(AHEAD_MIN))))
        at += step.minutes
    return tuple(found)


def day_of(
    steps: Sequence[StepAhead], stages: Sequence[StagePlan], courses: Courses | None, now_us: int
) -> tuple[DayStep, ...]:
    """Return when each step can begin.

    Args:
        steps: From now on.
        stages: Every stage with its limits.
        courses: Courses the air may take; None where nothing is foreseen.
        now_us: Time now [µs].
    """
    plans = {stage.id: stage for stage in stages}
    lanes = 1 if courses is None else len(courses.weights)
    free, found = np.zeros(lanes), []
    weights = np.ones(1) if courses is None else courses.weights
    for step in steps:
        start = free
        if courses is not None and step.status == "todo" and step.stage in plans:
            start = _begins(free, plans[step.stage], courses)
        span = span_of(start, weights)
        foreseen = courses is not None and span.middle is not None and span.middle < AHEAD_MIN
        waits = bool(weights[start > free + WAITS_MIN].sum() > 0.5)
        name = plans[step.stage].name if step.stage in plans else step.stage
        found.append(
            DayStep(
                step.place,
                step.stage,
                name,
                step.status,
                round(step.minutes, 1),
                moment_of(span, now_us),
                waits,
                foreseen or step.status == "active",
            )
        )
        free = start + step.minutes
    return tuple(found)


def _begins(free: Values, stage: StagePlan, courses: Courses) -> Values:
    """Return the minute at which each course lets a stage begin, inf for not within the hours."""
    held = [limit for limit in stage.limits if limit.quantity in FORESEEN]
    room = [room_left(courses, limit) for limit in held]
    known = all(np.isfinite(left).all() for left in room)
    if stage.goal or not held or not known:
        return free
    holds = np.minimum.reduce(room) >= 0
    settled = _held_for(holds, round(stage.settle_us / MINUTE_US))
    late = np.arange(settled.shape[1])[None, :] < np.floor(free)[:, None]
    begins = first_run(settled & ~late, 1)
    return np.where(free >= AHEAD_MIN, free, np.maximum(begins, free))


def _held_for(holds: Values, minutes: int) -> Values:
    """Return whether something has held for so long up to each minute, as far as it is seen."""
    broken = np.where(holds, -1, np.arange(holds.shape[1])[None, :])
    last = np.maximum.accumulate(broken, axis=1)
    settled: Values = (last < 0) | (np.arange(holds.shape[1])[None, :] - last > minutes)
    return settled & holds


def moment_of(span: Span, now_us: int) -> Moment:
    """Return a span ahead as times of day."""
    return Moment(*(_at(minutes, now_us) for minutes in (span.early, span.middle, span.late)))


def _at(minutes: float | None, now_us: int) -> str | None:
    return None if minutes is None else iso_from_us(now_us + round(minutes * MINUTE_US))
