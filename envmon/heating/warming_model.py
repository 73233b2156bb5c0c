"""Warming up, nights held and nights let fall, by the learned model of a bay."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.mornings import REACHED_K
from envmon.heating.warming import BY_FORECAST
from envmon.outlook.ahead import STEP_MIN, course_ahead
from envmon.outlook.fit import room_from, state_at
from envmon.outlook.forward import Course, forward
from envmon.outlook.hidden import hidden_states, inputs_of
from envmon.outlook.weather import outdoor_at
from envmon.physics.room import RoomState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.heating.model import Floats, Ints
    from envmon.heating.mornings import Morning
    from envmon.heating.warming import Aim
    from envmon.outlook.ahead import Outside
    from envmon.outlook.forward import Ahead
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts

NIGHT_STEP_MIN = 5.0
SOON_MIN, FORESEEN_MIN = 180.0, 600.0
"""So far warming is simulated at first, and for how long where some then is not done; warming
that takes longer is not foreseen."""
PUSH_K = 3.0
"""The thermostat is taken to run at full until the target: it is set this far above."""


class BayModel:
    """A bay that is simulated ahead; heat and air as the outlook learned them.

    Args:
        facts: What is learned of the bay.
        frame: Its rows up to now, by the minute; the same minutes as the past asked with it.
        aim: What is wanted.
        outdoor: The outdoors ahead by a forecast; empty for as now with the day's usual course.
    """

    kind: Literal["bay model", "past mornings", "usual"] = "bay model"

    def __init__(
        self, facts: ModelFacts, frame: BayFrame, aim: Aim, outdoor: Sequence[Outside] = ()
    ) -> None:
        self._facts, self._frame, self._aim, self._outdoor = facts, frame, aim, outdoor
        self._room = room_from(facts.constants)
        self._inputs = inputs_of(frame)
        self._states = hidden_states(self._room, self._inputs)

    @property
    def rests(self) -> str:
        """What it rests on, for a person."""
        by = BY_FORECAST if self._outdoor else ""
        return f"the bay model of {self._facts.days:.0f} days{by}"

    def warm_minutes(self, rows: Ints, waits_min: Floats) -> Floats:
        """Return how long warming takes [min], NaN for longer than foreseen (p,)."""
        took = self._warm_within(rows, waits_min, SOON_MIN)
        if np.isfinite(took).all():
            return took
        return self._warm_within(rows, waits_min, FORESEEN_MIN)

    def _warm_within(self, rows: Ints, waits_min: Floats, longest_min: float) -> Floats:
        """Return how long warming takes [min], NaN for longer than simulated behind the last."""
        steps = int((float(np.max(waits_min)) + longest_min) / NIGHT_STEP_MIN)
        times = np.arange(steps)[:, None] * NIGHT_STEP_MIN
        setpoint_c = np.where(times >= waits_min, self._aim.target_c + PUSH_K, self._aim.setback_c)
        air_c = self.course(rows, setpoint_c).air_c
        started = np.arange(steps + 1)[:, None] * NIGHT_STEP_MIN >= waits_min
        warm = started & (air_c >= self._aim.target_c - REACHED_K)
        reached = _crossed(air_c, warm, self._aim.target_c - REACHED_K)
        took = np.maximum(reached - waits_min, 0.0)
        found: Floats = np.where(warm.any(axis=0), took, np.nan)
        return found

    def ratios(self, mornings: Sequence[Morning], lead_min: float) -> Floats:
        """Return what past mornings took over what was foreseen of them."""
        kept = [one for one in mornings if one.row >= lead_min and one.minutes > 0]
        if not kept:
            return np.empty(0)
        rows = np.array([one.row - round(lead_min) for one in kept])
        said = self.warm_minutes(rows, np.full(len(rows), float(lead_min)))
        took = np.array([one.minutes for one in kept])
        found: Floats = took / np.maximum(said, 1.0)
        return np.where(np.isfinite(found), found, 2.0)

    def course(self, rows: Ints, setpoint_c: Floats) -> Ahead:
        """Return how the bay goes on from some rows under given thermostat settings.

        Args:
            rows: Minutes of the past (p,).
            setpoint_c: Settings by step of five minutes [°C] (steps, p).
        """
        unique, back = np.unique(rows, return_inverse=True)
        near = course_ahead(self._frame, self._inputs, self._facts.habits, unique)
        steps = len(setpoint_c)
        place = np.minimum((np.arange(steps) * NIGHT_STEP_MIN / STEP_MIN).astype(int),
                           len(near.door) - 1)  # fmt: skip
        idle = np.zeros((steps, 1))
        taken = Course(
            outdoor_c=self._outdoors(rows, near.outdoor_c[place][:, back]),
            outdoor_ratio=near.outdoor_ratio[place][:, back],
            shared_c=near.shared_c[place][:, back],
            shared_ratio=near.shared_ratio[place][:, back],
            pressure_pa=near.pressure_pa[place][:, back],
            door=idle, wetting=idle, fanned=idle, people=idle, setpoint_c=setpoint_c, swings=False,
        )  # fmt: skip
        state = state_at(self._states, unique)
        state = RoomState(*(getattr(state, name)[back] for name in RoomState.__slots__))
        fan_above = self._facts.constants["fan_above"].value
        return forward(self._room, state, taken, fan_above, NIGHT_STEP_MIN / 60)

    def _outdoors(self, rows: Ints, usual_c: Floats) -> Floats:
        """Return the outdoors ahead; a forecast is known of now only, not of the past."""
        if not self._outdoor:
            return usual_c
        ahead_us = np.arange(len(usual_c)) * round(NIGHT_STEP_MIN * MINUTE_US)
        told_c = outdoor_at(self._outdoor, self._frame.end_us + ahead_us)
        found: Floats = np.where(rows == len(self._frame) - 1, told_c[:, None], usual_c)
        return found

    def heat_kwh(self, ahead: Ahead) -> Floats | None:
        """Return the heat of each step [kWh] (steps, p); None where nobody knows the output."""
        if self._facts.air_j_k is None:
            return None
        per_step = self._facts.constants["heater_k_h"].value * NIGHT_STEP_MIN / 60
        found: Floats = ahead.heater[1:] * (per_step * self._facts.air_j_k / 3.6e6)
        return found


def model_or_none(
    facts: ModelFacts | None,
    frame: BayFrame | None,
    aim: Aim,
    outdoor: Sequence[Outside] = (),
) -> BayModel | None:
    """Return a bay's model where it has learned how its heater warms it; None else.

    Args:
        facts: What is learned of the bay, or None.
        frame: Its rows, the same minutes as the past that is asked with it, or None.
        aim: What is wanted.
        outdoor: The outdoors ahead by a forecast; empty for none.
    """
    if facts is None or frame is None or facts.guessing:
        return None
    if not facts.constants["heater_k_h"].told:
        return None
    return BayModel(facts, frame, aim, outdoor)


def _crossed(air_c: Floats, warm: Floats, level_c: float) -> Floats:
    """Return when the air crossed a level, between steps along a line [min] (p,)."""
    place = np.argmax(warm, axis=0)
    lane = np.arange(air_c.shape[1])
    after, before = air_c[place, lane], air_c[np.maximum(place - 1, 0), lane]
    rise = np.maximum(after - before, 1e-9)
    part = np.where(place > 0, np.clip((after - level_c) / rise, 0.0, 1.0), 0.0)
    found: Floats = (place - part) * NIGHT_STEP_MIN
    return found
