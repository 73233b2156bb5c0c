"""Vapour pressure and density of carriers, held to other people's correlations."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from envmon.errors import InputError
from envmon.physics.carriers import (
    CARRIERS,
    DIFFUSION_POWER,
    carrier_of,
    carrier_pressure_pa,
    evaporation_ratio,
)
from envmon.physics.saturation import ZERO_C_K
from envmon.shop.work import Carrier as CarrierName

TABLE = Path(__file__).parents[1] / "fixtures" / "check" / "handbook_values.json"
CAS = {"2-propanol": "67-63-0", "ethanol": "64-17-5", "acetone": "67-64-1", "water": "7732-18-5"}
SPIRITS = ("2-propanol", "ethanol", "acetone")


def handbook(quantity: str) -> list[dict[str, Any]]:
    """Rows of the check collection; each carries its source."""
    return [row for row in json.loads(TABLE.read_text()) if row["quantity"] == quantity]


def perry_pa(name: str, temp_c: float) -> float:
    """Perry's Chemical Engineers' Handbook, 8th ed., table 2-8, as tabulated in chemicals."""
    chemicals = pytest.importorskip("chemicals", reason="reference tables; a test extra")
    row = chemicals.vapor_pressure.Psat_data_Perrys2_8.loc[CAS[name]]
    temp = temp_c + ZERO_C_K
    return math.exp(row.C1 + row.C2 / temp + row.C3 * math.log(temp) + row.C4 * temp**row.C5)


def test_the_shop_file_and_physics_know_the_same_carriers() -> None:
    assert set(get_args(CarrierName)) == set(CARRIERS)


def test_antoine_constants_are_those_of_the_collection() -> None:
    """Poling, The Properties of Gases and Liquids, 5th ed.: a row of the check collection."""
    (row,) = handbook("2-propanol Antoine (log10 P/Pa, T/K)")
    assert carrier_of("2-propanol").antoine == tuple(row["value"][key] for key in "ABC")


@pytest.mark.parametrize(
    "row", handbook("2-propanol vapour pressure"), ids=lambda r: r["conditions"]
)
def test_vapour_pressure_of_the_collection(row: dict[str, Any]) -> None:
    """Rows of the check collection: Antoine (Poling), to the digits given."""
    temp_c = float(row["conditions"].removesuffix(" C"))
    assert carrier_pressure_pa("2-propanol", temp_c) == pytest.approx(1000 * row["value"], rel=3e-4)


@pytest.mark.parametrize("name", SPIRITS)
def test_constants_are_poling_s(name: str) -> None:
    """Poling's table as kept in the library chemicals; molar mass from there too."""
    chemicals = pytest.importorskip("chemicals", reason="reference tables; a test extra")
    row = chemicals.vapor_pressure.Psat_data_AntoinePoling.loc[CAS[name]]
    assert carrier_of(name).antoine == (row.A, row.B, row.C)


@pytest.mark.parametrize("name", CARRIERS)
def test_molar_mass_and_density(name: str) -> None:
    """Molar mass: chemicals. Density at 20 °C: VDI Heat Atlas as in chemicals, to 1 %."""
    chemicals = pytest.importorskip("chemicals", reason="reference tables; a test extra")
    carrier = carrier_of(name)
    assert carrier.molar_mass == pytest.approx(chemicals.MW(CAS[name]) / 1000, rel=1e-6)
    row = chemicals.volume.rho_data_VDI_PPDS_2.loc[CAS[name]]
    tau = 1 - 293.15 / row.Tc
    powers = (0.35, 2 / 3, 1.0, 4 / 3)
    terms = zip((row.A, row.B, row.C, row.D), powers, strict=True)
    density = row.rhoc + sum(factor * tau**power for factor, power in terms)
    assert carrier.density_kg_l == pytest.approx(density / 1000, rel=0.01)


@pytest.mark.parametrize(
    ("name", "within", "drawn_on"),
    [
        ("2-propanol", 0.03, 0.06), ("ethanol", 0.01, 0.01), ("acetone", 0.005, 0.015),
        ("water", 0.005, 0.006),
    ],
)  # fmt: skip
def test_change_from_20_degrees_agrees_with_another_correlation(
    name: str, within: float, drawn_on: float
) -> None:
    """Perry, table 2-8, 5 to 40 °C; and where Poling's constants are drawn on, −10 to 5 °C."""
    for temp_c in range(-10, 41, 5):
        if temp_c < carrier_of(name).coldest_c:
            continue
        ours = carrier_pressure_pa(name, temp_c) / carrier_pressure_pa(name, 20)
        theirs = perry_pa(name, temp_c) / perry_pa(name, 20)
        assert ours == pytest.approx(theirs, rel=within if temp_c >= 5 else drawn_on), temp_c


@pytest.mark.parametrize("name", CARRIERS)
def test_it_boils_at_its_boiling_point(name: str) -> None:
    """Normal boiling points: CRC as in chemicals. Only acetone's lies within 60 °C."""
    chemicals = pytest.importorskip("chemicals", reason="reference tables; a test extra")
    boiling_c = chemicals.Tb(CAS[name]) - ZERO_C_K
    if boiling_c <= 60:
        assert carrier_pressure_pa(name, boiling_c) == pytest.approx(101_325, rel=0.005)
    else:
        assert carrier_pressure_pa(name, 60) < 101_325
        with pytest.raises(InputError, match="to 60 °C"):
            carrier_pressure_pa(name, boiling_c)


def test_evaporation_doubles_in_10_to_11_kelvin() -> None:
    """Rule of thumb of the trade, common practice; 2-propanol between 15 and 25 °C."""
    for start in (15.0, 20.0, 25.0):
        assert evaporation_ratio("2-propanol", start + 10, start + 10, start) < 2.06
        assert evaporation_ratio("2-propanol", start + 11.5, start + 11.5, start) > 2.0
    assert evaporation_ratio("2-propanol", 25, 25, 14.5) == pytest.approx(2, rel=0.06)


def test_diffusion_grows_as_others_measured_it() -> None:
    """Water vapour in air: Massman 1998, power 1.81 of the temperature (from memory)."""
    warmer = (40 + ZERO_C_K) / ZERO_C_K
    assert warmer**DIFFUSION_POWER == pytest.approx(warmer**1.81, rel=0.01)
    film = evaporation_ratio("acetone", 20, 40, 20)
    assert film == pytest.approx((313.15 / 293.15) ** 0.75, rel=1e-12)


@pytest.mark.parametrize("name", CARRIERS)
def test_an_array_gives_what_its_numbers_give(name: str) -> None:
    temps = np.linspace(carrier_of(name).coldest_c, 60, 29)
    found = carrier_pressure_pa(name, temps)
    assert found == pytest.approx([carrier_pressure_pa(name, float(t)) for t in temps], rel=1e-12)
    assert np.all(np.diff(found) > 0)
    outside = carrier_pressure_pa(name, np.array([-20.0, 20.0, 61.0, math.nan]))
    assert np.isnan(outside).tolist() == [True, False, True, True]


@pytest.mark.parametrize("temp_c", [-10.1, 60.1, math.nan, math.inf])
def test_outside_its_range_it_says_so(temp_c: float) -> None:
    with pytest.raises(InputError, match=r"2-propanol is .*allowed is −10 to 60 °C"):
        carrier_pressure_pa("2-propanol", temp_c)


def test_water_ends_where_it_freezes() -> None:
    with pytest.raises(InputError, match="allowed is 0 to 60 °C"):
        carrier_pressure_pa("water", -1)


def test_unknown_carrier_says_which_there_are() -> None:
    with pytest.raises(InputError, match="carrier is 'white spirit'; there are values for 2-prop"):
        carrier_of("white spirit")
