"""A bay simulated forward, many origins and sets of constants at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.outlook.hidden import fan_share
from envmon.physics.room import Drive, advance, air_heat, rel_hum_share

if TYPE_CHECKING:
    from envmon.outlook.frame import Values
    from envmon.physics.room import Room, RoomState

FADES_H = 0.75
"""An unknown source of heat or water is taken to fade in this time [h]."""
SETTLES_H = 0.08
"""A thermostat holds the mean of its swing about this quickly [h]."""


@dataclass(frozen=True, slots=True)
class Course:
    """What is taken to act ahead: a row a step; each of shape (steps, origins).

    Attributes:
        outdoor_c: Outdoors [°C].
        outdoor_ratio: Outdoors [kg/kg].
        shared_c: Bays of the same air [°C].
        shared_ratio: Bays of the same air [kg/kg].
        pressure_pa: Air pressure [Pa].
        door: Share of time the door is open.
        wetting: 1 while water is used.
        fanned: 1 while the fan may run on its own switch.
        people: 1 while somebody works.
        heater: Share of the heater's output, where it is known; else the thermostat decides.
        setpoint_c: Middle of the thermostat's swing [°C].
        band_k: Half of that swing [K].
        swings: Whether the thermostat's swing is followed, or only its mean; per lane.
        more_water: Vapour that water in use gives off beyond the model [kg/(kg·h)].
        more_wet: Exchange with wet surfaces beyond the model [1/h].
    """

    outdoor_c: Values
    outdoor_ratio: Values
    shared_c: Values
    shared_ratio: Values
    pressure_pa: Values
    door: Values
    wetting: Values
    fanned: Values
    people: Values
    heater: Values | None = None
    setpoint_c: Values | None = None
    band_k: float = 0.4
    swings: Any = True
    more_water: Values | None = None
    more_wet: Values | None = None


class Ahead(NamedTuple):
    """What a simulation gives, at the start and after each step: shape (steps + 1, …)."""

    air_c: Values
    ratio: Values
    share: Values
    panel_c: Values
    heater: Values


class Unknown(NamedTuple):
    """Sources nobody told of, as they are now: heat [K/h], vapour [kg/(kg·h)]."""

    heat: Any = 0.0
    water: Any = 0.0


NOTHING_UNKNOWN = Unknown()


def forward(  # noqa: PLR0913, PLR0917 - the equation's own parts
    room: Room,
    state: RoomState,
    course: Course,
    fan_above: Any,
    step_h: float,
    unknown: Unknown = NOTHING_UNKNOWN,
    heater_now: Any = 0.0,
) -> Ahead:
    """Return how air, humidity and panel go on.

    Args:
        room: Constants, broadcast against the state.
        state: What the bay holds now, shape (…, origins).
        course: What is taken to act.
        fan_above: Humidity at which the fan is switched, 0…1.
        step_h: Length of a step [h].
        unknown: Sources nobody told of; they fade.
        heater_now: 1 where the heater is on now.
    """
    steps = len(course.outdoor_c)
    given = 0.0 if course.heater is None else course.heater[0]
    parts = (state.air_c, state.mass_c, room.mass_rate, unknown.heat, given)
    shape = np.broadcast_shapes(*map(np.shape, parts))
    found = Ahead(*(np.empty((steps + 1, *shape)) for _ in Ahead._fields))
    share = rel_hum_share(state.air_c, state.ratio, course.pressure_pa[0])
    heater = np.broadcast_to(np.asarray(heater_now, dtype=float), shape)
    _note(found, 0, state, share, heater)
    for step in range(steps):
        fade = float(np.exp(-(step + 0.5) * step_h / FADES_H))
        drive = Drive(
            course.outdoor_c[step], course.outdoor_ratio[step], course.shared_c[step],
            course.shared_ratio[step], course.pressure_pa[step], 0.0, course.door[step],
            fan_share(course.fanned[step], share, fan_above), course.wetting[step],
            course.people[step], unknown.heat * fade,
            unknown.water * fade + _at(course.more_water, step), _at(course.more_wet, step),
        )  # fmt: skip
        heater = _heater(room, state, drive, course, step, heater)
        state = advance(room, state, replace(drive, heater=heater), step_h)
        share = rel_hum_share(state.air_c, state.ratio, drive.pressure_pa)
        # Air holds no more than saturation; the rest is fog that settles.
        state = _without_fog(state, share)
        share = np.minimum(share, 1.0)
        _note(found, step + 1, state, share, heater)
    return found


def _at(rows: Values | None, step: int) -> Any:
    return 0.0 if rows is None else rows[step]


def _note(found: Ahead, step: int, state: RoomState, share: Any, heater: Any) -> None:
    values = (state.air_c, state.ratio, share, state.panel_c, heater)
    for rows, value in zip(found, values, strict=True):
        rows[step] = value


def _without_fog(state: RoomState, share: Any) -> RoomState:
    return replace(state, ratio=state.ratio / np.maximum(share, 1.0))


def _heater(
    room: Room, state: RoomState, drive: Drive, course: Course, step: int, before: Any
) -> Any:
    """Return the share of the heater's output in a step."""
    if course.heater is not None:
        return course.heater[step]
    assert course.setpoint_c is not None
    setpoint_c = course.setpoint_c[step]
    off_k = state.air_c - setpoint_c
    on = np.where(off_k < -course.band_k, 1.0, np.where(off_k > course.band_k, 0.0, before))
    source, rate = air_heat(room, state, drive)
    wanted = -off_k / SETTLES_H - (source - rate * state.air_c)
    mean = np.clip(wanted / room.heater_k_h, 0.0, 1.0)
    return np.where(course.swings, np.round(on), mean)
