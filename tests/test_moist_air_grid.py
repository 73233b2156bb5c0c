"""255 states beside psychrolib 2.5.0, CoolProp 8.0.0, IAPWS and Murphy & Koop.

Tolerances are those that hold between good libraries (fixtures/check, moist_air_grid.csv): dew
or frost point 0.03 K, vapour pressure and humidity ratio 0.8 %, enthalpy 0.4 kJ/kg below 30 °C,
wet bulb 0.05 K; where one formula is the same on both sides the tolerance is narrower.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from envmon.physics import air

if TYPE_CHECKING:
    from numpy.typing import NDArray

GRID = Path(__file__).parent.parent / "fixtures" / "check" / "moist_air_grid.csv"
with GRID.open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
ICE = np.array([row["RH_basis"] == "ice" for row in ROWS])


def column(name: str) -> NDArray[np.float64]:
    return np.array([float(row[name]) for row in ROWS])


TEMP_C, REL_HUM_PCT, PRESSURE_PA = column("T_C"), column("RH_pct"), 1000 * column("P_kPa")


def by_basis(function: Any, *values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Run one of our functions with RH over ice where the grid has it so, over water elsewhere."""
    found = np.empty(len(ROWS))
    for over, rows in (("ice", ICE), ("water", ~ICE)):
        found[rows] = function(*(value[rows] for value in values), over=over)
    return found


RATIO = by_basis(air.humidity_ratio_kg_kg, TEMP_C, REL_HUM_PCT, PRESSURE_PA)


def test_grid_is_whole_and_has_both_phases() -> None:
    assert len(ROWS) == 255
    assert 0 < ICE.sum() < 255


@pytest.mark.parametrize("reference", ["es_ref_Pa", "es_pl_Pa"])
def test_saturation_pressure_within_three_in_ten_thousand(reference: str) -> None:
    """IAPWS, and Hyland-Wexler through psychrolib, over ice below 0.01 °C."""
    found = by_basis(air.saturation_pressure_pa, TEMP_C)
    np.testing.assert_allclose(found, column(reference), rtol=3e-4)


def test_supercooled_water_is_murphy_and_koop() -> None:
    """Murphy & Koop (2005), eq. 10, computed elsewhere; ours joins on at 0 °C, 2.8e-7 higher."""
    cold = TEMP_C < 0
    found = air.saturation_pressure_pa(TEMP_C[cold])
    np.testing.assert_allclose(found, column("es_liq_mk_Pa")[cold], rtol=3e-7)


@pytest.mark.parametrize("reference", ["e_ref_Pa", "e_pl_Pa", "e_cp_Pa"])
def test_vapour_pressure_within_0_8_percent(reference: str) -> None:
    found = by_basis(air.vapour_pressure_pa, TEMP_C, REL_HUM_PCT)
    np.testing.assert_allclose(found, column(reference), rtol=8e-3)


@pytest.mark.parametrize("reference", ["Tsat_ref_C", "Tsat_pl_C", "Tsat_cp_C"])
def test_dew_or_frost_point_within_0_03_k(reference: str) -> None:
    found = by_basis(air.frost_point_c, TEMP_C, REL_HUM_PCT)
    np.testing.assert_allclose(found, column(reference), rtol=0, atol=0.03)


def test_dew_point_over_water_within_0_03_k_below_zero_too() -> None:
    found = by_basis(air.dew_point_c, TEMP_C, REL_HUM_PCT)
    np.testing.assert_allclose(found, column("Tdliq_mk_C"), rtol=0, atol=0.03)


@pytest.mark.parametrize("reference", ["W_pl", "W_cp"])
def test_humidity_ratio_within_0_8_percent(reference: str) -> None:
    np.testing.assert_allclose(RATIO, column(reference), rtol=8e-3)


@pytest.mark.parametrize("reference", ["h_pl_kJkg", "h_cp_kJkg"])
def test_enthalpy_within_0_4_kj_kg_below_30_c(reference: str) -> None:
    mild = TEMP_C < 30
    found = air.enthalpy_j_kg(TEMP_C, RATIO) / 1000
    np.testing.assert_allclose(found[mild], column(reference)[mild], rtol=0, atol=0.4)


@pytest.mark.parametrize("reference", ["Twb_pl_C", "Twb_cp_C"])
def test_wet_bulb_within_0_05_k_around_zero_too(reference: str) -> None:
    """Both references, like us, hold to water on the bulb down to 0 °C."""
    found = by_basis(air.wet_bulb_c, TEMP_C, REL_HUM_PCT, PRESSURE_PA)
    np.testing.assert_allclose(found, column(reference), rtol=0, atol=0.05)


@pytest.mark.parametrize(("reference", "slack"), [("v_pl_m3kg", 1e-6), ("v_cp_m3kg", 2e-3)])
def test_specific_volume(reference: str, slack: float) -> None:
    """The same ideal-gas equation as psychrolib; CoolProp is a real gas (0.2 %, our choice)."""
    found = air.specific_volume_m3_kg(TEMP_C, RATIO, PRESSURE_PA)
    np.testing.assert_allclose(found, column(reference), rtol=slack)


def test_whole_state_agrees_with_psychrolib_where_rh_lies_over_water() -> None:
    state = air.moist_air_state(TEMP_C[~ICE], REL_HUM_PCT[~ICE], PRESSURE_PA[~ICE])
    np.testing.assert_allclose(state.vapour_pressure_pa, column("e_pl_Pa")[~ICE], rtol=8e-3)
    np.testing.assert_allclose(state.humidity_ratio_kg_kg, column("W_pl")[~ICE], rtol=8e-3)
    np.testing.assert_allclose(state.frost_point_c, column("Tsat_pl_C")[~ICE], rtol=0, atol=0.03)
    np.testing.assert_allclose(state.dew_point_c, column("Tdliq_mk_C")[~ICE], rtol=0, atol=0.03)
    np.testing.assert_allclose(state.wet_bulb_c, column("Twb_pl_C")[~ICE], rtol=0, atol=0.05)
