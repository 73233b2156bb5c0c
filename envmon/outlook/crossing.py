"""When limits begin and end to hold, from many courses the coming hours may take."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.outlook.ahead import AHEAD_MIN
from envmon.outlook.experts import LEADS_MIN
from envmon.outlook.likeness import weighted_quantiles
from envmon.outlook.model import LimitOutlook, Span
from envmon.physics.air import dew_point_c, frost_point_c
from envmon.physics.surface import dew_margin_k

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.plan import HeldLimit
    from envmon.outlook.frame import Values

HOLDS_MIN = 10
"""A limit counts as entered when it then holds for so long [min]."""
GONE_MIN = 5
"""It counts as left when it then fails for so long [min]."""
MINUTES = np.arange(AHEAD_MIN + 1)
GRID_MIN = np.concatenate(([0], LEADS_MIN))
FORESEEN = ("air_temp_c", "rel_hum_pct", "panel_temp_c", "dew_point_c", "dew_margin_k")
EARLY, LATE = 0.05, 0.95


class Courses(NamedTuple):
    """Many courses of a bay.

    Attributes:
        values: Quantity -> shape (courses, places of ``GRID_MIN``).
        weights: How much each of them has to say, summing up to 1.
    """

    values: dict[str, Values]
    weights: Values


def courses_from(now: Sequence[float], mixture: Values, off: Values, weights: Values) -> Courses:
    """Return the courses that past errors make of a forecast.

    Args:
        now: Air temperature, humidity and panel temperature now; NaN for no panel.
        mixture: Forecast, shape (3, leads).
        off: Past errors, shape (paths, 3, leads).
        weights: How much each of them has to say, summing up to 1.
    """
    ahead = mixture[None] + off
    start = np.array(now)
    whole = np.concatenate(
        (np.broadcast_to(start[None, :, None], (*ahead.shape[:2], 1)), ahead), axis=2
    )
    air_c, panel_c = whole[:, 0], whole[:, 2]
    share = np.clip(whole[:, 1], 1.0, 100.0)
    dew_c = dew_point_c(air_c, share)
    margin = dew_margin_k(panel_c, dew_c, frost_point_c(air_c, share))
    named = (air_c, share, panel_c, dew_c, margin)
    return Courses(dict(zip(FORESEEN, named, strict=True)), weights)


def room_left(courses: Courses, limit: HeldLimit) -> Values:
    """Return how far a quantity lies inside a limit, minute by minute; negative outside.

    It is the mean over about a quarter of an hour: the swing of a thermostat is no entering.
    """
    values = courses.values[limit.quantity]
    left = np.minimum(values - limit.low, limit.high - values)
    around = np.pad(left, ((0, 0), (1, 1)), mode="edge")
    left = (around[:, :-2] + around[:, 1:-1] + around[:, 2:]) / 3
    left[:, 0] = np.minimum(values - limit.low, limit.high - values)[:, 0]
    place = np.minimum(MINUTES // 5, len(GRID_MIN) - 2)
    part = (MINUTES - GRID_MIN[place]) / 5
    return left[:, place] * (1 - part) + left[:, place + 1] * part


def first_run(flags: Values, length: int) -> Values:
    """Return the minute from which something is so for a while, inf for never.

    A run that is cut off by the end counts.

    Args:
        flags: Shape (courses, minutes).
        length: Least length of the run [min].
    """
    padded = np.concatenate((flags, np.ones((len(flags), length - 1), dtype=bool)), axis=1)
    runs: Values = np.lib.stride_tricks.sliding_window_view(padded, length, axis=1).all(axis=2)
    return np.where(runs.any(axis=1), runs.argmax(axis=1), np.inf)


def span_of(minutes: Values, weights: Values) -> Span:
    """Return the middle and the interval of times, inf for never."""
    found = weighted_quantiles(minutes, weights, (0.5, EARLY, LATE))
    return Span(*(float(value) if math.isfinite(value) else None for value in found))


def changes(left: Values, weights: Values, *, inside: bool) -> Span:
    """Return when a limit, or all of a stage's, will be the other way round.

    Args:
        left: How far inside, shape (courses, minutes).
        weights: How much each course has to say.
        inside: How it stands now.
    """
    holds = left >= 0
    minutes = first_run(~holds, GONE_MIN) if inside else first_run(holds, HOLDS_MIN)
    return span_of(minutes, weights)


def limit_outlook(limit: HeldLimit, courses: Courses, *, inside: bool) -> LimitOutlook:
    """Return one limit's outlook."""
    left = room_left(courses, limit)
    return LimitOutlook(limit.quantity, inside, changes(left, courses.weights, inside=inside))
