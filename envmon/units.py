"""Quantities and units: the one table of what can be measured, and conversion at the edge.

Inside envmon a number is always in the unit its quantity names (``air_temp_c`` in °C).
Conversion happens once, where a value enters (payload, shop file, command) or leaves
(board, table, paper). There is no global unit mode.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from envmon.errors import InputError

UnitSystem = Literal["metric", "us"]

Dimension = Literal[
    "temperature",
    "temperature_difference",
    "temperature_rate",
    "percent",
    "percent_rate",
    "pressure",
    "humidity_ratio",
    "fraction_ppm",
    "concentration",
    "power",
    "energy",
    "volume",
    "length",
    "duration",
    "state",
    "number",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of number envmon knows.

    Attributes:
        name: Name with its unit, as in columns, JSON and the shop file.
        label: What a person reads.
        unit: Unit of the stored number, for reading.
        dimension: Decides which units can be converted into it.
        low: Lowest value a working sensor can send; below it a reading is failed.
        high: Highest value a working sensor can send.
        agree_within: Two healthy sensors in one bay may differ by this much.
        decimals: Digits behind the point on a screen.
        derived: Computed by envmon, never taken from a sensor.
        forecast: Said by somebody of times to come; it is no reading, and nothing is judged by it.
    """

    name: str
    label: str
    unit: str
    dimension: Dimension
    low: float
    high: float
    agree_within: float
    decimals: int = 1
    derived: bool = False
    forecast: bool = False


_TABLE = (
    Quantity("air_temp_c", "air", "°C", "temperature", -60, 80, 2.0),
    Quantity("rel_hum_pct", "humidity", "%", "percent", 0, 103, 8.0, 0),
    Quantity("panel_temp_c", "panel", "°C", "temperature", -60, 120, 4.0),
    Quantity("water_temp_c", "water", "°C", "temperature", -10, 100, 4.0, 0),
    Quantity("dissolved_solids_ppm", "dissolved solids", "ppm", "fraction_ppm", 0, 50_000, 20, 0),
    Quantity("air_pressure_pa", "air pressure", "Pa", "pressure", 60_000, 110_000, 500, 0),
    Quantity("outdoor_temp_c", "outdoor", "°C", "temperature", -60, 60, 3.0),
    Quantity("outdoor_rel_hum_pct", "outdoor humidity", "%", "percent", 0, 103, 10.0, 0),
    Quantity(
        "outdoor_forecast_c", "outdoor forecast", "°C", "temperature", -60, 60, 60, forecast=True
    ),
    Quantity("heater_on", "heater", "", "state", 0, 1, 0, 0),
    Quantity("heater_power_w", "heater power", "W", "power", 0, 1e6, 500, 0),
    Quantity("energy_kwh", "energy meter", "kWh", "energy", 0, 1e9, 1e9, 1),
    Quantity("fuel_m3", "gas meter", "m³", "volume", 0, 1e9, 1e9, 2),
    Quantity("fuel_l", "fuel meter", "l", "volume", 0, 1e9, 1e9, 1),
    Quantity("door_open", "door", "", "state", 0, 1, 0, 0),
    Quantity("particulate_ug_m3", "dust", "µg/m³", "concentration", 0, 100_000, 100, 0),
    Quantity("vapour_ppm", "solvent vapour", "ppm", "fraction_ppm", 0, 1e6, 100, 0),
    Quantity("dew_point_c", "dew point", "°C", "temperature", -90, 80, 2, derived=True),
    Quantity("frost_point_c", "frost point", "°C", "temperature", -90, 80, 2, derived=True),
    Quantity("wet_bulb_c", "wet bulb", "°C", "temperature", -60, 80, 2, derived=True),
    Quantity(
        "vapour_pressure_pa", "vapour pressure", "Pa", "pressure", 0, 50_000, 100, 0, derived=True
    ),
    Quantity(
        "humidity_ratio_kg_kg", "humidity ratio", "kg/kg", "humidity_ratio", 0, 1, 1, 4,
        derived=True,
    ),
    Quantity(
        "dew_margin_k", "panel above dew point", "K", "temperature_difference", -150, 150, 4,
        derived=True,
    ),
    Quantity(
        "air_temp_rate_k_h", "air temperature change", "K/h", "temperature_rate", -500, 500, 500,
        derived=True,
    ),
    Quantity(
        "rel_hum_rate_pct_h", "humidity change", "%/h", "percent_rate", -2000, 2000, 2000, 0,
        derived=True,
    ),
)  # fmt: skip

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _TABLE}
FORECASTS = frozenset(name for name, quantity in QUANTITIES.items() if quantity.forecast)
"""What a point may say of times to come."""

# unit text -> (factor, offset) into the unit of the dimension: value * factor + offset
_F = 5 / 9
_CONVERSIONS: dict[Dimension, dict[str, tuple[float, float]]] = {
    "temperature": {
        "°C": (1, 0), "C": (1, 0), "Cel": (1, 0), "K": (1, -273.15),
        "°F": (_F, -32 * _F), "F": (_F, -32 * _F),
    },
    "temperature_difference": {
        "K": (1, 0), "°C": (1, 0), "C": (1, 0), "Cel": (1, 0), "°F": (_F, 0), "F": (_F, 0),
    },
    "temperature_rate": {"K/h": (1, 0), "°C/h": (1, 0), "°F/h": (_F, 0)},
    "percent": {"%": (1, 0), "%RH": (1, 0)},
    "percent_rate": {"%/h": (1, 0)},
    "pressure": {
        "Pa": (1, 0), "hPa": (100, 0), "mbar": (100, 0), "kPa": (1000, 0),
        "inHg": (3386.389, 0),
    },
    "humidity_ratio": {"kg/kg": (1, 0), "g/kg": (1e-3, 0), "gr/lb": (1 / 7000, 0)},
    "fraction_ppm": {"ppm": (1, 0), "/": (1e6, 0)},
    "concentration": {"µg/m³": (1, 0), "ug/m3": (1, 0), "kg/m3": (1e9, 0)},
    "power": {"W": (1, 0), "kW": (1000, 0), "BTU/h": (0.29307107, 0)},
    "energy": {"kWh": (1, 0), "Wh": (1e-3, 0), "J": (1 / 3.6e6, 0), "MJ": (1 / 3.6, 0)},
    "volume": {"m3": (1, 0), "m³": (1, 0), "l": (1, 0), "ft3": (0.028316846592, 0)},
    "length": {"m": (1, 0), "ft": (0.3048, 0), "cm": (0.01, 0), "in": (0.0254, 0)},
    "duration": {"s": (1, 0), "min": (60, 0), "h": (3600, 0), "d": (86_400, 0)},
    "state": {"/": (1, 0)},
    "number": {},
}  # fmt: skip

# A litre is no cubic metre, and mg/l is ppm only in water: these go by name, not by dimension.
_BY_NAME = {
    "dissolved_solids_ppm": {"ppm": 1.0, "mg/l": 1.0, "/": 1e6},
    "fuel_m3": {"m3": 1.0, "m³": 1.0, "l": 1e-3, "ft3": 0.028316846592},
    "fuel_l": {"m3": 1e3, "m³": 1e3, "l": 1.0, "gal": 3.785411784},
}

_NUMBER_WITH_UNIT = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S*)\s*$")


def allowed_units(dimension: Dimension, name: str = "") -> list[str]:
    """Return the unit texts that convert into a dimension (or into one named quantity)."""
    return list(_BY_NAME.get(name, _CONVERSIONS[dimension]))


def convert(value: float, unit: str, dimension: Dimension, name: str = "") -> float:
    """Convert a value into the unit envmon keeps for its dimension.

    Args:
        value: Number in ``unit``.
        unit: Unit text or SenML symbol, such as ``"°F"``, ``"Cel"``, ``"hPa"``.
        dimension: What kind of number it is.
        name: Quantity name; tells litre counters from cubic-metre counters.

    Raises:
        InputError: The unit does not measure this dimension.
    """
    if name in _BY_NAME:
        factor, offset = _BY_NAME[name].get(unit), 0.0
    else:
        factor, offset = _CONVERSIONS[dimension].get(unit, (None, 0.0))
    if factor is None:
        units = ", ".join(allowed_units(dimension, name)) or "a plain number"
        raise InputError(f"unit is {unit!r} for {name or dimension}; allowed: {units}")
    return value * factor + offset


def parse_value(text: float | str, dimension: Dimension, name: str = "") -> float:
    """Read ``68``, ``"68 °F"`` or ``"20 °C"``; a plain number is already in envmon's unit.

    Raises:
        InputError: No number, not finite, or a unit that does not fit.
    """
    if isinstance(text, bool):
        raise InputError(f"value is {text!r}; allowed is a number or text such as '20 °C'")
    if isinstance(text, int | float):
        value, unit = float(text), ""
    else:
        match = _NUMBER_WITH_UNIT.match(text)
        if match is None:
            raise InputError(f"value is {text!r}; allowed is a number or text such as '20 °C'")
        value, unit = float(match[1]), match[2]
    if not math.isfinite(value):
        raise InputError(f"value is {text!r}; allowed is a finite number")
    return convert(value, unit, dimension, name) if unit else value


@dataclass(frozen=True, slots=True)
class Shown:
    """How one quantity is shown in a unit system: number = SI * factor + offset."""

    unit: str
    factor: float
    offset: float
    decimals: int


_US: dict[Dimension, tuple[str, float, float]] = {
    "temperature": ("°F", 1.8, 32.0),
    "temperature_difference": ("°F", 1.8, 0.0),
    "temperature_rate": ("°F/h", 1.8, 0.0),
    "humidity_ratio": ("gr/lb", 7000.0, 0.0),
    "pressure": ("inHg", 1 / 3386.389, 0.0),
}
_METRIC: dict[Dimension, tuple[str, float, float]] = {
    "humidity_ratio": ("g/kg", 1000.0, 0.0),
    "pressure": ("hPa", 0.01, 0.0),
}


def shown(quantity: Quantity, system: UnitSystem) -> Shown:
    """Return unit, factor, offset and decimals for showing a quantity to a person."""
    special = (_US if system == "us" else _METRIC).get(quantity.dimension)
    decimals = quantity.decimals
    if special is None:
        return Shown(quantity.unit, 1.0, 0.0, decimals)
    unit, factor, offset = special
    if quantity.dimension == "humidity_ratio":
        decimals = 1
    if quantity.name == "vapour_pressure_pa":
        return Shown("Pa", 1.0, 0.0, 0) if system == "metric" else Shown(unit, factor, offset, 3)
    return Shown(unit, factor, offset, decimals)


def format_value(
    value: float, quantity: Quantity, system: UnitSystem, *, unit: bool = True, finer: int = 0
) -> str:
    """Return a value as a person reads it: ``20.1 °C``, ``68.2 °F``, ``45 %``.

    Args:
        value: Number in the quantity's own unit.
        quantity: What it is.
        system: The shop's units.
        unit: Whether the unit is written behind the number.
        finer: So many more digits behind the point than usual.
    """
    if quantity.dimension == "state":
        return {"door_open": ("shut", "open")}.get(quantity.name, ("off", "on"))[value >= 0.5]
    how = shown(quantity, system)
    number = f"{value * how.factor + how.offset:.{how.decimals + finer}f}"
    if float(number) == 0:
        number = number.lstrip("-")
    number = number.replace("-", "−")  # a real minus sign, as the rest of the screen uses
    return f"{number} {how.unit}" if unit and how.unit else number
