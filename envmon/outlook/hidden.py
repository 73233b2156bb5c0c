"""What nobody measures, along a history: mass, films, what wood holds, what is behind a panel.

The air is measured, so each of these is a filter of it and needs no guess at its start but the
first few hours of a frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.outlook.frame import Values, filled
from envmon.physics.room import WETTED_H, Drive, Room, RoomState, room_rates

if TYPE_CHECKING:
    from envmon.outlook.frame import BayFrame

ROW_H = 1 / 60
WET_STAGES = frozenset({"foam", "wash", "decontamination", "rinse"})
"""Stages in which water is used."""
DRY_STAGES = frozenset({"drying", "polish", "wipe", "coating", "early_cure", "cure"})
"""Stages in which a fan may run on its own switch."""
LOOKS_BACK = 20
"""Rows from which an unknown source of heat or water is worked out."""
TYPICAL_C, TYPICAL_OUTDOOR_C, TYPICAL_SHARE = 18.0, 5.0, 0.45
"""What stands for a quantity that was never measured; the experts beside the model carry it."""


def water_used(stages: Any) -> Any:
    """Return in which of some stages water is used, an array of their shape."""
    return np.isin(stages, sorted(WET_STAGES))


@dataclass(frozen=True, slots=True)
class Inputs:
    """A frame without gaps, and with stages as numbers; one row of values for each quantity."""

    air_c: Values
    ratio: Values
    share: Values
    panel_c: Values
    outdoor_c: Values
    outdoor_ratio: Values
    shared_c: Values
    shared_ratio: Values
    pressure_pa: Values
    heater: Values
    door: Values
    wetting: Values
    fanned: Values
    people: Values


def inputs_of(frame: BayFrame) -> Inputs:
    """Return a frame's values with its gaps filled by what was known last."""
    air_c = filled(frame["air_temp_c"], TYPICAL_C)
    ratio = filled(frame.ratio, 0.006)
    outdoor_c = filled(frame["outdoor_temp_c"], TYPICAL_OUTDOOR_C)
    share = filled(frame["rel_hum_pct"], 100 * TYPICAL_SHARE) / 100
    shared = np.isfinite(frame.shared_c) & np.isfinite(frame.shared_ratio)
    return Inputs(
        air_c,
        ratio,
        share,
        filled(frame["panel_temp_c"], float(np.mean(air_c)) if len(air_c) else TYPICAL_C),
        outdoor_c,
        filled(frame.outdoor_ratio, float(np.mean(ratio)) * 0.7 if len(ratio) else 0.004),
        np.where(shared, frame.shared_c, air_c),
        np.where(shared, frame.shared_ratio, ratio),
        frame.pressure_pa,
        filled(frame["heater_on"], 0.0),
        filled(frame["door_open"], 0.0),
        water_used(frame.stage).astype(float),
        np.isin(frame.stage, sorted(DRY_STAGES)).astype(float),
        (frame.stage != "").astype(float),
    )


def _followed(driven_by: Values, rate: Any, first: Any) -> Values:
    """Return x with dx/dt = rate·(driven_by − x), a row a minute, for each lane.

    Args:
        driven_by: Shape (lanes, rows).
        rate: Shape (lanes,) [1/h].
        first: x in the first row, shape (lanes,).
    """
    # A row is keep times the one before plus what is new: a triangular band, solved in one pass.
    from scipy.linalg.blas import dtbsv  # noqa: PLC0415 - slow to import, scipy.signal ten times so

    found = np.empty(driven_by.shape)
    for lane in range(len(driven_by)):
        keep = float(np.exp(-rate[lane] * ROW_H))
        fed = (1 - keep) * np.concatenate(([first[lane]], driven_by[lane, :-1]))
        fed[0] += keep * first[lane]
        band = np.full((2, len(fed)), -keep, order="F")
        found[lane] = dtbsv(1, band, fed, lower=1, diag=1, overwrite_x=1)
    return found


def _film(wetting: Values, dry_h: Values) -> Values:
    """Return the wet share of the surfaces along a history, for each lane."""
    found = np.zeros((len(dry_h), len(wetting)))
    edges = np.flatnonzero(np.diff(wetting)) + 1
    wet = np.zeros((len(dry_h), 1))
    for first, last in zip([0, *edges], [*edges, len(wetting)], strict=True):
        hours = ROW_H * np.arange(1, last - first + 1)
        if wetting[first]:
            part = 1 - (1 - wet) * np.exp(-hours / WETTED_H)
        else:
            part = wet * np.exp(-hours / dry_h[:, None])
        found[:, first:last] = part
        wet = part[:, -1:]
    return np.concatenate((np.zeros((len(dry_h), 1)), found[:, :-1]), axis=1)


def backward_mean(values: Values, rows: int) -> Values:
    """Return the mean of each row and those before it, ``rows`` in all, along the last axis."""
    total = np.cumsum(values, axis=-1)
    count = np.minimum(np.arange(values.shape[-1]) + 1, rows)
    before = np.zeros_like(total)
    before[..., rows:] = total[..., :-rows]
    return (total - before) / count


def _slope_h(values: Values, rows: int) -> Values:
    """Return the change per hour over the last ``rows`` rows, along the last axis."""
    smooth = backward_mean(values, 3)
    before = np.concatenate(
        (np.repeat(smooth[..., :1], rows, axis=-1), smooth[..., :-rows]), axis=-1
    )[..., : smooth.shape[-1]]
    return (smooth - before) / (rows * ROW_H)


def _column(value: Any, lanes: int) -> Values:
    return np.broadcast_to(np.asarray(value, dtype=float).reshape(-1), (lanes,))


def hidden_states(room: Room, inputs: Inputs, lanes: int = 1) -> RoomState:
    """Return what a bay held in each row of a history, for each set of constants.

    Args:
        room: Constants, each a number or of shape (lanes, 1).
        inputs: The history.
        lanes: Sets of constants.

    Returns:
        Each store of shape (lanes, rows).
    """
    to_air, to_out = _column(room.mass_rate, lanes), _column(room.loss_mass, lanes)
    towards = (to_air[:, None] * inputs.air_c + to_out[:, None] * inputs.outdoor_c) / (
        to_air + to_out
    )[:, None]
    rate = (to_air + to_out) / _column(room.mass_share, lanes)
    first = towards[:, : 12 * 60].mean(axis=1)
    share = np.broadcast_to(inputs.share, (lanes, len(inputs.share)))
    mass_c = _followed(towards, rate, first)
    held = _followed(share, 1 / _column(room.buffer_h, lanes), share[:, :180].mean(axis=1))
    rows = np.broadcast_to(inputs.air_c, mass_c.shape)
    panel_c = np.broadcast_to(backward_mean(inputs.panel_c, 3), mass_c.shape)
    return RoomState(
        rows,
        mass_c,
        np.broadcast_to(inputs.ratio, mass_c.shape),
        _film(inputs.wetting, _column(room.film_dry_h, lanes)),
        held,
        panel_c,
        _core_c(room, inputs, mass_c, lanes),
    )


def _core_c(room: Room, inputs: Inputs, mass_c: Values, lanes: int) -> Values:
    """Return the mass behind the panel from how the panel has moved; no vehicle is as good as one.

    The panel's balance over the last rows is solved for it.
    """
    panel_c = backward_mean(inputs.panel_c, LOOKS_BACK)
    around_c = backward_mean((inputs.air_c + mass_c) / 2, LOOKS_BACK)
    moved = _slope_h(inputs.panel_c, LOOKS_BACK)
    panel_rate = _column(room.panel_rate, lanes)[:, None]
    core_rate = _column(room.core_rate, lanes)[:, None]
    core_c = panel_c + (moved - panel_rate * (around_c - panel_c)) / core_rate
    lowest = np.minimum(inputs.outdoor_c, panel_c) - 2
    return np.clip(core_c, lowest, np.maximum(inputs.air_c, panel_c) + 5)


def drive_of(inputs: Inputs, fan: Any) -> Drive:
    """Return what acted on the bay in each row, without anything unknown."""
    return Drive(
        inputs.outdoor_c,
        inputs.outdoor_ratio,
        inputs.shared_c,
        inputs.shared_ratio,
        inputs.pressure_pa,
        inputs.heater,
        inputs.door,
        fan,
        inputs.wetting,
        inputs.people,
    )


FAN_WIDTH = 0.015
"""Humidity over which the fan's share of time goes from a quarter to three quarters, 0…1."""


def fan_share(fanned: Any, share: Any, above: Any) -> Any:
    """Return the share of time a fan on its own switch runs; smooth, for a fit's sake."""
    return fanned / (1 + np.exp(-np.clip((share - above) / FAN_WIDTH, -50, 50)))


def unknown_sources(
    room: Room, states: RoomState, inputs: Inputs, above: Any, usual: tuple[Any, Any] = (0.0, 0.0)
) -> tuple[Any, Any]:
    """Return heat [K/h] and vapour [kg/(kg·h)] that the model lacked over the last rows.

    Args:
        room: Constants.
        states: From ``hidden_states``.
        inputs: The history.
        above: Humidity at which the fan is switched, 0…1.
        usual: Vapour and exchange that are usual beyond the model, from ``drying.usual_water``.
    """
    drive = drive_of(inputs, fan_share(inputs.fanned, inputs.share, above))
    rates = room_rates(room, states, replace(drive, more_water=usual[0], more_wet=usual[1]))
    heat = _slope_h(inputs.air_c, LOOKS_BACK) - backward_mean(np.asarray(rates.air_c), LOOKS_BACK)
    water = _slope_h(inputs.ratio, LOOKS_BACK) - backward_mean(np.asarray(rates.ratio), LOOKS_BACK)
    return heat, water
