"""What names and units say of a number: words that stand in topics, keys and record names.

Units are those of ``envmon.units`` and, in a SenML pack, RFC 8428 section 12.1; the words in
names are common practice.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from envmon.errors import EnvmonError
from envmon.intake.senml import value_from_senml
from envmon.shop.schema import MEASURED
from envmon.units import FORECASTS, QUANTITIES, allowed_units, convert

SENSED = tuple(name for name in MEASURED if name not in FORECASTS)
"""What can be claimed: everything measured, no forecasts."""


class Kind(NamedTuple):
    """What a number may be about.

    Attributes:
        what: As a person reads it.
        words: What it is called in names.
        quantities: What it can be taken for, the usual one first.
        letters: One letter it often is; that alone says little.
        units: What names end in, with the unit that stands for.
    """

    what: str
    words: frozenset[str]
    quantities: tuple[str, ...]
    letters: str = ""
    units: tuple[tuple[str, str], ...] = ()


def _kind(what: str, words: str, quantities: str = "", letters: str = "", units: str = "") -> Kind:
    pairs = tuple((end, unit) for end, _, unit in (part.partition("=") for part in units.split()))
    return Kind(what, frozenset(words.split()), tuple(quantities.split()), letters, pairs)


KINDS: tuple[Kind, ...] = (
    _kind("a battery", "battery bat batt vbat vbatt batterylevel"),
    _kind("a voltage or a current", "voltage volt volts current ampere amps mv"),
    _kind("how well the radio is heard, or a counter of the node",
          "rssi snr lqi linkquality uptime seq counter cnt heap reboots channel id time ts "
          "timestamp epoch interval"),
    _kind("a dew point; envmon works it out by itself", "dew dewpoint frostpoint"),
    _kind("a temperature", "temp temps temperature tmp celsius fahrenheit tempc tempf",
          "air_temp_c panel_temp_c water_temp_c outdoor_temp_c", "t",
          "c=°C f=°F degc=°C degf=°F celsius=°C fahrenheit=°F tempc=°C tempf=°F k=K"),
    _kind("a humidity", "hum humi humidity rh relhum humid", "rel_hum_pct outdoor_rel_hum_pct", "h",
          "pct=% percent=%"),
    _kind("an air pressure", "pressure pres press baro barometer", "air_pressure_pa", "p",
          "pa=Pa hpa=hPa kpa=kPa mbar=mbar inhg=inHg"),
    _kind("dissolved solids", "tds solids dissolved", "dissolved_solids_ppm"),
    _kind("a solvent vapour", "voc vapour vapor solvent", "vapour_ppm"),
    _kind("dust", "dust particulate pm pm10 pm25 pm1 pm4", "particulate_ug_m3"),
    _kind("an energy meter", "energy kwh wh", "energy_kwh", "", "kwh=kWh wh=Wh mj=MJ j=J"),
    _kind("a power", "power watt watts", "heater_power_w", "", "w=W kw=kW watt=W watts=W"),
    _kind("a fuel meter", "gas fuel litres liters oil propane", "fuel_m3 fuel_l", "",
          "m3=m³ l=l litres=l liters=l ft3=ft3 gal=gal"),
    _kind("a door", "door gate shutter contact", "door_open"),
    _kind("a heater", "heater heating heat burner boiler", "heater_on"),
)  # fmt: skip

PLACES = {
    "air_temp_c": frozenset({"air", "room", "ambient", "hall", "indoor"}),
    "panel_temp_c": frozenset({"panel", "surface", "object", "metal", "hood", "ir", "infrared"}),
    "water_temp_c": frozenset({"water", "tap", "rinse"}),
    "outdoor_temp_c": frozenset({"outdoor", "outdoors", "outside", "out", "weather", "yard"}),
}
"""Words that tell of which place a temperature is."""
OUTDOORS = PLACES["outdoor_temp_c"]

_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|[^A-Za-z0-9]+")


def words_of(*names: str) -> frozenset[str]:
    """Return the words of names such as ``airTemp_c``, in small letters."""
    parts = {part for name in names for part in _CAMEL.split(name[:400])}
    whole = {name.lower() for name in names}
    return frozenset(part.lower() for part in parts | whole if part)


def fits(value: float, unit: str, quantity: str, *, senml: bool) -> bool:
    """Return whether a number with a unit can be this quantity of a working sensor.

    Args:
        value: Number.
        unit: Unit; empty is the quantity's own.
        quantity: Its name.
        senml: The unit is a symbol of SenML, where ``%`` is a ratio.
    """
    entry = QUANTITIES[quantity]
    try:
        if unit and senml:
            value = value_from_senml(value, unit, entry)
        elif unit:
            value = convert(value, unit, entry.dimension, quantity)
    except EnvmonError:
        return False
    whole = entry.dimension != "state" or value in {0.0, 1.0}
    return whole and entry.low <= value <= entry.high


def units_for(quantity: str) -> list[str]:
    """Return the units a quantity can come in, its own first."""
    own = QUANTITIES[quantity].unit
    others = allowed_units(QUANTITIES[quantity].dimension, quantity)
    return sorted(others, key=lambda unit: unit != own)


def name_of(quantity: str) -> str:
    """Return what a person calls a quantity when nothing around it says what it is."""
    entry = QUANTITIES[quantity]
    return f"{entry.label} temperature" if entry.dimension == "temperature" else entry.label


_KNOWN_UNITS = frozenset(unit for name in SENSED for unit in units_for(name))
_SPELT = {end: unit for kind in KINDS for end, unit in kind.units if len(end) > 1}


def unit_said(text: str) -> str:
    """Return the unit a JSON document says in its own words; empty where it is none of ours."""
    bare = text.strip()
    return bare if bare in _KNOWN_UNITS else _SPELT.get(bare.lower().replace("°", "deg"), "")
