"""Least squares of lines and change points, and what neighbouring days have in common."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from envmon.heating.model import Floats, Ints

LEVEL = 0.95
LEAST_PAIRS = 8
"""Neighbouring days needed to tell how alike they are."""


class Straight(NamedTuple):
    """Ordinary least squares of a line: what a textbook gives."""

    n: int
    intercept: float
    slope: float
    se_intercept: float
    se_slope: float
    r2: float
    resid_sd: float


def straight(x: Floats, y: Floats, weights: Floats | None = None) -> Straight:
    """Return the least squares line y = intercept + slope·x.

    Args:
        x: Finite, not all alike (d,).
        y: Finite (d,).
        weights: Of each row, for means of several days; None for all alike.
    """
    w = np.ones_like(x) if weights is None else weights * (len(x) / weights.sum())
    mean_x, mean_y = np.average(x, weights=w), np.average(y, weights=w)
    sxx = float((w * (x - mean_x) ** 2).sum())
    slope = float((w * (x - mean_x) * (y - mean_y)).sum()) / sxx
    intercept = float(mean_y - slope * mean_x)
    left = float((w * (y - intercept - slope * x) ** 2).sum())
    total = float((w * (y - mean_y) ** 2).sum())
    resid_sd = (left / (len(x) - 2)) ** 0.5
    se_intercept = resid_sd * (1 / len(x) + mean_x**2 / sxx) ** 0.5
    r2 = 1 - left / total if total > 0 else 0.0
    return Straight(
        len(x), intercept, slope, float(se_intercept), resid_sd / sxx**0.5, r2, resid_sd
    )


class Bend(NamedTuple):
    """A change point: its parameters and the squares left."""

    change_c: float
    base: float
    slope: float
    left: float


def bends(x: Floats, y: Floats, w: Floats, change_c: Floats) -> tuple[Floats, Floats, Floats]:
    """Return base, slope and squares left with given change points, each (m,).

    Args:
        x: Outdoors (d,).
        y: Energy (d,).
        w: Weights (d,).
        change_c: Change points (m,).
    """
    colder = np.minimum(x - change_c[:, None], 0.0)
    total = w.sum()
    mean_x, mean_y = colder @ w / total, float(y @ w) / total
    off_x, off_y = colder - mean_x[:, None], y - mean_y
    sxx = (off_x**2) @ w
    sxy = off_x @ (w * off_y)
    slope = np.divide(sxy, sxx, out=np.zeros_like(sxx), where=sxx > 1e-12)
    left = float(w @ off_y**2) - slope * sxy
    return mean_y - slope * mean_x, slope, np.maximum(left, 0.0)


def best_bend(x: Floats, y: Floats, w: Floats) -> Bend:
    """Return the least squares change point: the best of every partition of the days.

    Within a partition the line and the base are fitted each by itself; where they meet inside the
    partition, that is its best change point, else it is one of the partition's ends.
    """
    places = np.unique(x)
    met = _meeting(x, y, w, places)
    candidates = np.concatenate((places[1:], met))
    base, slope, left = bends(x, y, w, candidates)
    best = int(np.argmin(left))
    return Bend(float(candidates[best]), float(base[best]), float(slope[best]), float(left[best]))


def _meeting(x: Floats, y: Floats, w: Floats, places: Floats) -> Floats:
    """Return where line and base of a partition meet, for those that meet inside it."""
    cold = x[None, :] <= places[:-1, None]
    wc, ww = w * cold, w * ~cold
    nc, nw = wc.sum(axis=1), ww.sum(axis=1)
    mx, my = wc @ x / nc, wc @ y / nc
    sxx = wc @ (x * x) - nc * mx**2
    sxy = wc @ (x * y) - nc * mx * my
    base = ww @ y / nw
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = sxy / sxx
        met = mx + (base - my) / slope
    inside = np.isfinite(met) & (met >= places[:-1]) & (met <= places[1:])
    found: Floats = met[inside]
    return found


def carry_of(values: Floats, place: Ints) -> float:
    """Return the correlation of neighbouring days, 0…0.9, put right for its bias of 2/n + 4ρ/n."""
    off = values - values.mean()
    next_to = np.diff(place) == 1
    total = float((off**2).mean())
    n = len(values)
    if next_to.sum() < LEAST_PAIRS or total == 0:
        return 0.0
    found = float((off[1:] * off[:-1])[next_to].mean()) / total
    return float(np.clip((n * found + 2) / (n - 4), 0.0, 0.9))


def grown(spread: Floats, of: Floats, off: Floats, place: Ints) -> tuple[Floats, float]:
    """Return a covariance grown by what neighbouring days have in common, and how alike they are.

    Args:
        spread: As if days were independent (p, p).
        of: What each parameter acts through (p, d).
        off: Residuals (d,).
        place: Which day each is.
    """
    carry = carry_of(off, place)
    alike = np.array([1.0 if np.ptp(row) == 0 else carry_of(row, place) for row in of]) * carry
    factor = np.sqrt((1 + alike) / (1 - alike))
    return spread * np.outer(factor, factor), carry


def free_of(n: int, used: int, carry: float) -> float:
    """Return degrees of freedom: days that are alike count for fewer."""
    return max(2.0, n * (1 - carry) / (1 + carry) - used)


def reach_of(free: float) -> float:
    """Return the quantile of Student's t that an interval reaches to."""
    from scipy.special import stdtrit  # noqa: PLC0415 - slow to import, scipy.stats slower

    return float(stdtrit(free, 0.5 + LEVEL / 2))
