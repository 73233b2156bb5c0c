"""What a unit of a meter holds: against the handbook's numbers and an independent unit library."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from envmon.errors import InputError
from envmon.heating.fuel import FUELS, THERM_KWH, fuel_kwh, heating_value, unit_kwh
from envmon.shop.heat import HeatingInfo

if TYPE_CHECKING:
    from envmon.shop.heat import Fuel

HANDBOOK = Path(__file__).parent.parent / "fixtures" / "check" / "handbook_values.json"


def handbook(name: str) -> dict[str, Any]:
    rows = json.loads(HANDBOOK.read_text(encoding="utf-8"))
    (row,) = [row for row in rows if row["quantity"] == name]
    found: dict[str, Any] = row
    return found


# Source: handbook_values.json, EIA heat contents (upper values); its MJ figures have 3 digits.
ROWS: tuple[tuple[Fuel, str, str, str], ...] = (
    ("natural_gas", "fuel_m3", "natural gas heat content", "Btu_it / ft**3"),
    ("heating_oil", "fuel_l", "heating oil / diesel heat content", "Btu_it / US_liquid_gallon"),
    ("propane", "fuel_l", "propane heat content", "Btu_it / US_liquid_gallon"),
)


@pytest.mark.parametrize(("fuel", "quantity", "name", "unit"), ROWS)
def test_heating_value_is_the_handbook_s(fuel: Fuel, quantity: str, name: str, unit: str) -> None:
    pint = pytest.importorskip("pint", reason="pint converts the units independently")
    row = handbook(name)
    units = pint.UnitRegistry()
    to = "kWh / m**3" if quantity == "fuel_m3" else "kWh / liter"
    theirs = (row["value"] * units(unit)).to(to).magnitude
    assert FUELS[fuel][quantity].kwh == pytest.approx(theirs, rel=1e-6)
    (mega,) = re.findall(r"= ([\d.]+) MJ", row["conditions"])
    assert FUELS[fuel][quantity].kwh * 3.6 == pytest.approx(float(mega), rel=2e-3)
    assert "EIA" in FUELS[fuel][quantity].source


def test_propane_gas_and_liquid_agree_by_mass() -> None:
    """Source: 50.33 MJ/kg from heats of formation; 0.50 to 0.51 kg/l of liquid (memory)."""
    assert handbook("propane heating value")["value"]["HHV"] == 50.33
    propane = FUELS["propane"]
    kg_m3 = propane["fuel_m3"].kwh * 3.6 / 50.33
    assert kg_m3 == pytest.approx(1.865, rel=2e-3)  # ideal gas, 44.1 g/mol in 23.64 l/mol at 15 °C
    assert 0.49 < propane["fuel_l"].kwh * 3.6 / 50.33 < 0.52


def test_therm_and_us_units() -> None:
    """Source: handbook_values.json: a therm is 29.3071 kWh; a kWh 3 412 Btu."""
    assert pytest.approx(29.3071, abs=1e-4) == THERM_KWH
    gas = HeatingInfo(fuel="natural_gas")
    assert unit_kwh("ft3", gas) == pytest.approx(1_039 / 3_412, rel=1e-4)
    oil = HeatingInfo(fuel="heating_oil")
    assert unit_kwh("gal", oil) == pytest.approx(137_381 / 3_412, rel=1e-4)
    assert unit_kwh("gal", oil) == pytest.approx(3.785411784 * unit_kwh("l", oil), rel=1e-12)
    assert unit_kwh("therm", gas) == THERM_KWH
    assert unit_kwh("kWh", HeatingInfo(fuel="electricity")) == 1.0


def test_the_bill_s_own_value_comes_before_the_table() -> None:
    info = HeatingInfo(fuel="natural_gas", heating_value=11.2, heating_value_source="bill of May")
    assert fuel_kwh(10.0, "fuel_m3", info) == pytest.approx(112)
    assert fuel_kwh(10.0, "fuel_l", info) == pytest.approx(0.112)
    assert fuel_kwh(10.0, "energy_kwh", info) == 10.0
    assert heating_value("fuel_m3", info).source == "bill of May"
    nameless = heating_value("fuel_m3", HeatingInfo(heating_value=11.2))
    assert "names no source" in nameless.source


def test_a_liquid_s_own_value_says_nothing_of_the_gas() -> None:
    info = HeatingInfo(fuel="propane", heating_value=6.9)
    assert heating_value("fuel_l", info).kwh == 6.9
    assert heating_value("fuel_m3", info) == FUELS["propane"]["fuel_m3"]


def test_what_a_counter_cannot_count_is_refused_with_a_way_out() -> None:
    with pytest.raises(InputError, match=r"fuel_m3 and the fuel is electricity; allowed: energy"):
        fuel_kwh(1.0, "fuel_m3", HeatingInfo(fuel="electricity"))
    with pytest.raises(InputError, match="unit is 'cord'; allowed: m3, ft3, l, gal, kWh, MWh, th"):
        unit_kwh("cord", HeatingInfo())


def test_unknown_amounts_stay_unknown() -> None:
    kwh = fuel_kwh(np.array([1.0, np.nan]), "fuel_m3", HeatingInfo())
    assert kwh[0] > 10
    assert np.isnan(kwh[1])
