"""How far past errors have to be stretched, and forecasts moved, so that intervals hold what came.

Each past moment is foreseen from those of other days, as if it were new: leave-one-day-out
conformal prediction (Vovk 2015, cross-conformal; from memory). Days, since the moments of one wash
say nearly the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.outlook.experts import FORECAST, LEADS_MIN
from envmon.outlook.likeness import voices
from envmon.outlook.mixing import GROUP_OF, GROUPS_MIN

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.frame import Values

ByLead = dict[str, list[float]]
"""Quantity -> a value for each lead."""
MISS = 0.10
"""Share of outcomes that may lie outside an interval."""
LEAST_SCALE, MOST_SCALE = 0.5, 3.0
EACH = 3
"""Of neighbouring leads every third is counted; the others lie between."""
AROUND = 3
"""The stretch is the mean over so many counted leads, so that fans have no corners."""
LEAST_OTHERS = 6
"""A moment is foreseen from so many others at least."""
BLOCK_MIN = 180
"""Moments so far apart say something new of a bay."""
PROVEN = 1.0
"""A forecast is moved when that has helped by more than so many standard errors of the days."""


class Moments(NamedTuple):
    """Past moments: their rows, what they looked like, how forecasts were off from then on.

    ``off`` has the shape (moments, quantities, leads).
    """

    rows: npt.NDArray[np.intp]
    marks: Values
    off: Values


class Calibration(NamedTuple):
    """By how much errors are stretched around their middle, and whether it moves a forecast."""

    scale: ByLead
    moved: ByLead


def evenly(value: float) -> ByLead:
    """Return one value for every quantity and lead."""
    return {name: [value] * len(LEADS_MIN) for name in FORECAST}


AS_THEY_ARE = Calibration(evenly(1.0), evenly(0.0))


def blocks_of(rows: npt.NDArray[np.intp]) -> int:
    """Return how many moments there are that say something new."""
    return len(np.unique(rows // BLOCK_MIN))


def calibrated(
    moments: Moments, heard: float, proven: float = PROVEN, swing: Values | float = 0.0
) -> Calibration:
    """Return what makes intervals cover, as found on the moments themselves.

    Args:
        moments: Past moments and their errors, none of which the weights were learned on.
        heard: So many others are heard at least for each.
        proven: Standard errors by which moving a forecast must have helped.
        swing: What came on top of those errors, of the same shape: intervals cover that as well.
    """
    days = _days_of(moments.rows)
    off = moments.off[:, :, ::EACH]
    fit, low, middle, high = _foreseen(moments._replace(off=off), days, heard)
    if len(fit) == 0:
        return AS_THEY_ARE
    came = (moments.off + swing)[fit][:, :, ::EACH]
    moved = _proven(came, middle, days[fit], proven)
    left = came - moved * middle
    above, below = np.maximum(high - middle, 1e-3), np.minimum(low - middle, -1e-3)
    score = np.maximum(left / above, left / below)
    level = min(1.0, (1 - MISS) * (1 + 1 / blocks_of(moments.rows)))
    stretch = np.clip(np.quantile(score, level, axis=0), LEAST_SCALE, MOST_SCALE)
    return Calibration(_at_leads(_smoothed(stretch)), _at_leads(moved))


def _days_of(rows: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    days = rows // 1440
    return days if len(np.unique(days)) >= 4 else rows // BLOCK_MIN


def _foreseen(
    moments: Moments, days: npt.NDArray[np.intp], heard: float
) -> tuple[npt.NDArray[np.intp], Values, Values, Values]:
    """Return which moments others can foresee, and 5, 50 and 95 % of what those expect of each."""
    order = np.argsort(moments.off, axis=0, kind="stable")
    ordered = np.take_along_axis(moments.off, order, axis=0)
    size, fit, found = len(days), [], []
    for place, day in enumerate(days):
        others = days != day
        if others.sum() < LEAST_OTHERS:
            continue
        weights = np.zeros(size)
        weights[others] = voices(moments.marks[others], moments.marks[place], heard)
        reached = np.cumsum(weights[order], axis=0)
        at = [(reached < q - 1e-12).sum(axis=0) for q in (MISS / 2, 0.5, 1 - MISS / 2)]
        found.append(np.take_along_axis(ordered, np.minimum(at, size - 1), axis=0))
        fit.append(place)
    whole = np.array(found).reshape(len(fit), 3, *moments.off.shape[1:])
    return np.array(fit, dtype=np.intp), whole[:, 0], whole[:, 1], whole[:, 2]


def _proven(came: Values, middle: Values, days: npt.NDArray[np.intp], proven: float) -> Values:
    """Return 1 where moving a forecast by the middle has proved its worth, (quantities, leads)."""
    groups = GROUP_OF[::EACH]
    gain = np.abs(came) - np.abs(came - middle)
    by_day = np.stack([gain[days == day].mean(axis=0) for day in np.unique(days)])
    each = [by_day[..., groups == group].mean(axis=-1) for group in range(len(GROUPS_MIN))]
    by_group = np.stack(each, axis=-1)
    error = by_group.std(axis=0) / max(1, len(by_group) - 1) ** 0.5
    worth = by_group.mean(axis=0) > proven * error
    return worth[:, groups].astype(float)


def _smoothed(values: Values) -> Values:
    kernel = np.ones(AROUND)
    count = np.convolve(np.ones(values.shape[1]), kernel, "same")
    return np.array([np.convolve(row, kernel, "same") for row in values]) / count


def _at_leads(values: Values) -> ByLead:
    places = np.arange(len(LEADS_MIN))
    return {
        name: np.round(np.interp(places, places[::EACH], row), 3).tolist()
        for name, row in zip(FORECAST, values, strict=True)
    }
