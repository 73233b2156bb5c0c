"""Moist air: dew and frost point, wet bulb, humidity ratio and what follows from them.

Conventions:

* Relative humidity is over liquid water at every temperature, as humidity sensors and the
  weather services give it; ``over="ice"`` takes it over ice and is allowed up to 0.01 °C.
* The dew point is over water (supercooled below 0 °C), the frost point over ice.
* Valid: −60…80 °C, 0 < RH ≤ 100 %, 60…110 kPa. A humidity sensor in saturated air reads up to
  ``RH_SENSOR_ERROR_PCT`` over, so up to 103 % is worked out as it stands, not cut to 100: the
  dew point then lies up to 0.5 K above air of 20 °C, an error to the wet, safe side.
* Outside: one number raises ``InputError``, NaN too; in an array that place becomes NaN.
* Numbers in give a float, any array in gives a float64 array of the broadcast shape.

Ideal-gas mixture as in ASHRAE Fundamentals 2017, ch. 1, without the real-gas enhancement factor
(0.4–0.7 % of the humidity ratio).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.physics import kernels
from envmon.physics.mixture import (
    STANDARD_PRESSURE_PA,
    density_kg_m3,
    enthalpy_j_kg,
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
from envmon.physics.saturation import Phase, saturation

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

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
    return evaluate(kernels.vapour, (_TEMP[over], REL_HUM), (air_temp_c, rel_hum_pct), (over,))


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
    return evaluate(kernels.dew_point, (_TEMP[over], REL_HUM), (air_temp_c, rel_hum_pct), (over,))


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
    return evaluate(kernels.frost_point, (_TEMP[over], REL_HUM), (air_temp_c, rel_hum_pct), (over,))


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
    return evaluate(kernels.humidity_ratio, limits, (air_temp_c, rel_hum_pct, pressure_pa), (over,))


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
    return evaluate(kernels.absolute_humidity, limits, (air_temp_c, rel_hum_pct), (over,))


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
    return evaluate(kernels.rel_hum, (_TEMP[over], POINT), (air_temp_c, dew_point_c), (over,))


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
    water stays on the bulb, supercooled, and there is no step. Air below 0 °C that is saturated
    over water is over-saturated over ice: the ice bulb then reads up to 0.6 K above the air, and
    exactly 0 °C where water would freeze and ice melt.

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
    return evaluate(kernels.wet_bulb, limits, values, (over, below_zero))


class MoistAir(NamedTuple):
    """What follows from a state of the air; floats, or arrays of one shape."""

    dew_point_c: Any
    frost_point_c: Any
    wet_bulb_c: Any
    vapour_pressure_pa: Any
    humidity_ratio_kg_kg: Any
    absolute_humidity_kg_m3: Any
    enthalpy_j_kg: Any


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
    return MoistAir(*evaluate(kernels.state, limits, values, outputs=len(MoistAir._fields)))
