"""Moist air: dew and frost point, wet bulb, humidity ratio and what follows from them.

Conventions:

* Relative humidity is over liquid water at every temperature, as humidity sensors and the
  weather services give it; ``over="ice"`` takes it over ice.
* Below 0 °C the dew point is over supercooled water, the frost point over ice.
* Valid: −60…80 °C, 0 < RH ≤ 100 %, 60…110 kPa. Humidity sensors read up to 3 % over in
  saturated air, so up to 103 % is taken as it stands: the dew point then lies up to 0.5 K above
  the air temperature, which errs to the wet side. Nothing is clamped.
* Outside: one number raises ``InputError``; in an array the result is NaN at that place.
* A number in gives a float, any array in gives a float64 array of the broadcast shape.

Ideal-gas mixture as in ASHRAE Fundamentals 2017, ch. 1; without the real-gas enhancement
factor (below 0.5 % of the humidity ratio).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.physics.saturation import (
    LOWEST_C,
    ZERO_C_K,
    Phase,
    saturation,
    temperature_of,
)
from envmon.physics.wetbulb import MASS_RATIO, ratio_of, solve_wet_bulb

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from envmon.physics.saturation import Value

TEMP_RANGE_C = (-60.0, 80.0)
PRESSURE_RANGE_PA = (60_000.0, 110_000.0)
RH_SENSOR_ERROR_PCT = 3.0
"""So far above 100 % a humidity sensor in saturated air may read."""
STANDARD_PRESSURE_PA = 101_325.0
GAS_CONSTANT_DRY_AIR = 287.042
"""[J/(kg K)] (ASHRAE Fundamentals 2017, ch. 1, eq. 1)."""
GAS_CONSTANT_VAPOUR = 461.524
"""[J/(kg K)] (ASHRAE Fundamentals 2017, ch. 1, eq. 2)."""

_BLOCK = 16_384
"""States worked on at a time: the intermediate arrays stay in the processor's cache."""

_RANGES = {
    "temperature": (*TEMP_RANGE_C, "°C"),
    "pressure": (*PRESSURE_RANGE_PA, "Pa"),
}


def _check(value: float, kind: str) -> None:
    low, high, unit = _RANGES[kind]
    if not low <= value <= high:
        raise InputError(f"{kind} is {value:g} {unit}; allowed is {low:g} to {high:g} {unit}")


def _check_rel_hum(value: float) -> None:
    highest = 100 + RH_SENSOR_ERROR_PCT
    if not 0 < value <= highest:
        raise InputError(
            f"relative humidity is {value:g} %; allowed is above 0 to 100 % "
            f"(up to {highest:g} % as a sensor's error)"
        )


def _outside(value: Value, kind: str) -> Value:
    low, high, _ = _RANGES[kind]
    return ~((value >= low) & (value <= high))


def _rel_hum_outside(value: Value) -> Value:
    return ~((value > 0) & (value <= 100 + RH_SENSOR_ERROR_PCT))


def _in_blocks(kernel: Callable[..., Value], *values: ArrayLike) -> Any:
    """Run an array kernel over broadcast values, a block at a time."""
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values))
    flat = [array.ravel() for array in arrays]
    result = np.empty(flat[0].shape)
    for start in range(0, result.size, _BLOCK):
        part = slice(start, start + _BLOCK)
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            result[part] = kernel(*(values[part] for values in flat))
    return result.reshape(arrays[0].shape)


def _is_scalar(*values: ArrayLike) -> bool:
    return all(isinstance(value, int | float) for value in values)


def _masked(bad: Value, value: Value) -> Value:
    """Return a copy with NaN where a state is outside the valid range."""
    return np.where(bad, np.nan, value)


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
    if _is_scalar(temp_c):
        _check(temp_c, "temperature")  # type: ignore[arg-type]
        if over == "ice" and temp_c > 0.01:  # type: ignore[operator]
            raise InputError(f"ice cannot be {temp_c!r} °C; allowed is up to 0.01 °C")
        return saturation(temp_c, over, math)

    def kernel(t: Value) -> Value:
        bad = _outside(t, "temperature")
        if over == "ice":
            bad |= t > 0.01
        return saturation(_masked(bad, t), over, np)

    return _in_blocks(kernel, temp_c)


def vapour_pressure_pa(air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water") -> Any:
    """Return the partial pressure of water vapour.

    Args:
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity [%].
        over: What 100 % lies over; ice is allowed up to 0.01 °C.

    Returns:
        Vapour pressure [Pa], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.
    """
    if _is_scalar(air_temp_c, rel_hum_pct):
        _check_rel_hum(rel_hum_pct)  # type: ignore[arg-type]
        return rel_hum_pct / 100 * saturation_pressure_pa(air_temp_c, over)  # type: ignore[operator]

    def kernel(t: Value, rh: Value) -> Value:
        bad = _rel_hum_outside(rh)
        return _masked(bad, rh) / 100 * saturation_pressure_pa(t, over)

    return _in_blocks(kernel, air_temp_c, rel_hum_pct)


def _point_c(vapour_pressure: ArrayLike, phase: Phase) -> Any:
    lowest = saturation(LOWEST_C, phase, math)
    if _is_scalar(vapour_pressure):
        if not vapour_pressure >= lowest:
            raise InputError(
                f"vapour pressure is {vapour_pressure!r} Pa, drier than at {LOWEST_C:g} °C; "
                "no formula reaches so far"
            )
        return temperature_of(vapour_pressure, phase, math)
    return _in_blocks(
        lambda e: temperature_of(_masked(~(e >= lowest), e), phase, np), vapour_pressure
    )


def dew_point_c(air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water") -> Any:
    """Return the dew point, over liquid water at every temperature.

    Args:
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity [%].
        over: What 100 % lies over.

    Returns:
        Dew point [°C], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.
    """
    return _point_c(vapour_pressure_pa(air_temp_c, rel_hum_pct, over), "water")


def frost_point_c(air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water") -> Any:
    """Return the frost point, over ice; above 0 °C there is none and the dew point stands.

    Args and errors as in ``dew_point_c``.

    Returns:
        Frost point [°C], broadcast shape.
    """
    vapour = vapour_pressure_pa(air_temp_c, rel_hum_pct, over)
    dew = _point_c(vapour, "water")
    return _frost_c(vapour, dew, math if _is_scalar(vapour) else np)


_TRIPLE_PA = saturation(0.01, "water", math)
"""Below the triple point's pressure vapour settles as ice."""


def humidity_ratio_kg_kg(
    air_temp_c: ArrayLike,
    rel_hum_pct: ArrayLike,
    pressure_pa: ArrayLike = STANDARD_PRESSURE_PA,
    over: Phase = "water",
) -> Any:
    """Return the mass of water vapour per mass of dry air.

    Args:
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity [%].
        pressure_pa: Air pressure [Pa].
        over: What 100 % lies over.

    Returns:
        Humidity ratio [kg/kg], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 20.
    """
    vapour = vapour_pressure_pa(air_temp_c, rel_hum_pct, over)
    if _is_scalar(vapour, pressure_pa):
        _check(pressure_pa, "pressure")  # type: ignore[arg-type]
        return ratio_of(vapour, pressure_pa)
    return _in_blocks(
        lambda e, p: ratio_of(e, _masked(_outside(p, "pressure"), p)), vapour, pressure_pa
    )


def enthalpy_j_kg(air_temp_c: ArrayLike, humidity_ratio: ArrayLike) -> Any:
    """Return the enthalpy of moist air per mass of dry air, 0 for dry air at 0 °C.

    Args:
        air_temp_c: Air temperature [°C].
        humidity_ratio: Humidity ratio [kg/kg].

    Returns:
        Enthalpy [J/kg dry air], broadcast shape.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 30.
    """
    if _is_scalar(air_temp_c, humidity_ratio):
        _check(air_temp_c, "temperature")  # type: ignore[arg-type]
        return _enthalpy(air_temp_c, humidity_ratio)
    return _in_blocks(
        lambda t, w: _enthalpy(_masked(_outside(t, "temperature"), t), w),
        air_temp_c,
        humidity_ratio,
    )


def _enthalpy(t: Value, w: Value) -> Value:
    return 1006.0 * t + w * (2_501_000.0 + 1860.0 * t)


def specific_volume_m3_kg(
    air_temp_c: ArrayLike, humidity_ratio: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Any:
    """Return the volume of moist air per mass of dry air.

    Args:
        air_temp_c: Air temperature [°C].
        humidity_ratio: Humidity ratio [kg/kg].
        pressure_pa: Air pressure [Pa].

    Returns:
        Specific volume [m³/kg dry air], broadcast shape.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 26.
    """
    if _is_scalar(air_temp_c, humidity_ratio, pressure_pa):
        _check(air_temp_c, "temperature")  # type: ignore[arg-type]
        _check(pressure_pa, "pressure")  # type: ignore[arg-type]
        return _volume(air_temp_c, humidity_ratio, pressure_pa)

    def kernel(t: Value, w: Value, p: Value) -> Value:
        return _volume(_masked(_outside(t, "temperature") | _outside(p, "pressure"), t), w, p)

    return _in_blocks(kernel, air_temp_c, humidity_ratio, pressure_pa)


def _volume(t: Value, w: Value, p: Value) -> Value:
    return GAS_CONSTANT_DRY_AIR * (t + ZERO_C_K) * (1 + w / MASS_RATIO) / p


def density_kg_m3(
    air_temp_c: ArrayLike, humidity_ratio: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Any:
    """Return the density of moist air, dry air and vapour together [kg/m³].

    Args and errors as in ``specific_volume_m3_kg``.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 9b.
    """
    scalar = _is_scalar(humidity_ratio)
    whole = 1 + (humidity_ratio if scalar else np.asarray(humidity_ratio))  # type: ignore[operator]
    return whole / specific_volume_m3_kg(air_temp_c, humidity_ratio, pressure_pa)


def absolute_humidity_kg_m3(
    air_temp_c: ArrayLike, rel_hum_pct: ArrayLike, over: Phase = "water"
) -> Any:
    """Return the mass of water vapour per volume of air [kg/m³], broadcast shape.

    Args and errors as in ``vapour_pressure_pa``.

    Source: ideal gas law with the gas constant of water vapour.
    """
    vapour = vapour_pressure_pa(air_temp_c, rel_hum_pct, over)
    t_k = (air_temp_c if _is_scalar(air_temp_c) else np.asarray(air_temp_c)) + ZERO_C_K  # type: ignore[operator]
    return vapour / (GAS_CONSTANT_VAPOUR * t_k)


def rel_hum_pct_from_dew_point(air_temp_c: ArrayLike, dew_point: ArrayLike) -> Any:
    """Return the relative humidity over liquid water [%] from the dew point over water.

    Args:
        air_temp_c: Air temperature [°C].
        dew_point: Dew point [°C], −60…80 and at most the air temperature.

    Returns:
        Relative humidity [%], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.
    """
    if _is_scalar(air_temp_c, dew_point) and dew_point > air_temp_c:  # type: ignore[operator]
        raise InputError(
            f"dew point is {dew_point!r} °C; allowed is up to the air's {air_temp_c!r} °C"
        )
    ratio = saturation_pressure_pa(dew_point) / saturation_pressure_pa(air_temp_c)
    return 100 * ratio if _is_scalar(ratio) else np.where(ratio > 1, np.nan, 100 * ratio)


def pressure_pa_from_altitude(altitude_m: ArrayLike) -> Any:
    """Return the standard atmosphere's pressure at a height [Pa], shape of ``altitude_m``.

    Args:
        altitude_m: Height above sea level [m], −500…4000.

    Raises:
        InputError: A single height is outside the range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 3.
    """
    if _is_scalar(altitude_m):
        if not -500 <= altitude_m <= 4000:  # type: ignore[operator]
            raise InputError(f"altitude is {altitude_m!r} m; allowed is −500 to 4000 m")
        return 101_325.0 * (1 - 2.25577e-5 * altitude_m) ** 5.2559  # type: ignore[operator]
    z = np.asarray(altitude_m, dtype=np.float64)
    inside = (z >= -500) & (z <= 4000)
    return 101_325.0 * (1 - 2.25577e-5 * np.where(inside, z, np.nan)) ** 5.2559


def wet_bulb_c(
    air_temp_c: ArrayLike,
    rel_hum_pct: ArrayLike,
    pressure_pa: ArrayLike = STANDARD_PRESSURE_PA,
    over: Phase = "water",
) -> Any:
    """Return the thermodynamic wet-bulb temperature.

    Water is on the bulb as long as that gives 0 °C or more, ice below. The two solutions lie up
    to 0.7 K apart at 0 °C, so just under it no value occurs: that step is in nature.

    Args:
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity [%].
        pressure_pa: Air pressure [Pa].
        over: What 100 % lies over.

    Returns:
        Wet bulb [°C], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 33 and 35.
    """
    vapour = vapour_pressure_pa(air_temp_c, rel_hum_pct, over)
    if _is_scalar(vapour, pressure_pa):
        _check(pressure_pa, "pressure")  # type: ignore[arg-type]
        dew = _point_c(vapour, "water")
        return solve_wet_bulb(air_temp_c, vapour, dew, pressure_pa, math)

    def kernel(t: Value, e: Value, p: Value) -> Value:
        return solve_wet_bulb(t, e, _point_c(e, "water"), _masked(_outside(p, "pressure"), p), np)

    return _in_blocks(kernel, air_temp_c, vapour, pressure_pa)


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
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity over liquid water [%].
        pressure_pa: Air pressure [Pa].

    Returns:
        Named values, broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.
    """
    if _is_scalar(air_temp_c, rel_hum_pct, pressure_pa):
        _check(pressure_pa, "pressure")  # type: ignore[arg-type]
        vapour = vapour_pressure_pa(air_temp_c, rel_hum_pct)
        return _state(air_temp_c, vapour, pressure_pa, math)
    arrays = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (air_temp_c, rel_hum_pct, pressure_pa))
    )
    t, rh, p = (array.ravel() for array in arrays)
    found = np.empty((len(MoistAir._fields), t.size))
    for start in range(0, t.size, _BLOCK):
        part = slice(start, start + _BLOCK)
        block_p = _masked(_outside(p[part], "pressure"), p[part])
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            vapour = vapour_pressure_pa(t[part], rh[part])
            found[:, part] = _state(t[part], vapour, block_p, np)
    return MoistAir(*found.reshape(-1, *arrays[0].shape))


def _state(t: Value, vapour: Value, p: Value, xp: Any) -> MoistAir:
    dew = _point_c(vapour, "water")
    ratio = ratio_of(vapour, p)
    return MoistAir(
        dew,
        _frost_c(vapour, dew, xp),
        solve_wet_bulb(t, vapour, dew, p, xp),
        vapour,
        ratio,
        vapour / (GAS_CONSTANT_VAPOUR * (t + ZERO_C_K)),
        _enthalpy(t, ratio),
    )


def _frost_c(vapour: Value, dew: Value, xp: Any) -> Value:
    icy = vapour < _TRIPLE_PA
    if xp is math:
        return _point_c(vapour, "ice") if icy else dew
    frost = dew.copy()
    if icy.any():
        frost[icy] = _point_c(vapour[icy], "ice")
    return frost
