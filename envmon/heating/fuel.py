"""What a cubic metre, a litre or a kilowatt-hour of the meter holds, and whose number that is.

All heating values are upper ones, as a bill's are. The maker's or supplier's own, in ``[heating]``,
comes before the table.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, overload

import numpy as np

from envmon.errors import InputError
from envmon.units import convert

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.heating.model import Floats
    from envmon.shop.heat import Fuel, HeatingInfo

BTU_KWH = 1055.05585262 / 3.6e6
"""One Btu (International Table) [kWh]: 1055.05585262 J (ISO 31-4, from memory)."""
THERM_KWH = 100_000 * BTU_KWH
_GALLON_L = convert(1, "gal", "volume", "fuel_l")
_FOOT3_M3 = convert(1, "ft3", "volume", "fuel_m3")
_PROPANE_GAS_M3_KG = 8.314462618 * 288.15 / 101_325 / 44.0956e-3


class HeatingValue(NamedTuple):
    """Energy in a unit of the meter [kWh], the unit, and where the number is from."""

    kwh: float
    unit: str
    source: str


UNITS = {"fuel_m3": "m3", "fuel_l": "l", "energy_kwh": "kWh"}
"""A counter's quantity -> the unit it counts."""
_OIL = "EIA, 137 381 Btu a US gallon of heating oil, 2021 factors, upper value"
_GAS = "EIA, 1 039 Btu a cubic foot of natural gas, US average delivered 2021, upper value"
_LIQUID = "EIA by way of secondary pages, 91 452 Btu a US gallon of propane, upper value"
_GASEOUS = (
    "50.33 MJ/kg of propane, upper value at 25 °C from heats of formation, as an ideal gas at "
    "15 °C and 1 013.25 hPa"
)
_COUNTED = "counted in kWh"
_OIL_KWH_L = 137_381 * BTU_KWH / _GALLON_L
_GAS_KWH_M3 = 1_039 * BTU_KWH / _FOOT3_M3

FUELS: Mapping[Fuel, Mapping[str, HeatingValue]] = {
    "natural_gas": {
        "fuel_m3": HeatingValue(_GAS_KWH_M3, "m3", _GAS),
        "fuel_l": HeatingValue(_GAS_KWH_M3 / 1e3, "l", _GAS),
        "energy_kwh": HeatingValue(1.0, "kWh", _COUNTED),
    },
    "propane": {
        "fuel_l": HeatingValue(91_452 * BTU_KWH / _GALLON_L, "l", _LIQUID),
        "fuel_m3": HeatingValue(50.33 / 3.6 / _PROPANE_GAS_M3_KG, "m3", _GASEOUS),
        "energy_kwh": HeatingValue(1.0, "kWh", _COUNTED),
    },
    "heating_oil": {
        "fuel_l": HeatingValue(_OIL_KWH_L, "l", _OIL),
        "fuel_m3": HeatingValue(_OIL_KWH_L * 1e3, "m3", _OIL),
        "energy_kwh": HeatingValue(1.0, "kWh", _COUNTED),
    },
    "electricity": {"energy_kwh": HeatingValue(1.0, "kWh", _COUNTED)},
    "district_heat": {"energy_kwh": HeatingValue(1.0, "kWh", _COUNTED)},
}
"""Fuel -> counter's quantity -> what a unit of it holds. Propane in m³ is the gas, in litres the
liquid. The numbers are copied from check/handbook_values.json with their sources."""
assert all(value.unit == UNITS[name] for of in FUELS.values() for name, value in of.items())
_OWN_UNIT = {"natural_gas": "fuel_m3", "propane": "fuel_l", "heating_oil": "fuel_l"}
_UNIT_OF: dict[str, tuple[str, float]] = {
    "m3": ("fuel_m3", 1.0),
    "ft3": ("fuel_m3", _FOOT3_M3),
    "l": ("fuel_l", 1.0),
    "gal": ("fuel_l", _GALLON_L),
    "kWh": ("energy_kwh", 1.0),
    "MWh": ("energy_kwh", 1e3),
    "therm": ("energy_kwh", THERM_KWH),
}


def ensure_billed_in(unit: str, fuel: Fuel) -> None:
    """Refuse a unit that no supplier bills this fuel in.

    A meter may count natural gas in litres; a bill in litres is of another fuel.

    Raises:
        InputError: With the units that are allowed.
    """
    counted = set(FUELS[fuel]) - ({"fuel_l"} if fuel == "natural_gas" else set())
    allowed = [name for name, (quantity, _) in _UNIT_OF.items() if quantity in counted]
    if unit not in allowed:
        name = fuel.replace("_", " ")
        raise InputError(
            f"unit is {unit!r} and the shop heats with {name}; allowed: {', '.join(allowed)}; "
            "write the amount in one of these, or correct fuel in [heating] of the shop file"
        )


def heating_value(quantity: str, info: HeatingInfo) -> HeatingValue:
    """Return what a unit of a counter holds, by the shop file or else by the table.

    The shop's own value is for the unit its fuel is sold by: m³ of natural gas, litres of propane
    and oil; the other unit of volume follows from it for gas and oil.

    Args:
        quantity: ``fuel_m3``, ``fuel_l`` or ``energy_kwh``.
        info: The shop's ``[heating]``.

    Raises:
        InputError: Such a counter does not count this fuel.
    """
    table = FUELS[info.fuel]
    if quantity not in table:
        allowed = ", ".join(table)
        raise InputError(
            f"counter is {quantity} and the fuel is {info.fuel}; allowed: {allowed}; correct fuel "
            "in [heating], or what the point reads"
        )
    own = _OWN_UNIT.get(info.fuel)
    if info.heating_value is None or quantity == "energy_kwh" or own is None:
        return table[quantity]
    if quantity != own and info.fuel == "propane":
        return table[quantity]
    share = table[quantity].kwh / table[own].kwh
    source = info.heating_value_source or "heating_value of the shop file, which names no source"
    return HeatingValue(info.heating_value * share, UNITS[quantity], source)


@overload
def fuel_kwh(amount: float, quantity: str, info: HeatingInfo) -> float: ...
@overload
def fuel_kwh(amount: Floats, quantity: str, info: HeatingInfo) -> Floats: ...
def fuel_kwh(amount: float | Floats, quantity: str, info: HeatingInfo) -> float | Floats:
    """Return the energy of an amount [kWh], upper heating value.

    Args:
        amount: In the counter's unit; NaN stays NaN.
        quantity: ``fuel_m3``, ``fuel_l`` or ``energy_kwh``.
        info: The shop's ``[heating]``.

    Raises:
        InputError: Such a counter does not count this fuel.
    """
    return np.multiply(amount, heating_value(quantity, info).kwh)


def value_of_unit(unit: str, info: HeatingInfo) -> HeatingValue:
    """Return the heating value that the energy of a tariff's or a bill's unit rests on.

    Args:
        unit: As for ``unit_kwh``.
        info: The shop's ``[heating]``.

    Raises:
        InputError: The unit is none of these, or is none of this fuel.
    """
    return heating_value(_quantity_of(unit)[0], info)


def _quantity_of(unit: str) -> tuple[str, float]:
    if unit not in _UNIT_OF:
        raise InputError(f"unit is {unit!r}; allowed: {', '.join(_UNIT_OF)}")
    return _UNIT_OF[unit]


def unit_kwh(unit: str, info: HeatingInfo) -> float:
    """Return the energy of one unit of a tariff or a bill [kWh].

    Args:
        unit: ``kWh``, ``MWh``, ``m3``, ``ft3``, ``l``, ``gal`` or ``therm``.
        info: The shop's ``[heating]``.

    Raises:
        InputError: The unit is none of these, or is none of this fuel.
    """
    quantity, factor = _quantity_of(unit)
    return factor * heating_value(quantity, info).kwh
