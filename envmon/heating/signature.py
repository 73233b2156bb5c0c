"""The energy signature: energy of a day against the outdoors, and what it says of the building.

Either a straight line (all days are heated), or a base load up to a change point and a line below
it. Both are least squares; the change point is found exactly, as the best of all partitions of the
days. Days far off (more than six robust deviations) are set aside and named.

A shop lets its bays fall at night and over weekends, so where the bays' own temperature is known
it counts: the outdoors is taken as much colder as the bays were warmer than their mean, and what
warming since the day before put into slab and walls is taken off (fitted beside it).

Intervals are for 95 % and take into account that neighbouring days are alike (residuals of first
order, factor √((1+ρxρe)/(1−ρxρe)); common practice). What they cover was measured, see
``tests/test_heating_signature_coverage.py``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.heating.signature_fit import (
    LEVEL,
    bends,
    best_bend,
    free_of,
    grown,
    reach_of,
    straight,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.model import Floats, Ints
    from envmon.heating.signature_fit import Bend

    Bools = NDArray[np.bool_]

LEAST_DAYS = 8
"""A line through fewer days says nothing."""
LEAST_WARM = 5
"""A change point needs so many days above it."""
LEAST_K = 0.5
"""Days must differ by this much outdoors."""
APART = 6.0
"""Robust standard deviations beyond which a day is set aside."""
BISQUARE = 4.685
"""In the same deviations, where a day's weight becomes nothing while these are looked for."""
DAY_H = 24.0


class Interval(NamedTuple):
    """The range that holds the true value in 95 of 100 cases."""

    low: float
    high: float


class Signature(NamedTuple):
    """Energy of a day: ``base_load + slope·(outdoor − change_point)`` below the change point.

    Attributes:
        kind: ``line`` for a straight line over all days, else ``change_point``.
        n: Days it rests on.
        intercept: Of the line at 0 °C [kWh/d].
        slope: Of the line [kWh/(d·K)]; below zero where cold days take more.
        se_slope: Standard error of the slope, by the textbook.
        r2: Share of the variance explained.
        resid_sd: Deviation of days from it [kWh/d], n − p degrees of freedom.
        change_point_c: Outdoors above which nothing is heated [°C]; None for a line.
        base_load: Energy of a day without heating [kWh/d]; None for a line.
        loss_w_k: Heat lost for each kelvin [W/K].
        slope_within: Interval of the slope.
        intercept_within: Interval of the intercept.
        loss_within: Interval of the loss.
        change_within: Interval of the change point, None for a line.
        base_within: Interval of the base load, None for a line.
        free: Degrees of freedom of the intervals.
        carry: How alike residuals of neighbouring days are, 0…0.9.
        apart: Places of days set aside.
        indoor_c: Mean of the bays it is for [°C]; None where they were not known.
        storage_kwh_k: Heat for each kelvin the bays rose since the day before [kWh/K].
        spread: Covariance of the parameters, ``carry`` taken into account: intercept and slope,
            for a change point base load, slope and change point.
    """

    kind: Literal["line", "change_point"]
    n: int
    intercept: float
    slope: float
    se_slope: float
    r2: float
    resid_sd: float
    change_point_c: float | None
    base_load: float | None
    loss_w_k: float
    slope_within: Interval
    intercept_within: Interval
    loss_within: Interval
    change_within: Interval | None
    base_within: Interval | None
    free: float
    carry: float
    apart: tuple[int, ...]
    spread: Floats
    indoor_c: float | None = None
    storage_kwh_k: float = 0.0

    def expected(self, outdoor_c: Floats) -> Floats:
        """Return the energy of days expected at outdoor temperatures, bays as ever [kWh/d]."""
        if self.change_point_c is None or self.base_load is None:
            return self.intercept + self.slope * outdoor_c
        colder: Floats = np.minimum(outdoor_c - self.change_point_c, 0.0)
        return self.base_load + self.slope * colder

    def gradient(self, outdoor_c: Floats) -> Floats:
        """Return how that grows with each parameter of ``spread``, (p, d)."""
        if self.change_point_c is None:
            return np.vstack((np.ones_like(outdoor_c), outdoor_c))
        below = outdoor_c < self.change_point_c
        colder = np.minimum(outdoor_c - self.change_point_c, 0.0)
        return np.array([np.ones_like(outdoor_c), colder, -self.slope * below])


def signature(
    outdoor_c: Floats,
    energy_kwh: Floats,
    efficiency: float = 1.0,
    days: Floats | None = None,
    kind: Literal["line", "change_point"] | None = None,
    indoor_c: Floats | None = None,
) -> Signature:
    """Return the energy signature of days, in order of time.

    Args:
        outdoor_c: Mean outdoors of each day [°C] (d,); NaN where not known.
        energy_kwh: Energy of each day [kWh/d] (d,); NaN where not known.
        efficiency: Heat into the bays over that energy; the loss is of heat.
        days: Days a row is the mean of, as with bills (d,); None for one each.
        kind: Which form; None takes the change point where the days tell it.
        indoor_c: Mean of the bays each day [°C] (d,), NaN where not known, or None.

    Raises:
        InputError: Too few days are known, or they are all as cold.
    """
    outdoor_c, energy_kwh, mean_c, storage = _level(outdoor_c, energy_kwh, indoor_c)
    known = np.flatnonzero(np.isfinite(outdoor_c) & np.isfinite(energy_kwh))
    _ensure_tells(outdoor_c[known])
    weight = np.ones(len(outdoor_c)) if days is None else np.asarray(days, dtype=float)
    rows = _Rows(known, outdoor_c[known], energy_kwh[known], weight[known], efficiency)
    if kind is None:
        kind = "change_point" if _tells_change(rows) else "line"
    keep = _kept(rows, kind)
    rows = rows.kept(keep)
    found = _line(rows) if kind == "line" else _bent(rows)
    apart = tuple(int(place) for place in known[~keep])
    return found._replace(apart=apart, indoor_c=mean_c, storage_kwh_k=storage)


def _ensure_tells(outdoor_c: Floats) -> None:
    if len(outdoor_c) < LEAST_DAYS:
        raise InputError(
            f"{len(outdoor_c)} days have outdoor temperature and energy; allowed is {LEAST_DAYS} "
            "and more; take a longer time"
        )
    if np.ptp(outdoor_c) < LEAST_K:
        raise InputError(
            f"outdoors was {outdoor_c.min():.1f} to {outdoor_c.max():.1f} °C: days that are all as "
            "cold tell no loss; take a longer time"
        )


def as_if_level(outdoor_c: Floats, indoor_c: Floats, mean_c: float) -> Floats:
    """Return the outdoors as if the bays had been at their mean all days [°C].

    Args:
        outdoor_c: Mean outdoors of each day [°C].
        indoor_c: Mean of the bays [°C].
        mean_c: That mean [°C].
    """
    return outdoor_c - (indoor_c - mean_c)


def risen(indoor_c: Floats) -> Floats:
    """Return how much the bays rose since the day before [K]; 0 where that is not known."""
    step = np.diff(indoor_c, prepend=indoor_c[:1])
    return np.where(np.isfinite(step), step, 0.0)


def _level(
    outdoor_c: Floats, energy_kwh: Floats, indoor_c: Floats | None
) -> tuple[Floats, Floats, float | None, float]:
    """Return days as if the bays had kept their mean: outdoors, energy, that mean, the storage."""
    if indoor_c is None or not np.isfinite(indoor_c).any():
        return outdoor_c, energy_kwh, None, 0.0
    known = np.isfinite(outdoor_c) & np.isfinite(energy_kwh) & np.isfinite(indoor_c)
    if not known.any():
        return outdoor_c, energy_kwh, None, 0.0
    mean_c = float(indoor_c[known].mean())
    level_c = as_if_level(outdoor_c, indoor_c, mean_c)
    rise = risen(indoor_c)
    columns = np.vstack((np.ones(known.sum()), level_c[known], rise[known])).T
    storage = max(0.0, float(np.linalg.lstsq(columns, energy_kwh[known], rcond=None)[0][2]))
    return level_c, energy_kwh - storage * rise, mean_c, storage


class _Rows(NamedTuple):
    place: Ints
    x: Floats
    y: Floats
    w: Floats
    efficiency: float

    def kept(self, keep: Bools) -> _Rows:
        """Return some of the rows."""
        x, y, w = (values[keep] for values in (self.x, self.y, self.w))
        return _Rows(self.place[keep], x, y, w, self.efficiency)

    @property
    def share(self) -> Floats:
        """Weights with mean 1."""
        return self.w * (len(self.w) / float(self.w.sum()))


def _tells_change(rows: _Rows) -> bool:
    """Return whether a change point is worth its parameter (F test, 1 %), with warm days enough."""
    from scipy.special import fdtri  # noqa: PLC0415 - slow to import

    x, y, w = rows.x, rows.y, rows.share
    if len(x) < LEAST_DAYS + LEAST_WARM:
        return False
    bend = best_bend(x, y, w)
    if (x >= bend.change_c).sum() < LEAST_WARM or bend.slope >= 0:
        return False
    line = straight(x, y, w)
    left = line.resid_sd**2 * (len(x) - 2)
    gain = (left - bend.left) / (bend.left / (len(x) - 3) + 1e-300)
    return bool(gain > fdtri(1, len(x) - 3, 0.99))


def _kept(rows: _Rows, kind: str) -> Bools:
    """Return which days are not far off a robust fit (bisquare, from Beaton and Tukey 1974)."""
    weight = np.ones(len(rows.x))
    off = np.zeros(len(rows.x))
    least = 1e-9 * float(np.ptp(rows.y)) + 1e-12
    for _ in range(12):
        w = rows.share * weight
        if kind == "line":
            line = straight(rows.x, rows.y, np.maximum(w, 1e-9))
            said = line.intercept + line.slope * rows.x
        else:
            bend = best_bend(rows.x, rows.y, np.maximum(w, 1e-9))
            said = bend.base + bend.slope * np.minimum(rows.x - bend.change_c, 0)
        off = (rows.y - said) * np.sqrt(rows.share)
        scale = 1.4826 * float(np.median(np.abs(off))) + least
        weight = np.clip(1 - (off / (BISQUARE * scale)) ** 2, 0, 1) ** 2
    return np.abs(off) <= APART * scale


def _within(value: float, variance: float, reach: float) -> Interval:
    half = reach * variance**0.5
    return Interval(value - half, value + half)


def _loss(slope: float, within: Interval, efficiency: float) -> tuple[float, Interval]:
    factor = -efficiency * 1000 / DAY_H
    return factor * slope, Interval(factor * within.high, factor * within.low)


def _line(rows: _Rows) -> Signature:
    x, y, w = rows.x, rows.y, rows.share
    line = straight(x, y, w)
    sxx = (line.resid_sd / line.se_slope) ** 2 if line.se_slope > 0 else np.inf
    across = -(line.resid_sd**2) * float(np.average(x, weights=w)) / sxx
    spread = np.array([[line.se_intercept**2, across], [across, line.se_slope**2]])
    # A line is turned about the mean of x; what days have in common moves the whole of it more.
    off = y - line.intercept - line.slope * x
    spread, carry = _grown_line(spread, rows, off)
    reach = reach_of(free_of(line.n, 2, carry))
    within = _within(line.slope, float(spread[1, 1]), reach)
    loss, loss_within = _loss(line.slope, within, rows.efficiency)
    return Signature(
        "line", line.n, line.intercept, line.slope, line.se_slope, line.r2, line.resid_sd, None,
        None, loss, within, _within(line.intercept, float(spread[0, 0]), reach), loss_within, None,
        None, free_of(line.n, 2, carry), carry, (), spread,
    )  # fmt: skip


def _grown_line(spread: Floats, rows: _Rows, off: Floats) -> tuple[Floats, float]:
    """Grow level and slope apart, about the mean of x, where they are independent."""
    mean = float(np.average(rows.x, weights=rows.share))
    turn = np.array([[1.0, mean], [0.0, 1.0]])
    of = np.vstack((np.ones_like(rows.x), rows.x))
    about_mean, carry = grown(turn @ spread @ turn.T, of, off, rows.place)
    back = np.array([[1.0, -mean], [0.0, 1.0]])
    return back @ about_mean @ back.T, carry


def _bent(rows: _Rows) -> Signature:
    x, y, w = rows.x, rows.y, rows.share
    bend = best_bend(x, y, w)
    n = len(x)
    resid_sd = (bend.left / (n - 3)) ** 0.5
    colder = np.minimum(x - bend.change_c, 0.0)
    of = np.vstack((np.ones(n), colder, -bend.slope * (x < bend.change_c)))
    spread = resid_sd**2 * np.linalg.pinv((of * w) @ of.T)
    se_slope = float(spread[1, 1]) ** 0.5
    spread, carry = grown(spread, of, y - bend.base - bend.slope * colder, rows.place)
    reach = reach_of(free_of(n, 3, carry))
    within = _within(bend.slope, float(spread[1, 1]), reach)
    loss, loss_within = _loss(bend.slope, within, rows.efficiency)
    intercept = bend.base - bend.slope * bend.change_c
    to_intercept = np.array([1.0, -bend.change_c, -bend.slope])
    total = float(w @ (y - np.average(y, weights=w)) ** 2)
    return Signature(
        "change_point", n, intercept, bend.slope, se_slope, 1 - bend.left / total, resid_sd,
        bend.change_c, bend.base, loss, within,
        _within(intercept, float(to_intercept @ spread @ to_intercept), reach), loss_within,
        _change_within(rows, bend, carry), _within(bend.base, float(spread[0, 0]), reach),
        free_of(n, 3, carry), carry, (), spread,
    )  # fmt: skip


def _change_within(rows: _Rows, bend: Bend, carry: float) -> Interval:
    """Return the change points that the days do not speak against (profile of the squares left)."""
    from scipy.special import fdtri  # noqa: PLC0415 - slow to import

    x, y, w = rows.x, rows.y, rows.share
    free = free_of(len(x), 3, carry)
    grid = np.linspace(float(x.min()), float(x.max()), 601)
    left = bends(x, y, w, grid)[2]
    allowed = bend.left * (1 + float(fdtri(1, free, LEVEL)) / free)
    inside = grid[left <= allowed]
    ends = (*inside, bend.change_c)
    return Interval(float(min(ends)), float(max(ends)))
