"""Ways to say how a quantity goes on; a mixture of them is never far from the best.

Simple ones first (stands, lately, line, decay to what is around, fading trend), then the model of
the bay in three variants: with the mean of the thermostat's swing, the same with unknown sources,
and with the swing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.outlook.ahead import AHEAD_MIN, NO_PLANS, STEP_MIN, Shared, course_ahead
from envmon.outlook.drying import lived, usual_water
from envmon.outlook.fit import room_from, state_at
from envmon.outlook.forward import Unknown, forward
from envmon.outlook.hidden import hidden_states, inputs_of, unknown_sources
from envmon.physics.room import rel_hum_share

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from envmon.outlook.ahead import Plans
    from envmon.outlook.constants import Learned
    from envmon.outlook.forward import Ahead
    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.habits import Habits

LEADS_MIN = np.arange(5, AHEAD_MIN + 1, 5)
FORECAST = ("air_temp_c", "rel_hum_pct", "panel_temp_c")
SIMPLE = ("stands", "lately", "line", "decay", "fading")
MODELS = ("mean", "mean_more", "swing_more")
EXPERTS = (*SIMPLE, *MODELS)
LATELY_MIN, LINE_MIN = 20, 15
FADES_MIN = 60.0
"""A trend is taken to fade in this time [min] (damped trend; Gardner 1985, from memory)."""
MORE, SWINGS = np.array([0.0, 1.0, 1.0]), np.array([False, False, True])
"""The model's variants: with unknown sources, with the thermostat's swing."""


def simple_forecasts(frame: BayFrame, rows: npt.NDArray[np.intp]) -> dict[str, Values]:
    """Return the simple experts' forecasts: quantity -> shape (experts, leads, rows)."""
    around = {
        "air_temp_c": frame["outdoor_temp_c"],
        "rel_hum_pct": _outdoors_inside_pct(frame),
        "panel_temp_c": frame["air_temp_c"],
    }
    return {name: simple(frame[name], around[name], rows, LEADS_MIN) for name in FORECAST}


def simple(values: Values, around: Values, rows: npt.NDArray[np.intp], leads_min: Values) -> Values:
    """Return how a series goes on by the simple rules, shape (rules, leads, rows).

    Args:
        values: A value a minute; NaN where not known.
        around: What it would come to in the end; NaN where nobody knows.
        rows: Places to look ahead from.
        leads_min: How far [min].
    """
    now = values[rows]
    back = _trail(values, rows, LATELY_MIN)
    short = back[-LINE_MIN:]
    slope = _slope_min(short)
    leads = np.asarray(leads_min, dtype=float)[:, None]
    lately = _known_mean(back, now)
    line = now + slope * leads
    away = now - around[rows]
    with np.errstate(all="ignore"):
        rate = np.where(np.abs(away) > 0.2, -slope / away, 0.0)
        rate = np.clip(np.nan_to_num(rate), 0.0, 0.2)
    decay = np.where(np.isfinite(away), now - away * (1 - np.exp(-rate * leads)), now)
    stands = np.broadcast_to(now, line.shape)
    fading = now + slope * FADES_MIN * (1 - np.exp(-leads / FADES_MIN))
    return np.stack([stands, np.broadcast_to(lately, line.shape), line, decay, fading])


def _trail(values: Values, rows: npt.NDArray[np.intp], count: int) -> Values:
    places = rows + np.arange(-count + 1, 1)[:, None]
    return np.where(places >= 0, values[np.maximum(places, 0)], np.nan)


def _known_mean(back: Values, now: Values) -> Values:
    known = np.isfinite(back)
    count = known.sum(axis=0)
    mean = np.where(known, back, 0.0).sum(axis=0) / np.maximum(count, 1)
    return np.where(count > 0, mean, now)


def _slope_min(back: Values) -> Values:
    """Return the least-squares slope of the last rows [1/min], 0 where too few are known."""
    known = np.isfinite(back)
    count = np.maximum(known.sum(axis=0), 1)
    minutes = np.arange(len(back), dtype=float)[:, None]
    at = np.where(known, minutes, 0.0).sum(axis=0) / count
    mean = np.where(known, back, 0.0).sum(axis=0) / count
    off = np.where(known, minutes - at, 0.0)
    spread = (off**2).sum(axis=0)
    with np.errstate(invalid="ignore"):
        total = (off * np.where(known, back - mean, 0.0)).sum(axis=0)
    return np.where((count >= 3) & (spread > 0), total / np.maximum(spread, 1e-9), 0.0)


def _outdoors_inside_pct(frame: BayFrame) -> Values:
    """Return the humidity outdoor air would have at the bay's temperature [%]."""
    share = rel_hum_share(
        np.nan_to_num(frame["air_temp_c"], nan=20.0), frame.outdoor_ratio, frame.pressure_pa
    )
    return 100 * np.where(np.isfinite(frame["air_temp_c"]), share, np.nan)


class Bay(NamedTuple):
    """A bay as it is looked at: its rows, what was learned of it, what is planned in it."""

    frame: BayFrame
    learned: dict[str, Learned]
    habits: Habits
    plans: Plans = NO_PLANS


def shared_ahead(others: Sequence[Bay], rows: npt.NDArray[np.intp]) -> Shared | None:
    """Return what the bays of the same air are expected to do after some rows; None without any.

    A wash next door comes through the curtain, so each is simulated by what is usual in it.

    Args:
        others: Those bays, with frames of the same start and length.
        rows: Places to look ahead from.
    """
    if not others:
        return None
    found = [model_ahead(bay, rows, None, MORE[:1], SWINGS[:1]) for bay in others]
    air_c = np.mean([_steps_mean(ahead.air_c[:, 0]) for ahead in found], axis=0)
    ratio = np.mean([_steps_mean(ahead.ratio[:, 0]) for ahead in found], axis=0)
    return Shared(air_c, ratio)


def _steps_mean(values: Values) -> Values:
    return (values[:-1] + values[1:]) / 2


def model_forecasts(
    bay: Bay, rows: npt.NDArray[np.intp], shared: Shared | None = None
) -> dict[str, Values]:
    """Return the model's forecasts: quantity -> shape (variants, leads, rows)."""
    ahead = model_ahead(bay, rows, shared)
    places = (LEADS_MIN / STEP_MIN).astype(int)
    series = {
        "air_temp_c": ahead.air_c,
        "rel_hum_pct": 100 * ahead.share,
        "panel_temp_c": ahead.panel_c,
    }
    # The first row is what the filters think; the sensor's own word is the start.
    return {
        name: (values[places] + _start_off(bay.frame[name][rows], values[0])).transpose(1, 0, 2)
        for name, values in series.items()
    }


def _start_off(now: Values, start: Values) -> Values:
    fade = np.exp(-LEADS_MIN / 20.0)[:, None, None]
    return fade * np.nan_to_num(now - start)


def model_ahead(
    bay: Bay,
    rows: npt.NDArray[np.intp],
    shared: Shared | None = None,
    more: Values = MORE,
    swings: npt.NDArray[np.bool_] = SWINGS,
) -> Ahead:
    """Return the model simulated from some rows, shape (steps + 1, variants, rows).

    Args:
        bay: The bay.
        rows: Places to look ahead from.
        shared: What the bays of the same air are expected to do.
        more: Share of the unknown sources that goes on, for each variant.
        swings: Whether the thermostat's swing is followed, for each variant.
    """
    inputs = inputs_of(bay.frame)
    room, above = room_from(bay.learned), bay.learned["fan_above"].value
    hidden = hidden_states(room, inputs)
    usual = usual_water(bay.habits, lived(bay.frame))
    heat, water = unknown_sources(room, hidden, inputs, above, usual)
    unknown = Unknown(more[:, None] * heat[0, rows], more[:, None] * water[0, rows])
    course = course_ahead(bay.frame, inputs, bay.habits, rows, bay.plans, shared)
    course = replace(course, swings=swings[:, None])
    now = inputs.heater[rows]
    return forward(room, state_at(hidden, rows), course, above, STEP_MIN / 60, unknown, now)
