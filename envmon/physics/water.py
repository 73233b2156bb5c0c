"""Hot and cold water poured together: heat balance with the heat and density of real water.

Source of both: IAPWS-95 at 101 325 Pa. The balance counts enthalpies, which is the trade's
(Σ m·c·T)/(Σ m·c) with a c that follows the temperature.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.errors import InputError
from envmon.physics.ranges import Limit, evaluate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from envmon.physics.saturation import Value

WATER_TEMP = Limit("water temperature", "°C", 0.0, 99.0, "0 to 99 °C")
SCALD_C = 50.0
"""Hotter water scalds, and foam made with it dries on [°C] (common practice)."""

# Powers of the temperature [°C]; least squares over 0…99.5 °C of IAPWS-95, off by at most
# 0.17 J/(kg K); the enthalpy that follows is off by at most 0.25 J/kg.
_HEAT = (
    4219.28117,
    -3.34726931,
    0.112017874,
    -2.04555644e-3,
    2.27935123e-5,
    -1.37057602e-7,
    3.47822398e-10,
)
_ENTHALPY = tuple(factor / (power + 1) for power, factor in enumerate(_HEAT))
_DENSITY = (
    999.83952,
    16.945176,
    -7.9870401e-3,
    -46.170461e-6,
    105.56302e-9,
    -280.54253e-12,
)
_STEPS = 30


class Portion(NamedTuple):
    """Water as it is poured.

    Attributes:
        volume_l: Volume at its own temperature [l].
        temp_c: Temperature [°C].
    """

    volume_l: float
    temp_c: float

    @property
    def mass_kg(self) -> float:
        """Mass [kg]."""
        return self.volume_l / 1000 * float(water_density_kg_m3(self.temp_c))


def _power_sum(factors: tuple[float, ...], t: Value) -> Value:
    """Return the sum of factor · t^power, the powers rising from 0."""
    total: Value = 0.0 * t
    for factor in reversed(factors):
        total = total * t + factor
    return total


def _density(t: Value, _xp: Any) -> Value:
    return _power_sum(_DENSITY, t) / (1 + 16.879850e-3 * t)


def _enthalpy(t: Value, _xp: Any) -> Value:
    return t * _power_sum(_ENTHALPY, t)


def water_density_kg_m3(temp_c: ArrayLike) -> Any:
    """Return the density of water at sea level's pressure.

    Args:
        temp_c: Temperature [°C], 0…99.

    Returns:
        Density [kg/m³], shape of ``temp_c``.

    Raises:
        InputError: A single temperature is outside the range.

    Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 (from memory), within 0.002 % of IAPWS-95.
    """
    return evaluate(_density, (WATER_TEMP,), (temp_c,))


def water_enthalpy_j_kg(temp_c: ArrayLike) -> Any:
    """Return the heat in water, 0 at 0 °C.

    Args:
        temp_c: Temperature [°C], 0…99.

    Returns:
        Enthalpy [J/kg], shape of ``temp_c``.

    Raises:
        InputError: A single temperature is outside the range.

    Source: the integral of a polynomial fitted to the heat capacity of IAPWS-95 at 101 325 Pa.
    """
    return evaluate(_enthalpy, (WATER_TEMP,), (temp_c,))


def blend_temp_c(portions: Sequence[Portion]) -> float:
    """Return the temperature of portions poured together [°C]; nothing is lost to the vessel.

    Args:
        portions: At least one with some water in it.

    Raises:
        InputError: A portion cannot be, or there is no water at all.
    """
    for portion in portions:
        _ensure_volume(portion.volume_l)
    mass_kg = sum(portion.mass_kg for portion in portions)
    if mass_kg == 0:
        raise InputError("there is no water to blend; give at least one volume above 0")
    heat_j = sum(each.mass_kg * float(water_enthalpy_j_kg(each.temp_c)) for each in portions)
    temps = [each.temp_c for each in portions]
    return min(max(_temp_of(heat_j / mass_kg), min(temps)), max(temps))


def _temp_of(enthalpy_j_kg: float) -> float:
    """Return the temperature [°C] by Newton's steps; the heat capacity hardly varies."""
    temp_c = enthalpy_j_kg / 4190
    for _ in range(_STEPS):
        step = (float(_enthalpy(temp_c, None)) - enthalpy_j_kg) / _power_sum(_HEAT, temp_c)
        temp_c -= step
        if abs(step) < 1e-12:
            break
    return temp_c


def can_reach(hot_c: float, cold_c: float, want_c: float) -> bool:
    """Return whether water of two temperatures can be blended to a third [°C]."""
    low, high = sorted((hot_c, cold_c))
    return low <= want_c <= high


def portion_to_reach(have: Portion, other_c: float, want_c: float) -> Portion:
    """Return what must be added to water that is there so that the blend gets a temperature.

    Args:
        have: Water that is there.
        other_c: Temperature of what is added [°C].
        want_c: Wanted temperature of the blend [°C], between both but not that of the other.

    Raises:
        InputError: No amount of it reaches that temperature.
    """
    _ensure_volume(have.volume_l)
    _ensure_reach(have.temp_c, other_c, want_c)
    if want_c == have.temp_c:
        return Portion(0.0, other_c)
    if want_c == other_c:
        raise InputError(
            f"wanted are {want_c:g} °C, and what is added has just that: no amount of it gets there"
        )
    has, adds, wants = (float(water_enthalpy_j_kg(t)) for t in (have.temp_c, other_c, want_c))
    mass_kg = have.mass_kg * (has - wants) / (wants - adds)
    return Portion(1000 * mass_kg / float(water_density_kg_m3(other_c)), other_c)


def portions_for_total(
    hot_c: float, cold_c: float, want_c: float, total_l: float
) -> tuple[Portion, Portion]:
    """Return hot and cold water that fill a vessel at the wanted temperature.

    Args:
        hot_c: Temperature of the hot water [°C].
        cold_c: Temperature of the cold water [°C].
        want_c: Wanted temperature [°C].
        total_l: Volume of the blend at the wanted temperature [l].

    Raises:
        InputError: The temperature is not between hot and cold, or a value cannot be.
    """
    _ensure_volume(total_l)
    _ensure_reach(hot_c, cold_c, want_c)
    if hot_c == cold_c:
        return Portion(total_l, hot_c), Portion(0.0, cold_c)
    hot, cold, wants = (float(water_enthalpy_j_kg(t)) for t in (hot_c, cold_c, want_c))
    mass_kg = Portion(total_l, want_c).mass_kg
    hot_kg = mass_kg * (wants - cold) / (hot - cold)
    parts = ((hot_kg, hot_c), (mass_kg - hot_kg, cold_c))
    hot_part, cold_part = (
        Portion(1000 * max(kg, 0.0) / float(water_density_kg_m3(t)), t) for kg, t in parts
    )
    return hot_part, cold_part


def _ensure_reach(one_c: float, other_c: float, want_c: float) -> None:
    for temp_c in (one_c, other_c, want_c):
        WATER_TEMP.check(temp_c)
    if not can_reach(one_c, other_c, want_c):
        low, high = sorted((one_c, other_c))
        raise InputError(
            f"wanted temperature is {want_c:g} °C; water of {low:g} and {high:g} °C blends only to "
            "something between them"
        )


def _ensure_volume(volume_l: float) -> None:
    if not 0 <= volume_l <= 100_000:
        raise InputError(f"volume is {volume_l:g} l; allowed is 0 to 100 000 l")
