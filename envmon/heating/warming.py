"""How long a bay takes to warm up: by its model, or by what past mornings took."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple, Protocol

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.mornings import REACHED_K
from envmon.outlook.weather import outdoor_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from envmon.heating.model import Floats, Ints
    from envmon.heating.mornings import BayPast, Morning
    from envmon.outlook.ahead import Outside

    Bools = NDArray[np.bool_]

FADES_H = 10.0
"""Time in which a bay falls to the outdoors where no night has shown it [h] (common practice)."""
SLOW_K_H = 2.0
"""Warming where no morning has shown it [K/h] (common practice)."""
LEAST_MORNINGS = 5
"""With fewer past mornings than this their scatter says nothing."""
LEAST_FITTED = 8
BY_FORECAST = ", by the forecast"
"""Behind what a time rests on, where the outdoors ahead were told."""
RIDGE = 0.5
FALL_STEP_MIN, FALL_STEPS = 5, 480
LONG_FALLEN_MIN = 720
"""After so long without heat a bay goes on at the pace it has then."""
LEAST_NIGHT_MIN, LEAST_NIGHTS, LEAST_APART_K = 60, 3, 4.0
"""What a night must have to teach how a bay falls: minutes without heat, and kelvins."""


class Aim(NamedTuple):
    """What is wanted: the target [°C], and how far the bay may fall before heating begins [°C]."""

    target_c: float
    setback_c: float


class Warmer(Protocol):
    """Says how long a bay takes to warm up."""

    kind: Literal["bay model", "past mornings", "usual"]

    @property
    def rests(self) -> str:
        """What it rests on, for a person."""
        ...

    def warm_minutes(self, rows: Ints, waits_min: Floats) -> Floats:
        """Return how long warming takes [min], NaN for longer than foreseen (p,).

        Args:
            rows: Minutes of the past from which it is foreseen (p,).
            waits_min: How long after each of them heating begins [min] (p,).
        """
        ...

    def ratios(self, mornings: Sequence[Morning], lead_min: float) -> Floats:
        """Return what past mornings took over what was foreseen of them.

        Args:
            mornings: They.
            lead_min: How long before heating began they are foreseen [min].
        """
        ...


class PastMornings:
    """Warming learned from past mornings; a guess at what is usual where there are none.

    Minutes are taken to grow with the lift, the cold outdoors and how cold the day before was;
    found by least squares of their logarithm, held by what is usual.

    Args:
        past: The bay.
        mornings: Of it.
        aim: What is wanted.
        outdoor: The outdoors ahead by a forecast; empty for as now.
    """

    def __init__(
        self,
        past: BayPast,
        mornings: Sequence[Morning],
        aim: Aim,
        outdoor: Sequence[Outside] = (),
    ) -> None:
        self._past, self._aim, self._count = past, aim, len(mornings)
        self._outdoor = outdoor
        self.kind: Literal["bay model", "past mornings", "usual"] = (
            "past mornings" if mornings else "usual"
        )
        self._falling = Falling(past)
        rows = [(one.air_c, one.outdoor_c, one.day_c) for one in mornings]
        self._known = self._features(*np.array(rows, dtype=float).reshape(-1, 3).T)
        self._log = np.log(np.maximum([one.minutes for one in mornings], 1.0))
        self._found = _ridge(self._known, self._log)

    @property
    def rests(self) -> str:
        """What it rests on, for a person."""
        by = BY_FORECAST if self._outdoor else ""
        if not self._count:
            return f"no morning to learn from: a usual {SLOW_K_H:g} K/h{by}"
        if self._count < LEAST_MORNINGS:
            tells = "one past morning" if self._count == 1 else f"{self._count} past mornings"
            return f"{tells} only, which tells little{by}"
        return f"the warming of {self._count} past mornings{by}"

    def warm_minutes(self, rows: Ints, waits_min: Floats) -> Floats:
        """Return how long warming takes [min] (p,)."""
        air_c = self._past.air_c[rows]
        fall_c, outdoor_c = self._outdoors(rows, waits_min)
        left_c = fall_c + (air_c - fall_c) * self._falling.left(rows, waits_min)
        floor_c = np.minimum(air_c, self._aim.setback_c)
        unique, back = np.unique(rows, return_inverse=True)
        days = [_mean(self._past.air_c[max(0, row - 1440) : row + 1]) for row in unique]
        return self._minutes(np.maximum(left_c, floor_c), outdoor_c, np.array(days)[back])

    def _outdoors(self, rows: Ints, waits_min: Floats) -> tuple[Floats, Floats]:
        """Return the mean outdoors until heating begins, and those when it does [°C] (p,).

        A forecast is known of now only, not of the past.
        """
        now_c = self._past.outdoor_c[rows]
        if not self._outdoor:
            return now_c, now_c
        now_us = self._past.start_us + len(self._past.air_c) * MINUTE_US
        shares = np.linspace(0.0, 1.0, 13)[:, None]
        told_c = outdoor_at(self._outdoor, now_us + shares * waits_min * MINUTE_US)
        is_now = rows == len(self._past.air_c) - 1
        return np.where(is_now, told_c.mean(axis=0), now_c), np.where(is_now, told_c[-1], now_c)

    def ratios(self, mornings: Sequence[Morning], lead_min: float) -> Floats:
        """Return what mornings took over what is foreseen of them, each one left out.

        Those in a gap of the air so long before are not foreseen.
        """
        kept = [number for number, one in enumerate(mornings) if one.row >= lead_min]
        rows = np.array([mornings[number].row - round(lead_min) for number in kept], dtype=int)
        waits = np.full(len(rows), float(lead_min))
        found = np.empty(len(kept))
        whole = self._found
        for place, number in enumerate(kept):
            rest = np.arange(len(self._log)) != number
            self._found = _ridge(self._known[rest], self._log[rest])
            said = self.warm_minutes(rows[place : place + 1], waits[place : place + 1])
            found[place] = mornings[number].minutes / max(float(said[0]), 1.0)
        self._found = whole
        return found[np.isfinite(found)]

    def _features(self, air_c: Floats, outdoor_c: Floats, day_c: Floats) -> Floats:
        lift = np.log(np.maximum(self._aim.target_c - air_c, 0.3))
        cold = (self._aim.target_c - outdoor_c) / 20 - 1
        low = (self._aim.target_c - day_c) / 10 - 0.4
        return np.column_stack((np.ones_like(lift), lift, cold, low))

    def _minutes(self, air_c: Floats, outdoor_c: Floats, day_c: Floats) -> Floats:
        warm = air_c >= self._aim.target_c - REACHED_K
        minutes = np.exp(self._features(air_c, outdoor_c, day_c) @ self._found)
        return np.where(warm, 0.0, minutes)


def _mean(values: Floats) -> float:
    """Return the mean of what is known; NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def _ridge(known: Floats, log: Floats) -> Floats:
    """Return coefficients held by what is usual: minutes in proportion to the lift."""
    usual = np.array([np.log(60 / SLOW_K_H), 1.0, 0.3, 0.3])
    # The level is free; slopes are held as if some mornings had shown the usual ones.
    hold = np.diag([1e-3, RIDGE, RIDGE, RIDGE])
    if not len(log):
        return usual
    found: Floats = usual + np.linalg.solve(known.T @ known + hold, known.T @ (log - known @ usual))
    return found


class Falling:
    """How a bay falls while nothing heats it: share of its difference to the outdoors left.

    Air falls at once, slab and walls slowly, so the course is learned from past nights as it is:
    the median by time since the heater last ran, drawn on at its last pace.

    Args:
        past: The bay; where nobody knows when its heater ran, a usual time constant is taken.
    """

    def __init__(self, past: BayPast) -> None:
        steps = np.arange(FALL_STEPS + 1)
        self._left = np.exp(-steps * FALL_STEP_MIN / 60 / FADES_H)
        self._since = np.zeros(len(past.air_c), dtype=int)
        self.nights = 0
        if past.run is not None:
            self._learn(past, past.run == 0)

    def _learn(self, past: BayPast, idle: Bools) -> None:
        place = np.arange(len(idle))
        since = place - np.maximum.accumulate(np.where(idle, 0, place))
        apart_k = past.air_c - past.outdoor_c
        ends = np.flatnonzero((since[:-1] >= LEAST_NIGHT_MIN) & (since[1:] == 0))
        courses = []
        for end in ends:
            begin = end - since[end]
            rows = np.arange(begin, end + 1, FALL_STEP_MIN)[: FALL_STEPS + 1]
            if apart_k[begin] > LEAST_APART_K and np.isfinite(apart_k[rows]).all():
                course = np.full(FALL_STEPS + 1, np.nan)
                course[: len(rows)] = apart_k[rows] / apart_k[begin]
                courses.append(course)
        self.nights = len(courses)
        if self.nights >= LEAST_NIGHTS:
            self._left, self._since = _drawn_on(np.array(courses)), since

    def left(self, rows: Ints, waits_min: Floats) -> Floats:
        """Return the share of the difference now that is left some minutes later (p,)."""
        at = np.arange(len(self._left)) * FALL_STEP_MIN
        since = np.minimum(self._since[rows], LONG_FALLEN_MIN)
        now, later = (np.interp(when, at, self._left) for when in (since, since + waits_min))
        found: Floats = later / np.maximum(now, 1e-6)
        return found


def _drawn_on(courses: Floats) -> Floats:
    """Return the median course, never rising, drawn on where fewer than half of the nights go."""
    known = np.isfinite(courses).sum(axis=0) >= max(2, len(courses) / 2)
    last = int(np.flatnonzero(known)[-1])
    found = np.minimum.accumulate(np.nanmedian(courses[:, : last + 1], axis=0))
    found = np.maximum(found, 1e-3)
    back = max(0, last - 60 // FALL_STEP_MIN)
    pace = min(1.0, float(found[last] / found[back]) ** (1 / max(1, last - back)))
    rest = found[last] * pace ** np.arange(1, courses.shape[1] - last)
    return np.append(found, rest)
