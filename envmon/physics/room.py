"""A bay as few stores of heat and water: air, mass behind it, films, what wood holds, a vehicle.

All flows are per heat capacity (or dry mass) of the air, so that rates are in 1/h and follow from
temperatures alone; watts need one number more, the air's heat capacity in J/K. Values are floats
or arrays of one shape: many bays, windows or sets of constants are stepped at once.

Heat of evaporation is taken from the surfaces only in so far as the fitted constants hold it.

Sources: exchange of a large opening ∝ √ΔT (Brown and Solvason 1962, from memory); infiltration
n0 + n1·|ΔT| and a moisture buffer of one store are textbook forms (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.physics.saturation import saturation
from envmon.physics.wetbulb import MASS_RATIO, ratio_of

if TYPE_CHECKING:
    from envmon.physics.saturation import Value


@dataclass(frozen=True, slots=True)
class Room:
    """Constants of a bay.

    Attributes:
        mass_rate: Heat from air to mass, per capacity of the air [1/h].
        mass_share: Heat capacity of the mass over that of the air.
        loss_air: Heat from air straight to the outside, glazing and leaks alike [1/h].
        loss_mass: Heat from the mass to the outside, per capacity of the air [1/h].
        heater_k_h: What the heater would warm the air by without any loss [K/h].
        leak: Changes of air by the outdoors at no difference of temperature [1/h].
        leak_k: More changes for each kelvin of difference [1/(h·K)].
        door: Changes through the open door for each √K of difference [1/(h·√K)].
        fan: Changes by the fan [1/h].
        shared: Changes of air with the bays of the same air [1/h].
        standing: Exchange with water that never dries, as changes by saturated air [1/h].
        film: Exchange with surfaces that are wet all over [1/h].
        film_dry_h: In which wet surfaces dry [h].
        mist: Exchange with spray while it flies [1/h].
        people: Vapour that work gives off [kg/(kg·h)].
        buffer: Water that wood and towels take up from 0 to 100 % humidity [kg/kg].
        buffer_h: In which they do [h].
        air_share: Heat capacity of the air alone over that of air and light things.
        panel_rate: Heat from surroundings to panel, per its capacity [1/h].
        core_rate: Heat from the mass behind to the panel, per its capacity [1/h].
        core_h: In which that mass follows the panel [h].
    """

    mass_rate: Value
    mass_share: Value
    loss_air: Value
    loss_mass: Value
    heater_k_h: Value
    leak: Value
    leak_k: Value
    door: Value
    fan: Value
    shared: Value
    standing: Value
    film: Value
    film_dry_h: Value
    mist: Value
    people: Value
    buffer: Value
    buffer_h: Value
    air_share: Value
    panel_rate: Value
    core_rate: Value
    core_h: Value


@dataclass(frozen=True, slots=True)
class RoomState:
    """What a bay holds.

    Attributes:
        air_c: Air [°C].
        mass_c: Slab and inner walls [°C].
        ratio: Humidity ratio [kg/kg].
        film: Share of the surfaces that is wet, 0…1.
        held: Humidity that wood and towels are in balance with, 0…1.
        panel_c: Panel [°C].
        core_c: Mass behind the panel [°C].
    """

    air_c: Value
    mass_c: Value
    ratio: Value
    film: Value
    held: Value
    panel_c: Value
    core_c: Value


@dataclass(frozen=True, slots=True)
class Drive:
    """What acts on a bay during a step.

    Attributes:
        outdoor_c: Outdoors [°C].
        outdoor_ratio: Humidity ratio outdoors [kg/kg].
        shared_c: Air of the bays that share it [°C]; without any its own.
        shared_ratio: Their humidity ratio [kg/kg].
        pressure_pa: Air pressure [Pa].
        heater: Share of the heater's output, 0…1.
        door: Share of the time the door is open, 0…1.
        fan: Share of the time the fan runs, 0…1.
        wetting: 1 while water is used, else 0.
        people: 1 while somebody works, else 0.
        more_heat: Heat from what nobody told of [K/h].
        more_water: Vapour from what nobody told of [kg/(kg·h)].
        more_wet: Exchange with wet surfaces beyond what the film says; may be less than 0 [1/h].
    """

    outdoor_c: Value
    outdoor_ratio: Value
    shared_c: Value
    shared_ratio: Value
    pressure_pa: Value
    heater: Value = 0.0
    door: Value = 0.0
    fan: Value = 0.0
    wetting: Value = 0.0
    people: Value = 0.0
    more_heat: Value = 0.0
    more_water: Value = 0.0
    more_wet: Value = 0.0


def saturated_ratio(temp_c: Value, pressure_pa: Value) -> Any:
    """Return the humidity ratio of saturated air [kg/kg] at [°C] and [Pa]; no range check."""
    return ratio_of(saturation(np.asarray(temp_c, dtype=float), "water", np), pressure_pa)


def rel_hum_share(temp_c: Value, ratio: Value, pressure_pa: Value) -> Any:
    """Return relative humidity 0…1 at [°C], [kg/kg] and [Pa]; no range check."""
    vapour_pa = ratio * pressure_pa / (MASS_RATIO + ratio)
    return vapour_pa / saturation(np.asarray(temp_c, dtype=float), "water", np)


def outdoor_changes(room: Room, state: RoomState, drive: Drive) -> Any:
    """Return the changes of air by the outdoors through cracks, door and fan [1/h]."""
    apart_k = np.abs(state.air_c - drive.outdoor_c)
    crack = room.leak + room.leak_k * apart_k
    return crack + drive.door * room.door * np.sqrt(apart_k) + drive.fan * room.fan


def air_heat(room: Room, state: RoomState, drive: Drive) -> tuple[Any, Any]:
    """Return source [K/h] and rate [1/h] of the air's temperature: dT/dt = source − rate·T.

    What cracks let in is part of ``loss_air``; fan and door come on top.
    """
    crack = room.leak + room.leak_k * np.abs(state.air_c - drive.outdoor_c)
    out = room.loss_air + room.air_share * (outdoor_changes(room, state, drive) - crack)
    shared = room.air_share * room.shared
    heat = room.heater_k_h * drive.heater + drive.more_heat
    source = room.mass_rate * state.mass_c + out * drive.outdoor_c + shared * drive.shared_c + heat
    return source, room.mass_rate + out + shared


def _air_water(room: Room, state: RoomState, drive: Drive) -> tuple[Any, Any]:
    """Return source [kg/(kg·h)] and rate [1/h] of the humidity ratio, what wood holds left out."""
    out = outdoor_changes(room, state, drive)
    wet = np.maximum(room.standing + room.film * state.film + drive.more_wet, 0.0)
    mist = room.mist * drive.wetting
    source = (
        out * drive.outdoor_ratio
        + room.shared * drive.shared_ratio
        + wet * saturated_ratio(state.mass_c, drive.pressure_pa)
        + mist * saturated_ratio(state.air_c, drive.pressure_pa)
        + room.people * drive.people
        + drive.more_water
    )
    return source, out + room.shared + wet + mist


def room_rates(room: Room, state: RoomState, drive: Drive) -> RoomState:
    """Return how fast everything changes, per hour.

    Args:
        room: Constants.
        state: What the bay holds.
        drive: What acts on it.
    """
    heat, heat_rate = air_heat(room, state, drive)
    water, water_rate = _air_water(room, state, drive)
    humidity = rel_hum_share(state.air_c, state.ratio, drive.pressure_pa)
    taken = (humidity - state.held) / room.buffer_h
    around_c = (state.air_c + state.mass_c) / 2
    mass = room.mass_rate * (state.air_c - state.mass_c)
    mass = mass + room.loss_mass * (drive.outdoor_c - state.mass_c)
    panel = room.panel_rate * (around_c - state.panel_c)
    panel = panel + room.core_rate * (state.core_c - state.panel_c)
    return RoomState(
        air_c=heat - heat_rate * state.air_c,
        mass_c=mass / room.mass_share,
        ratio=water - water_rate * state.ratio - room.buffer * taken,
        film=_film_rate(room, state.film, drive.wetting),
        held=taken,
        panel_c=panel,
        core_c=(state.panel_c - state.core_c) / room.core_h,
    )


WETTED_H = 0.15
"""Water in use wets the surfaces in about this time [h]."""


def _film_rate(room: Room, film: Value, wetting: Value) -> Any:
    return wetting * (1 - film) / WETTED_H - (1 - wetting) * film / room.film_dry_h


def advance(room: Room, state: RoomState, drive: Drive, step_h: float) -> RoomState:
    """Return what a bay holds a step later.

    Each store is moved exactly by what acts at the middle of the step (exponential midpoint rule,
    second order), so that no step is too long for an open door.

    Args:
        room: Constants.
        state: What the bay holds.
        drive: What acts on it, as a mean over the step.
        step_h: Length of the step [h].
    """
    middle = _moved(room, state, state, drive, step_h / 2)
    return _moved(room, state, middle, drive, step_h)


def _moved(
    room: Room, state: RoomState, acting: RoomState, drive: Drive, step_h: float
) -> RoomState:
    heat, heat_rate = air_heat(room, acting, drive)
    water, water_rate = _air_water(room, acting, drive)
    # Humidity is nearly proportional to the ratio, so the buffer is a rate of it like the others.
    humidity = rel_hum_share(acting.air_c, acting.ratio, drive.pressure_pa)
    takes = room.buffer / room.buffer_h
    water = water + takes * acting.held
    water_rate = water_rate + takes * humidity / np.maximum(acting.ratio, 1e-9)
    mass = room.mass_rate * acting.air_c + room.loss_mass * drive.outdoor_c
    film = drive.wetting / WETTED_H
    around_c = (acting.air_c + acting.mass_c) / 2
    panel = room.panel_rate * around_c + room.core_rate * acting.core_c
    panel_rate = room.panel_rate + room.core_rate
    return RoomState(
        air_c=_relaxed(state.air_c, heat, heat_rate, step_h),
        mass_c=_relaxed(
            state.mass_c,
            mass / room.mass_share,
            (room.mass_rate + room.loss_mass) / room.mass_share,
            step_h,
        ),
        ratio=_relaxed(state.ratio, water, water_rate, step_h),
        film=_relaxed(state.film, film, film + (1 - drive.wetting) / room.film_dry_h, step_h),
        held=_relaxed(state.held, humidity / room.buffer_h, 1 / room.buffer_h, step_h),
        panel_c=_relaxed(state.panel_c, panel, panel_rate, step_h),
        core_c=_relaxed(state.core_c, acting.panel_c / room.core_h, 1 / room.core_h, step_h),
    )


def _relaxed(value: Value, source: Any, rate: Any, step_h: float) -> Any:
    """Return the solution of dx/dt = source − rate·x after a step, exact for constant factors."""
    settled = source / rate
    return settled + (value - settled) * np.exp(-rate * step_h)


def heat_loss_w_k(room: Room, air_j_k: float) -> Any:
    """Return what a bay loses for each kelvin between steady air and outdoors [W/K].

    Args:
        room: Constants.
        air_j_k: Heat capacity of air and light things [J/K].
    """
    through = room.mass_rate * room.loss_mass / (room.mass_rate + room.loss_mass)
    return (room.loss_air + through) * air_j_k / 3600


CONSTANTS: tuple[str, ...] = tuple(f.name for f in fields(Room))
"""Names of a room's constants."""
