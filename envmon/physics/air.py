"""Moist air: dew and frost point, wet bulb, humidity ratio and what follows from them.

Conventions:

* Relative humidity is over liquid water at every temperature, as humidity sensors and the
  weather services give it; ``over="ice"`` takes it over ice and is allowed up to 0.01 °C.
* The dew point is over water (supercooled below 0 °C), the frost point over ice.
* Valid: −60…80 °C, 0 < RH ≤ 100 %, 60…110 kPa. A humidity sensor in saturated air reads up to
  ``RH_SENSOR_ERROR_PCT`` over, so up to 103 % is worked out as it stands, not cut to 100: the
  dew point then lies up to 0.7 K above the air temperature, an error to the wet, safe side.
* Outside: one number raises ``InputError``, NaN too; in an array that place becomes NaN.
* Numbers in give a float, any array in gives a float64 array of the broadcast shape.

Ideal-gas mixture as in ASHRAE Fundamentals 2017, ch. 1, without the real-gas enhancement factor
(0.4–0.7 % of the humidity ratio).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.physics.mixture import (
    GAS_CONSTANT_VAPOUR,
    STANDARD_PRESSURE_PA,
    density_kg_m3,
    enthalpy_j_kg,
    enthalpy_of,
    pressure_pa_from_altitude,
    specific_volume_m3_kg,
)
from envmon.physics.ranges import (
    AIR_TEMP,
    ICE_TEMP,
    POINT,
    PRESSURE,
    REL_HUM,
    RH_SENSOR_ERROR_PCT,
    Limit,
    evaluate,
)
from envmon.physics.saturation import (
    LOWEST_C,
    LOWEST_PA,
    TRIPLE_PA,
    ZERO_C_K,
    Phase,
    saturation,
    split,
    temperature_of,
)
from envmon.physics.wetbulb import ratio_of, solve_wet_bulb

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from envmon.physics.saturation import Value

__all__ = [
    "RH_SENSOR_ERROR_PCT",
    "STANDARD_PRESSURE_PA",
    "MoistAir",
    "absolute_humidity_kg_m3",
    "density_kg_m3",
    "dew_point_c",
    "enthalpy_j_kg",
    "frost_point_c",
    "humidity_ratio_kg_kg",
    "moist_air_state",
    "pressure_pa_from_altitude",
    "rel_hum_pct_from_dew_point",
    "saturation_pressure_pa",
    "specific_volume_m3_kg",
    "vapour_pressure_pa",
    "wet_bulb_c",
]

_TEMP: dict[Phase, Limit] = {"water": AIR_TEMP, "ice": ICE_TEMP}


def _vapour(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    return rh / 100 * saturation(t, over, xp)


def _point(e: Value, over: Phase, xp: Any) -> Value:
    """Return the saturation temperature of a vapour pressure that is neither too thin."""
    lowest = LOWEST_PA[over]
    if xp is not math:
        return temperature_of(np.where(e < lowest, np.nan, e), over, xp)
    if e < lowest:
        raise InputError(
            f"vapour pressure is {e:.3g} Pa, drier than saturated air at {LOWEST_C:g} °C, "
            "where the formulas end: check the humidity sensor"
        )
    return temperature_of(e, over, xp)


def _frost(e: Value, dew: Value, xp: Any) -> Value:
    """Return the frost point; vapour too thick for ice keeps its dew point."""
    return split(xp, e < TRIPLE_PA, lambda e, _: _point(e, "ice", xp), lambda _, dew: dew, e, dew)


def _dew_point(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    return _point(_vapour(t, rh, over, xp), "water", xp)


def _frost_point(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    e = _vapour(t, rh, over, xp)

    def dew(e: Value) -> Value:
        return _point(e, "water", xp)

    return split(xp, e < TRIPLE_PA, lambda e: _point(e, "ice", xp), dew, e)


def _humidity_ratio(t: Value, rh: Value, p: Value, over: Phase, xp: Any) -> Value:
    return ratio_of(_vapour(t, rh, over, xp), p)


def _absolute_humidity(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    return _vapour(t, rh, over, xp) / (GAS_CONSTANT_VAPOUR * (t + ZERO_C_K))


def _wet_bulb(t: Value, rh: Value, p: Value, over: Phase, below_zero: Phase, xp: Any) -> Value:  # noqa: PLR0913
    return solve_wet_bulb(t, _vapour(t, rh, over, xp), rh, p, below_zero, xp)


def _rel_hum(t: Value, dew: Value, over: Phase, xp: Any) -> Value:
    rel_hum = 100 * saturation(dew, "water", xp) / saturation(t, over, xp)
    if xp is math:
        if rel_hum > REL_HUM.high:
            raise InputError(
                f"dew point is {dew:.6g} °C; allowed is up to the air's {t:.6g} °C "
                f"(relative humidity would be {rel_hum:.4g} %): check the two sensors"
            )
        return rel_hum
    return np.where(rel_hum > REL_HUM.high, np.nan, rel_hum)


def saturation_pressure_pa(temp_c: ArrayLike, over: Phase = "water") -> Any:
    """Return the pressure of saturated water vapour.

    Args:
        temp_c: Temperature [°C], −60…80; over ice up to 0.01.
        over: Over liquid water (supercooled below 0 °C) or over ice.

    Returns:
        Saturation pressure [Pa], shape of ``temp_c``.

    Raises:
        InputError: A single temperature is outside the range.

    Source: see ``envmon.physics.saturation``.
    """
    return evaluate(saturation, (_TEMP[over],), (temp_c,), (over,))


def vapour_pressure_pa(air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water") -> Any:
    """Return the partial pressure of water vapour.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        rel_hum_pct: Relative humidity [%], above 0…100 and the sensor's error.
        over: What 100 % lies over.

    Returns:
        Vapour pressure [Pa], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: definition of relative humidity (ASHRAE Fundamentals 2017, ch. 1, eq. 22).
    """
    return evaluate(_vapour, (_TEMP[over], REL_HUM), (air_temp_c, rel_hum_pct), (over,))


def dew_point_c(air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water") -> Any:
    """Return the dew point, over liquid water at every temperature.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        rel_hum_pct: Relative humidity [%], above 0…100 and the sensor's error.
        over: What 100 % lies over.

    Returns:
        Dew point [°C], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range, or its dew point below −150 °C.

    Source: inverse of ``saturation_pressure_pa`` over water, solved to 1e-9 K.
    """
    return evaluate(_dew_point, (_TEMP[over], REL_HUM), (air_temp_c, rel_hum_pct), (over,))


def frost_point_c(air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water") -> Any:
    """Return the frost point, over ice; where only dew can form (above 0.01 °C), the dew point.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        rel_hum_pct: Relative humidity [%], above 0…100 and the sensor's error.
        over: What 100 % lies over.

    Returns:
        Frost point [°C], broadcast shape. Below 0 °C it lies above the dew point, and in air
        near saturation over water even above the air temperature.

    Raises:
        InputError: A single state is outside the valid range, or its frost point below −150 °C.

    Source: inverse of ``saturation_pressure_pa`` over ice, solved to 1e-9 K.
    """
    return evaluate(_frost_point, (_TEMP[over], REL_HUM), (air_temp_c, rel_hum_pct), (over,))


def humidity_ratio_kg_kg(
    air_temp_c: ArrayLike,
    rel_hum_pct: ArrayLike,
    pressure_pa: ArrayLike = STANDARD_PRESSURE_PA,
    over: Phase = "water",
) -> Any:
    """Return the mass of water vapour per mass of dry air.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        rel_hum_pct: Relative humidity [%], above 0…100 and the sensor's error.
        pressure_pa: Air pressure [Pa], 60 000…110 000.
        over: What 100 % lies over.

    Returns:
        Humidity ratio [kg/kg], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 20.
    """
    limits = (_TEMP[over], REL_HUM, PRESSURE)
    return evaluate(_humidity_ratio, limits, (air_temp_c, rel_hum_pct, pressure_pa), (over,))


def absolute_humidity_kg_m3(
    air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water"
) -> Any:
    """Return the mass of water vapour per volume of air.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        rel_hum_pct: Relative humidity [%], above 0…100 and the sensor's error.
        over: What 100 % lies over.

    Returns:
        Absolute humidity [kg/m³], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ideal gas law with the gas constant of water vapour.
    """
    limits = (_TEMP[over], REL_HUM)
    return evaluate(_absolute_humidity, limits, (air_temp_c, rel_hum_pct), (over,))


def rel_hum_pct_from_dew_point(
    air_temp_c: ArrayLike, dew_point_c: ArrayLike, over: Phase = "water"
) -> Any:
    """Return the relative humidity that belongs to a dew point.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        dew_point_c: Dew point over water [°C], −150…81, and not above the air temperature by
            more than the humidity sensor's error amounts to.
        over: What 100 % lies over.

    Returns:
        Relative humidity [%], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: definition of relative humidity (ASHRAE Fundamentals 2017, ch. 1, eq. 22).
    """
    return evaluate(_rel_hum, (_TEMP[over], POINT), (air_temp_c, dew_point_c), (over,))


def wet_bulb_c(
    air_temp_c: ArrayLike,
    rel_hum_pct: ArrayLike,
    pressure_pa: ArrayLike = STANDARD_PRESSURE_PA,
    over: Phase = "water",
    below_zero: Phase = "ice",
) -> Any:
    """Return the thermodynamic wet-bulb temperature.

    Water is on the bulb as long as that gives 0 °C or more. Where it would give less, ice is,
    up to 0.7 K colder, so that the wet bulb makes a step there; with ``below_zero="water"`` the
    water stays on the bulb, supercooled, and there is no step.

    Args:
        air_temp_c: Air temperature [°C], −60…80; over ice up to 0.01.
        rel_hum_pct: Relative humidity [%], above 0…100 and the sensor's error.
        pressure_pa: Air pressure [Pa], 60 000…110 000.
        over: What 100 % lies over.
        below_zero: What is on the bulb below 0 °C.

    Returns:
        Wet bulb [°C], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 33 (water) and 35 (ice), solved to 1e-9 K.
    """
    limits = (_TEMP[over], REL_HUM, PRESSURE)
    values = (air_temp_c, rel_hum_pct, pressure_pa)
    return evaluate(_wet_bulb, limits, values, (over, below_zero))


class MoistAir(NamedTuple):
    """What follows from a state of the air; floats, or arrays of one shape."""

    dew_point_c: Any
    frost_point_c: Any
    wet_bulb_c: Any
    vapour_pressure_pa: Any
    humidity_ratio_kg_kg: Any
    absolute_humidity_kg_m3: Any
    enthalpy_j_kg: Any


def _state(t: Value, rh: Value, p: Value, xp: Any) -> tuple[Value, ...]:
    e = _vapour(t, rh, "water", xp)
    dew = _point(e, "water", xp)
    ratio = ratio_of(e, p)
    return (
        dew,
        _frost(e, dew, xp),
        solve_wet_bulb(t, e, rh, p, "ice", xp),
        e,
        ratio,
        e / (GAS_CONSTANT_VAPOUR * (t + ZERO_C_K)),
        enthalpy_of(t, ratio, xp),
    )


def moist_air_state(
    air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> MoistAir:
    """Return everything about a state at once, nothing worked out twice.

    Args:
        air_temp_c: Air temperature [°C], −60…80.
        rel_hum_pct: Relative humidity over liquid water [%], above 0…100 and the sensor's error.
        pressure_pa: Air pressure [Pa], 60 000…110 000.

    Returns:
        The same values, by name, as the functions called one by one; broadcast shape.

    Raises:
        InputError: A single state is outside the valid range, or its dew point below −150 °C.
    """
    limits = (AIR_TEMP, REL_HUM, PRESSURE)
    values = (air_temp_c, rel_hum_pct, pressure_pa)
    return MoistAir(*evaluate(_state, limits, values, outputs=len(MoistAir._fields)))
