"""How like two moments of a bay are, so that past errors of like moments speak for the next hours.

A wash leaves its marks: how long ago it ended, how humid it is and how fast that falls, how warm
the water has left the panel. Moments that agree in them go on alike, whatever the model leaves out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from zlib import crc32

import numpy as np

from envmon.outlook.habits import setpoint_now
from envmon.outlook.hidden import backward_mean, inputs_of, water_used
from envmon.outlook.situations import DRIED_MIN, rows_since

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.habits import Habits

MARKS = (
    "since_wet", "humidity", "fell_10", "fell_30", "panel_off", "panel_most", "outdoor",
    "setpoint_off", "warmed_20", "body_x", "body_y",
)  # fmt: skip
"""Each in units of what still counts as alike."""
BODY_APART = 2.5
"""How far the circle of bodies lies from its middle."""
LEAST_VOICES = 12.0
"""Where nothing else is said, so many past moments are heard at least."""
WIDER = 1.4


def marks_of(frame: BayFrame, habits: Habits, rows: npt.NDArray[np.intp]) -> Values:
    """Return the marks of some rows, shape (rows, marks)."""
    inputs = inputs_of(frame)
    since = rows_since(water_used(frame.stage))
    share = 100 * backward_mean(inputs.share, 5)
    air_c = backward_mean(inputs.air_c, 15)
    off = backward_mean(inputs.panel_c, 5) - air_c
    setpoint_off = air_c - np.nan_to_num(setpoint_now(frame, habits), nan=20.0)
    lately = since[rows] <= DRIED_MIN
    found = (
        # Minutes count for less the longer ago it was.
        20 * np.log1p(np.minimum(since[rows], 240) / 30),
        share[rows] / 6,
        (share[rows] - _ago(share, rows, 10)) / 8,
        (share[rows] - _ago(share, rows, 30)) / 12,
        off[rows] / 2,
        np.where(lately, _most(off, rows, 90), 0.0),
        inputs.outdoor_c[rows] / 8,
        np.clip(setpoint_off[rows], -12, 4) / 1.5,
        np.clip(air_c[rows] - _ago(air_c, rows, 20), -6, 6) / 1.5,
        *_body_marks(frame.body[rows]),
    )
    return np.round(np.stack(found, axis=1), 3)


def _body_marks(body: npt.NDArray[np.str_]) -> Values:
    """Return two marks that set bodies apart: a place on a circle; its middle for not known."""
    found = np.zeros((2, len(body)))
    for name in np.unique(body[body != ""]):
        angle = 2 * np.pi * crc32(str(name).encode()) / 2**32
        found[:, body == name] = [[BODY_APART * np.cos(angle)], [BODY_APART * np.sin(angle)]]
    return found


def _ago(values: Values, rows: npt.NDArray[np.intp], minutes: int) -> Values:
    return values[np.maximum(rows - minutes, 0)]


def _most(values: Values, rows: npt.NDArray[np.intp], minutes: int) -> Values:
    places = np.maximum(rows - np.arange(minutes)[:, None], 0)
    return np.asarray(values[places].max(axis=0))


def voices(marks: Values, now: Values, least: float = LEAST_VOICES) -> Values:
    """Return how much each past moment has to say, summing up to 1.

    Args:
        marks: Past moments, shape (moments, marks).
        now: The moment in question, shape (marks,).
        least: So many are heard at least: the circle widens until they are in it.
    """
    apart = ((marks - now) ** 2).sum(axis=1) / 2
    apart = apart - apart.min()
    least = min(least, 0.9 * len(marks))
    circle = 1.0
    said = np.exp(-apart)
    while said.sum() ** 2 / (said**2).sum() < least:
        circle *= WIDER
        said = np.exp(-apart / circle)
    return np.asarray(said / said.sum())


def weighted_quantiles(values: Values, weights: Values, quantiles: tuple[float, ...]) -> Values:
    """Return quantiles of values of different weight along the first axis.

    Args:
        values: Shape (moments, …).
        weights: Shape (moments,), summing up to 1.
        quantiles: Which, 0…1.

    Returns:
        Shape (quantiles, …).
    """
    flat = values.reshape(len(values), -1)
    order = np.argsort(flat, axis=0, kind="stable")
    ordered = np.take_along_axis(flat, order, axis=0)
    reached = np.cumsum(weights[order], axis=0)
    found = []
    for quantile in quantiles:
        place = np.minimum((reached < quantile - 1e-12).sum(axis=0), len(values) - 1)
        found.append(ordered[place, np.arange(flat.shape[1])])
    return np.array(found).reshape(len(quantiles), *values.shape[1:])
