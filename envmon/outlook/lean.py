"""What a moment's signs say, in a line, of how its forecast will be off while a wash dries.

Washes are few, so like moments alone say it only roughly; a ridge regression (Hoerl and Kennard
1970, from memory) hears every wash, and the errors it leaves are those of washes it has not seen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.outlook.ahead import STEP_MIN
from envmon.outlook.experts import FORECAST, LEADS_MIN
from envmon.outlook.hidden import backward_mean, inputs_of, water_used
from envmon.outlook.situations import rows_since

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.ahead import Shared
    from envmon.outlook.frame import BayFrame, Values

LEANT = ("rinsed", "drying")
"""Situations in which forecasts lean; elsewhere like moments are enough."""
LEANS = FORECAST.index("rel_hum_pct")
"""What leans: the humidity decides when a bay is fit after a wash."""
LEAST_DAYS = 8
"""Fewer washes than on so many days say too little for a line through them."""
LONG_MIN = 720
"""Over so long the air's mean says how warm the slab is; a look has no longer past."""
DRAWN = 0.1
"""How strongly each sign is drawn to saying nothing, in units of its own spread."""


def signs_of(
    frame: BayFrame, marks: Values, rows: npt.NDArray[np.intp], shared: Shared | None = None
) -> Values:
    """Return the signs of some rows, shape (rows, signs): their marks and some more.

    Args:
        frame: The history.
        marks: Of the same rows, from ``likeness.marks_of``.
        rows: Places.
        shared: What the bays of the same air are expected to do.
    """
    inputs = inputs_of(frame)
    since = np.minimum(rows_since(water_used(frame.stage))[rows], 60) / 20
    more = (
        since,
        since**2,
        1e3 * backward_mean(inputs.ratio, 5)[rows],
        1e3 * backward_mean(inputs.shared_ratio, 10)[rows],
        1e3 * backward_mean(inputs.outdoor_ratio, 30)[rows],
        # Where the thermostat's swing stands.
        (inputs.air_c - backward_mean(inputs.air_c, 15))[rows],
        # How warm the slab is, from which the floor dries.
        backward_mean(inputs.air_c, LONG_MIN)[rows],
        backward_mean(inputs.heater, 180)[rows],
        *_next_door(backward_mean(inputs.shared_ratio, 3)[rows], shared),
    )
    return np.concatenate((marks, np.stack(more, axis=1)), axis=1)


def _next_door(now: Values, shared: Shared | None) -> tuple[Values, Values]:
    """Return how much damper it is to become next door, in the near and the next hour [g/kg]."""
    if shared is None:
        return np.zeros_like(now), np.zeros_like(now)
    near, far = (int(minutes / STEP_MIN) for minutes in (30, 90))
    ahead = shared.ratio[:near].mean(axis=0), shared.ratio[near:far].mean(axis=0)
    return 1e3 * (ahead[0] - now), 1e3 * (ahead[1] - now)


def lean_from(signs: Values, off: Values, days: npt.NDArray[np.intp]) -> tuple[bytes, Values]:
    """Return a lean and the errors left where it was learned from all days but a moment's own.

    Empty, and the errors as they were, where days are few or it has not helped.

    Args:
        signs: Of past moments, shape (moments, signs).
        off: How forecasts were off, shape (moments, quantities, leads).
        days: Of each moment.
    """
    each = np.unique(days)
    if len(each) < LEAST_DAYS:
        return b"", off
    left = off.copy()
    for day in each:
        own = days == day
        table = _ridge(signs[~own], off[~own, LEANS])
        left[own, LEANS] -= _with_one(signs[own]) @ table
    if np.abs(left[:, LEANS]).mean() >= np.abs(off[:, LEANS]).mean():
        return b"", off
    table = np.concatenate((_ridge(signs, off[:, LEANS]), _reach(signs)))
    return table.astype("<f4").tobytes(), left


def leant(lean: bytes, signs: Values) -> Values:
    """Return by how much forecasts lean, shape (quantities, leads, moments).

    No sign counts for more than it did in any moment learned from. A lean learned of other signs
    than these says nothing.

    Args:
        lean: From ``lean_from``.
        signs: Of some moments, shape (moments, signs).
    """
    found = np.zeros((len(FORECAST), len(LEADS_MIN), len(signs)))
    table = np.frombuffer(lean, dtype="<f4").astype(float).reshape(-1, len(LEADS_MIN))
    count = signs.shape[1]
    if len(table) == count + 3:
        low, high = table[-2:, :count]
        found[LEANS] = (_with_one(np.clip(signs, low, high)) @ table[:-2]).T
    return found


def _reach(signs: Values) -> Values:
    """Return the least and the most of each sign, in two rows as long as the leads."""
    return np.stack(
        [
            np.pad(most, (0, len(LEADS_MIN) - signs.shape[1]))
            for most in (signs.min(axis=0), signs.max(axis=0))
        ]
    )


def _with_one(signs: Values) -> Values:
    return np.concatenate((signs, np.ones((len(signs), 1))), axis=1)


def _ridge(signs: Values, off: Values) -> Values:
    """Return a share for each sign and a constant, shape (signs + 1, values)."""
    middle, spread = signs.mean(axis=0), signs.std(axis=0) + 1e-6
    scaled = (signs - middle) / spread
    square = scaled.T @ scaled / len(signs) + DRAWN * np.eye(signs.shape[1])
    shares = np.linalg.solve(square, scaled.T @ off / len(signs)) / spread[:, None]
    return np.concatenate((shares, (off.mean(axis=0) - middle @ shares)[None]))
