"""What is taken to act on a bay over the next hours: plans where there are some, else habits."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.clock import DAY_US, MINUTE_US
from envmon.outlook.drying import coming, usual_water
from envmon.outlook.forward import Course
from envmon.outlook.frame import filled, ratio_from
from envmon.outlook.habits import SLOTS, setpoint_now, usual_c
from envmon.outlook.hidden import DRY_STAGES, water_used
from envmon.physics.room import saturated_ratio

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.habits import Habits
    from envmon.outlook.hidden import Inputs

AHEAD_MIN = 180
STEP_MIN = 2.5
STEPS = int(AHEAD_MIN / STEP_MIN)
OUTDOOR_TRUST = 0.7
"""How much of the usual day's shape is expected to come today."""
SHARED_FADES_MIN = 60.0
"""What sets a neighbour's air apart from its last day's mean is expected to fade in this time."""


class Outside(msgspec.Struct, frozen=True):
    """A forecast of the weather at a time [µs].

    Temperature [°C] and humidity [%]; None where only the temperature is told.
    """

    t_us: int
    temp_c: float
    rel_hum_pct: float | None = None


class Shared(NamedTuple):
    """What the bays of the same air are expected to do: shape (steps, rows), [°C] and [kg/kg]."""

    air_c: Values
    ratio: Values


class Plans(msgspec.Struct, frozen=True):
    """What is known to come.

    Attributes:
        stages: (stage, first minute, last minute) counted from now; they replace the habit.
        door_open: (first minute, last minute) counted from now.
        setpoints: (from minute, °C): what the thermostat will be set to.
        outdoor: A forecast, in order of time.
    """

    stages: tuple[tuple[str, float, float], ...] = ()
    door_open: tuple[tuple[float, float], ...] = ()
    setpoints: tuple[tuple[float, float], ...] = ()
    outdoor: tuple[Outside, ...] = ()


NO_PLANS = Plans()


def stages_ahead(habits: Habits, stage: str, for_min: int) -> list[str]:
    """Return the stage of each minute ahead, when all goes as usual.

    A stage that has taken longer than usual is taken to end in a tenth of its usual time.

    Args:
        habits: What is usual.
        stage: Stage worked now, empty for none.
        for_min: Minutes it has been worked.
    """
    found: list[str] = []
    usual = habits.lasts_min.get(stage, 30.0)
    left = round(max(usual - for_min, 0.1 * usual, 1.0))
    while stage and len(found) < AHEAD_MIN:
        found += [stage] * left
        stage = habits.next.get(stage, "")
        left = round(max(habits.lasts_min.get(stage, 30.0), 1.0))
    return [*found, *([""] * AHEAD_MIN)][:AHEAD_MIN]


def minutes_in_stage(frame: BayFrame) -> npt.NDArray[np.intp]:
    """Return for how many rows the stage of each row has been worked."""
    rows = np.arange(len(frame))
    begins = np.concatenate(([True], frame.stage[1:] != frame.stage[:-1]))
    return rows - np.maximum.accumulate(np.where(begins, rows, 0))


def course_ahead(
    frame: BayFrame,
    inputs: Inputs,
    habits: Habits,
    rows: npt.NDArray[np.intp],
    plans: Plans = NO_PLANS,
    shared: Shared | None = None,
) -> Course:
    """Return what is taken to act after some rows of a history, by what was known in them.

    Args:
        frame: The history.
        inputs: The same without gaps.
        habits: What is usual.
        rows: Places to look ahead from.
        plans: What is known to come; it counts for every row.
        shared: What the bays of the same air are expected to do; None lets them settle.
    """
    minutes = np.floor(np.arange(STEPS) * STEP_MIN + STEP_MIN / 2).astype(int)
    stages = _stages(frame, habits, rows, plans)
    stage = stages[minutes]
    worked = stage != ""
    water, wet = usual_water(habits, coming(frame, rows, stages))
    now_us = frame.start_us + rows * MINUTE_US
    outdoor_c, outdoor_ratio = _outdoor(inputs, habits, rows, now_us, minutes, plans)
    if shared is None:
        fade = np.exp(-minutes / SHARED_FADES_MIN)[:, None]
        shared = Shared(
            _faded(inputs.shared_c, rows, fade), _faded(inputs.shared_ratio, rows, fade)
        )
    return Course(
        outdoor_c,
        outdoor_ratio,
        shared.air_c,
        shared.ratio,
        np.broadcast_to(inputs.pressure_pa[rows], worked.shape),
        _door(inputs, habits, rows, minutes, plans),
        water_used(stage).astype(float),
        np.isin(stage, sorted(DRY_STAGES)).astype(float),
        worked.astype(float),
        None,
        _setpoints(frame, habits, rows, worked, plans),
        habits.band_k,
        more_water=water[minutes],
        more_wet=wet[minutes],
    )


def _stages(
    frame: BayFrame, habits: Habits, rows: npt.NDArray[np.intp], plans: Plans
) -> npt.NDArray[np.str_]:
    """Return the stage of each minute ahead of each row, shape (minutes, rows)."""
    lasted = minutes_in_stage(frame)
    columns = [stages_ahead(habits, str(frame.stage[row]), int(lasted[row])) for row in rows]
    found = np.array(columns, dtype="U24").T.reshape(AHEAD_MIN, len(rows))
    for stage, first, last in plans.stages:
        found[max(0, round(first)) : max(0, round(last))] = stage
    return found


def _door(
    inputs: Inputs, habits: Habits, rows: npt.NDArray[np.intp], minutes: Values, plans: Plans
) -> Values:
    """Return the share of time the door is open; an open one is shut after the usual time."""
    found = np.zeros((len(minutes), len(rows)))
    if plans.door_open:
        for first, last in plans.door_open:
            begin = minutes - STEP_MIN / 2
            part = np.clip(np.minimum(begin + STEP_MIN, last) - np.maximum(begin, first), 0, None)
            found += np.minimum(part / STEP_MIN, 1.0)[:, None]
        return np.minimum(found, 1.0)
    left = np.maximum(habits.door_min / 2, 1.0)
    return np.where(minutes[:, None] < left, inputs.door[rows], found)


def _faded(values: Values, rows: npt.NDArray[np.intp], fade: Values) -> Values:
    """Return values that go back from what they are to their mean of the hours before."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    first = np.maximum(rows - 360, 0)
    mean = (total[rows + 1] - total[first]) / (rows + 1 - first)
    return mean + (values[rows] - mean) * fade


def _outdoor(
    inputs: Inputs,
    habits: Habits,
    rows: npt.NDArray[np.intp],
    now_us: npt.NDArray[np.int64],
    minutes: npt.NDArray[np.intp],
    plans: Plans,
) -> tuple[Values, Values]:
    shape = np.array([*habits.outdoor_k, habits.outdoor_k[0]])
    at_us = now_us + minutes[:, None] * MINUTE_US

    def usual(t_us: Values) -> Values:
        return np.interp(t_us % DAY_US / DAY_US * SLOTS, np.arange(SLOTS + 1), shape)

    temp_c = inputs.outdoor_c[rows] + OUTDOOR_TRUST * (usual(at_us) - usual(now_us))
    ratio = np.broadcast_to(inputs.outdoor_ratio[rows], temp_c.shape)
    if not plans.outdoor:
        return temp_c, ratio
    times = np.array([one.t_us for one in plans.outdoor])
    told_c = np.interp(at_us, times, [one.temp_c for one in plans.outdoor])
    behind = np.maximum(at_us, times[-1])
    told_c += OUTDOOR_TRUST * (usual(behind) - usual(times[-1]))
    pressure_pa = np.broadcast_to(inputs.pressure_pa[rows], told_c.shape)
    shares = [one.rel_hum_pct / 100 for one in plans.outdoor if one.rel_hum_pct is not None]
    if len(shares) == len(times):
        return told_c, ratio_from(told_c, np.interp(at_us, times, shares), pressure_pa)
    # What is told of no humidity keeps its water, as far as colder air can hold it.
    return told_c, np.minimum(ratio, saturated_ratio(told_c, pressure_pa))


def _setpoints(
    frame: BayFrame, habits: Habits, rows: npt.NDArray[np.intp], worked: Values, plans: Plans
) -> Values:
    """Return the middle of the thermostat's swing for each step and row [°C]."""
    now_c = filled(setpoint_now(frame, habits), 18.0)[rows]
    start_us = frame.start_us + rows * MINUTE_US
    ahead_us = (np.arange(len(worked)) * STEP_MIN * MINUTE_US).astype(np.int64)
    usual_now = usual_c(habits, start_us, frame.stage[rows] != "")
    usual = usual_c(habits, start_us + ahead_us[:, None], worked)
    found = now_c + np.nan_to_num(usual - usual_now)
    for minute, temp_c in plans.setpoints:
        found[round(minute / STEP_MIN) :] = temp_c
    return found
