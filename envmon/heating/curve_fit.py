"""How a bay cools by itself, learnt from its temperature curve alone. Arrays are by the step.

A bay's air falls towards what is behind it: slab and walls, whose temperature is taken as the
air's own past, smoothed over half an hour, three hours and fifteen hours. Their weights are
fitted to the steps in which the heater seems off, robustly, so that doors and washes hardly count.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.model import Floats

    Bools = NDArray[np.bool_]

PAST_MIN = (30.0, 180.0, 900.0)
"""Time constants of the past that stands for slab and walls [min]."""
_MOST_ROWS = 20_000
_ROUNDS = 6


def ahead(values: NDArray[Any], steps: int) -> NDArray[Any]:
    """Return what comes so many steps later, or earlier below 0; the ends repeat."""
    moved = np.roll(values, -steps)
    if steps > 0:
        moved[-steps:] = values[-1]
    elif steps < 0:
        moved[:-steps] = values[0]
    return moved


def smoothed(values: Floats, steps: float) -> Floats:
    """Return a first-order low pass that starts at the first value.

    Args:
        values: By the step (n,), all known.
        steps: Time constant in steps, above 1.
    """
    keep, out = 1 - 1 / steps, np.empty(len(values))
    block = int(30 * steps)  # keep**block stays far above the smallest float
    last = float(values[0])
    for first in range(0, len(values), block):
        part = values[first : first + block]
        power = keep ** np.arange(1.0, len(part) + 1)
        out[first : first + block] = power * (last + np.cumsum(part / power) / steps)
        last = float(out[first + len(part) - 1])
    return out


def unlagged(air_c: Floats, lag: float) -> Floats:
    """Return the curve before a sensor's first-order lag.

    Args:
        air_c: By the step (n,).
        lag: What is left of a sudden change one step later, 0…1.
    """
    before = ahead(air_c, -1)
    result: Floats = (air_c - lag * before) / (1 - lag)
    return result


def excess(air_c: Floats, off: Bools, width_min: int) -> Floats:
    """Return by how much each step warms more than a bay without heat would.

    Args:
        air_c: By the step [°C] (n,).
        off: Steps in which the heater seems off (n,).
        width_min: Length of a step [min].

    Returns:
        [K per step] (n,); the last is 0.
    """
    step = np.append(np.diff(air_c), 0.0)
    middle = np.append((air_c[1:] + air_c[:-1]) / 2, air_c[-1])
    past = [middle, *(smoothed(air_c, max(of / width_min, 1.5)) for of in PAST_MIN)]
    parts = [*(one - other for one, other in pairwise(past)), past[-1]]
    rows = np.flatnonzero(off)
    rows = rows[:: len(rows) // _MOST_ROWS + 1]
    columns = np.stack([*(part[rows] for part in parts), np.ones(len(rows))])
    weights = _fitted(columns, step[rows])
    result: Floats = step - weights[-1]
    for weight, part in zip(weights[:-1].tolist(), parts, strict=True):
        result -= weight * part
    return result


def _fitted(columns: NDArray[np.float64], target: Floats) -> NDArray[np.floating[Any]]:
    """Return weights by least squares, reweighted by Huber's function and then by Tukey's."""
    small = 1e-9 * np.eye(len(columns))
    trust = np.ones(len(target))
    weights: NDArray[np.floating[Any]] = np.zeros(len(columns))
    for turn in range(_ROUNDS):
        weighted = columns * trust
        weights = np.linalg.solve(weighted @ columns.T + small, weighted @ target)
        off = np.abs(target - weights @ columns)
        off /= 1.4826 * np.median(off) + 1e-12
        trust = (
            np.minimum(1.0, 1.5 / np.maximum(off, 1e-12))
            if turn < 2
            else np.maximum(1 - (off / 4.7) ** 2, 0.0) ** 2
        )
    return weights
