"""A bay's outlook: state now, the hours ahead with their blur, and when each stage is fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.outlook.ahead import NO_PLANS
from envmon.outlook.crossing import (
    FORESEEN,
    GRID_MIN,
    changes,
    courses_from,
    limit_outlook,
    room_left,
)
from envmon.outlook.experts import FORECAST, Bay
from envmon.outlook.learning import as_bay
from envmon.outlook.likeness import weighted_quantiles
from envmon.outlook.model import BayOutlook, Fan, Span, StageOutlook
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import errors_for, expected_of, judge
from envmon.outlook.words import said_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.live import Fitness
    from envmon.guard.plan import StagePlan
    from envmon.outlook.ahead import Plans
    from envmon.outlook.crossing import Courses
    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.learning import Neighbour
    from envmon.outlook.model import LimitOutlook, ModelFacts, Said, Trust
    from envmon.outlook.words import Turns

OLD_MIN = 5
"""A value counts as known when it was read within so many minutes."""
FANNED = ("air_temp_c", "rel_hum_pct", "panel_temp_c", "dew_margin_k")
QUANTILES = {"q05": 0.05, "q25": 0.25, "q50": 0.5, "q75": 0.75, "q95": 0.95}
LITTLE_DAYS = 2.0
"""A bay that has taught for less knows few hours that were alike."""
VAGUE_MIN, VAGUE_TIMES = 30.0, 4.0
"""Of such a bay an end that may come within so many minutes, or so many times later, is no news."""
AROUND = 5
"""Places of a fan, 5 min each, over which its width is evened out."""
LOOKS_BACK_MIN = 12 * 60
"""So much of the recent past says where the slab and what wood holds stand."""


@dataclass(frozen=True, slots=True)
class Context:
    """What is known besides the bay's own readings.

    Attributes:
        plans: What is known to come.
        neighbours: Bays of the same air, with rows of the same times.
        before: The last outlook, so that its words do not flicker.
    """

    plans: Plans = NO_PLANS
    neighbours: Sequence[Neighbour] = ()
    before: BayOutlook | None = None


NOTHING_MORE = Context()


def outlook(
    facts: ModelFacts,
    recent: BayFrame,
    stages: Sequence[StagePlan],
    now_us: int,
    context: Context = NOTHING_MORE,
) -> BayOutlook:
    """Return what is foreseen of a bay.

    Args:
        facts: What is learned of it.
        recent: Its rows of the last twelve hours or so, up to now.
        stages: Its stages with their limits.
        now_us: Time [µs]; within some minutes of the last row.
        context: Plans, neighbours, and the outlook before.
    """
    row = min(len(recent), (now_us - recent.start_us) // MINUTE_US + 1) - 1
    now = [_lately(recent[name], row) for name in FORECAST]
    old = row < 0 or now_us - (recent.start_us + row * MINUTE_US) > OLD_MIN * MINUTE_US
    if old or not np.isfinite(now[:2]).all():
        return BayOutlook(now_us, facts.guessing, "", False, tuple(map(_unknown, stages)), ())  # noqa: FBT003
    expected = _expected(facts, recent, row, context)
    courses = expected.courses(now, stretched=False)
    before = {} if context.before is None else {s.stage: s.said for s in context.before.stages}
    return BayOutlook(
        at_us=now_us,
        guessing=facts.guessing,
        situation=expected.situation,
        known=True,
        stages=tuple(
            _stage(stage, courses, now_us, before.get(stage.id), facts) for stage in stages
        ),
        fans=_fans(expected.courses(now, stretched=True)),
    )


def _lately(values: Values, row: int) -> float:
    """Return the mean of the last rows known, NaN when all of them are old."""
    back = values[max(0, row - OLD_MIN + 1) : row + 1]
    back = back[np.isfinite(back)][-2:]
    return float(back.mean()) if len(back) else float("nan")


class Expected(NamedTuple):
    """What is expected from a moment on, before past errors are put on it."""

    situation: str
    mixture: Values
    trust: Trust
    marks: Values

    def courses(self, now: Sequence[float], *, stretched: bool) -> Courses:
        """Return the courses the bay may take; see ``errors_for`` for ``stretched``."""
        errors = errors_for(self.trust, self.marks, stretched=stretched)
        return courses_from(now, self.mixture, *errors)


def _expected(facts: ModelFacts, recent: BayFrame, row: int, context: Context) -> Expected:
    bay = Bay(recent, facts.constants, facts.habits, context.plans)
    others = [as_bay(neighbour) for neighbour in context.neighbours]
    judged = judge(bay, np.array([row]), others)
    situation = SITUATIONS[int(judged.situation[0])]
    trust = facts.trust[situation]
    said = expected_of(judged, trust.weights, trust.lean)[:, :, 0]
    return Expected(situation, said, trust, judged.marks[0])


def courses_of(
    facts: ModelFacts, recent: BayFrame, row: int, now: Sequence[float], context: Context
) -> tuple[str, Courses]:
    """Return the situation a bay is in and the courses it may take from a row on."""
    expected = _expected(facts, recent, row, context)
    return expected.situation, expected.courses(now, stretched=False)


def _unknown(stage: StagePlan) -> StageOutlook:
    return _outlook_of(stage, "unknown", ())


def _outlook_of(
    stage: StagePlan, fitness: Fitness, limits: tuple[LimitOutlook, ...]
) -> StageOutlook:
    missing = tuple(limit.quantity for limit in stage.limits if limit.quantity not in FORESEEN)
    settle_min = stage.settle_us / MINUTE_US
    said = said_of("", None, 0, None)
    return StageOutlook(stage.id, fitness, None, None, settle_min, limits, missing, said)


def _stage(
    stage: StagePlan, courses: Courses, now_us: int, before: Said | None, facts: ModelFacts
) -> StageOutlook:
    held = [limit for limit in stage.limits if limit.quantity in FORESEEN]
    room = [room_left(courses, limit) for limit in held]
    if not held or not all(np.isfinite(left).all() for left in room):
        return _outlook_of(stage, "unknown", ())
    inside = [bool(left[0, 0] >= 0) for left in room]
    limits = tuple(
        limit_outlook(limit, courses, inside=so) for limit, so in zip(held, inside, strict=True)
    )
    plain = _outlook_of(stage, "fit" if all(inside) else "unfit", limits)
    span = changes(np.minimum.reduce(room), courses.weights, inside=all(inside))
    # Where something is left that nothing is foreseen of, no time can be promised.
    turns: Turns = "leaves" if all(inside) else "enters"
    turns = "" if turns == "enters" and plain.not_foreseen else turns
    vague = facts.days < LITTLE_DAYS and all(inside) and _is_vague(span)
    told = Span(None, None, None) if vague else span
    return StageOutlook(
        stage=stage.id,
        fitness=plain.fitness,
        enters=None if all(inside) else span,
        leaves=span if all(inside) and not vague else None,
        settle_min=plain.settle_min,
        limits=limits,
        not_foreseen=plain.not_foreseen,
        said=said_of(turns, told, now_us, before, guessing=facts.guessing or vague),
    )


def _is_vague(span: Span) -> bool:
    """Return whether an end may come soon, and as well much later: nobody can act on that."""
    if span.early is None or span.early >= VAGUE_MIN:
        return False
    return span.late is None or span.late > VAGUE_TIMES * max(span.early, OLD_MIN)


def _without_teeth(rows: Values) -> Values:
    """Return the bands of a fan, their width the mean over ``AROUND`` places.

    Where few past moments speak, a single one makes an edge jump from lead to lead and back. What
    the place now is known by, and the middle, stay.

    Args:
        rows: Bands, low to high, with the middle in their middle; shape (bands, places).
    """
    middle = rows[len(rows) // 2]
    widths = np.pad(rows - middle, ((0, 0), (AROUND // 2, AROUND // 2)), mode="edge")
    kernel = np.ones(AROUND) / AROUND
    even = np.array([np.convolve(width, kernel, "valid") for width in widths])
    even[:, 0] = rows[:, 0] - middle[0]
    return np.clip(even + middle, rows.min(), rows.max())


def _fans(courses: Courses) -> tuple[Fan, ...]:
    minutes = tuple(GRID_MIN.tolist())
    found = []
    for name in FANNED:
        values = courses.values[name]
        if np.isfinite(values).all():
            rows = weighted_quantiles(values, courses.weights, tuple(QUANTILES.values()))
            rows = _without_teeth(rows)
            bands = {
                label: tuple(round(float(v), 2) for v in row)
                for label, row in zip(QUANTILES, rows, strict=True)
            }
            found.append(Fan(name, minutes, bands))
    return tuple(found)
