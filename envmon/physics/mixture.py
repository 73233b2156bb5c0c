"""Air and vapour as a mixture of ideal gases: what follows from a humidity ratio or a pressure.

Ranges, errors and array behaviour as in ``envmon.physics.air``, which offers all of these too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.physics.ranges import AIR_TEMP, ALTITUDE, PRESSURE, RATIO, evaluate
from envmon.physics.saturation import ZERO_C_K
from envmon.physics.wetbulb import HEAT_DRY_AIR, HEAT_VAPOUR, LATENT_HEAT, MASS_RATIO

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from envmon.physics.saturation import Value

STANDARD_PRESSURE_PA = 101_325.0
GAS_CONSTANT_DRY_AIR = 287.042
"""[J/(kg K)] (ASHRAE Fundamentals 2017, ch. 1, eq. 1)."""
GAS_CONSTANT_VAPOUR = 461.524
"""[J/(kg K)] (ASHRAE Fundamentals 2017, ch. 1, eq. 2)."""


def enthalpy_of(t: Value, ratio: Value, _xp: Any) -> Value:
    """Return the enthalpy [J/kg dry air]; no range check."""
    return 1000 * (HEAT_DRY_AIR * t + ratio * (LATENT_HEAT + HEAT_VAPOUR * t))


def volume_of(t: Value, ratio: Value, p: Value, _xp: Any) -> Value:
    """Return the specific volume [m³/kg dry air]; no range check."""
    return GAS_CONSTANT_DRY_AIR * (t + ZERO_C_K) * (1 + ratio / MASS_RATIO) / p


def _density_of(t: Value, ratio: Value, p: Value, xp: Any) -> Value:
    return (1 + ratio) / volume_of(t, ratio, p, xp)


def standard_atmosphere_pa(altitude_m: Value, _xp: Any) -> Value:
    """Return the standard atmosphere's pressure [Pa]; no range check."""
    return STANDARD_PRESSURE_PA * (1 - 2.25577e-5 * altitude_m) ** 5.2559


def enthalpy_j_kg(air_temp_c: ArrayLike, humidity_ratio: ArrayLike) -> Any:
    """Return the enthalpy of moist air per mass of dry air, 0 for dry air at 0 °C.

    Args:
        air_temp_c: Air temperature [°C], −60…80.
        humidity_ratio: Humidity ratio [kg/kg], 0…3.

    Returns:
        Enthalpy [J/kg dry air], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 30.
    """
    return evaluate(enthalpy_of, (AIR_TEMP, RATIO), (air_temp_c, humidity_ratio))


def specific_volume_m3_kg(
    air_temp_c: ArrayLike, humidity_ratio: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Any:
    """Return the volume of moist air per mass of dry air.

    Args:
        air_temp_c: Air temperature [°C], −60…80.
        humidity_ratio: Humidity ratio [kg/kg], 0…3.
        pressure_pa: Air pressure [Pa], 60 000…110 000.

    Returns:
        Specific volume [m³/kg dry air], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 26.
    """
    limits = (AIR_TEMP, RATIO, PRESSURE)
    return evaluate(volume_of, limits, (air_temp_c, humidity_ratio, pressure_pa))


def density_kg_m3(
    air_temp_c: ArrayLike, humidity_ratio: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Any:
    """Return the density of moist air, dry air and vapour together.

    Args:
        air_temp_c: Air temperature [°C], −60…80.
        humidity_ratio: Humidity ratio [kg/kg], 0…3.
        pressure_pa: Air pressure [Pa], 60 000…110 000.

    Returns:
        Density [kg/m³], broadcast shape.

    Raises:
        InputError: A single state is outside the valid range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 9b.
    """
    limits = (AIR_TEMP, RATIO, PRESSURE)
    return evaluate(_density_of, limits, (air_temp_c, humidity_ratio, pressure_pa))


def pressure_pa_from_altitude(altitude_m: ArrayLike) -> Any:
    """Return the standard atmosphere's pressure at a height.

    Args:
        altitude_m: Height above sea level [m], −500…4000.

    Returns:
        Pressure [Pa], shape of ``altitude_m``.

    Raises:
        InputError: A single height is outside the range.

    Source: ASHRAE Fundamentals 2017, ch. 1, eq. 3.
    """
    return evaluate(standard_atmosphere_pa, (ALTITUDE,), (altitude_m,))
