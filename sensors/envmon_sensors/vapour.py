"""The simulator's own moist-air relations, kept apart from the guard's on purpose.

Saturation comes from a Magnus-type fit, water in the air is a mass in a volume, and relative
humidity follows from the ideal gas law. The guard uses other formulas, so it is not right by
construction when it judges what these produce.

Source: Alduchov and Eskridge 1996, Improved Magnus form approximation of saturation vapor
pressure, J. Appl. Meteorol. 35, 601-609 (coefficients from memory, checked in the tests against
tabulated values).
"""

from __future__ import annotations

import math

GAS_CONSTANT_VAPOUR = 461.5
GAS_CONSTANT_DRY_AIR = 287.05
KELVIN = 273.15


def saturation_over_water_pa(temp_c: float) -> float:
    """Return the saturation pressure over liquid or supercooled water [Pa], −40…50 °C.

    Args:
        temp_c: Temperature [°C].
    """
    return 610.94 * math.exp(17.625 * temp_c / (243.04 + temp_c))


def saturation_over_ice_pa(temp_c: float) -> float:
    """Return the saturation pressure over ice [Pa], −80…0 °C.

    Args:
        temp_c: Temperature [°C].
    """
    return 611.21 * math.exp(22.587 * temp_c / (273.86 + temp_c))


def film_saturation_pa(temp_c: float) -> float:
    """Return the vapour pressure at the face of a wet surface [Pa]: ice below 0 °C, else water.

    Args:
        temp_c: Surface temperature [°C].
    """
    return saturation_over_ice_pa(temp_c) if temp_c < 0 else saturation_over_water_pa(temp_c)


def vapour_pressure_pa(vapour_kg: float, volume_m3: float, temp_c: float) -> float:
    """Return the partial pressure of a vapour mass spread over a volume [Pa].

    Args:
        vapour_kg: Water vapour in the volume [kg].
        volume_m3: Volume [m³].
        temp_c: Air temperature [°C].
    """
    return vapour_kg * GAS_CONSTANT_VAPOUR * (temp_c + KELVIN) / volume_m3


def vapour_mass_kg(pressure_pa: float, volume_m3: float, temp_c: float) -> float:
    """Return the vapour mass that gives a partial pressure in a volume [kg]."""
    return pressure_pa * volume_m3 / (GAS_CONSTANT_VAPOUR * (temp_c + KELVIN))


def rel_hum_pct(pressure_pa: float, temp_c: float) -> float:
    """Return relative humidity over liquid water [%], as sensors report it below 0 °C too."""
    return 100 * pressure_pa / saturation_over_water_pa(temp_c)


def load_kg_kg(pressure_pa: float, air_pressure_pa: float) -> float:
    """Return vapour carried per mass of dry air in a flow [kg/kg].

    Args:
        pressure_pa: Vapour pressure [Pa].
        air_pressure_pa: Total pressure [Pa].
    """
    ratio = GAS_CONSTANT_DRY_AIR / GAS_CONSTANT_VAPOUR
    return ratio * pressure_pa / (air_pressure_pa - pressure_pa)


def condensing_below_c(pressure_pa: float) -> float:
    """Return the temperature below which a wetted surface gains liquid water [°C].

    The Magnus fit over water solved for temperature; only the tests and reports use it.
    """
    logarithm = math.log(pressure_pa / 610.94)
    return 243.04 * logarithm / (17.625 - logarithm)
