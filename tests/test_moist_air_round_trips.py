from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.physics import air

temps = st.floats(-60, 80)
rel_hums = st.floats(0.01, 100 + air.RH_SENSOR_ERROR_PCT)
pressures = st.floats(60_000, 110_000)


@given(temps, rel_hums)
def test_rel_hum_comes_back_from_the_dew_point(temp_c: float, rel_hum: float) -> None:
    dew = air.dew_point_c(temp_c, rel_hum)
    try:
        assert air.rel_hum_pct_from_dew_point(temp_c, dew) == pytest.approx(rel_hum, rel=1e-9)
    except InputError:
        assert rel_hum > (100 + air.RH_SENSOR_ERROR_PCT) * (1 - 1e-9)  # the very edge, rounded up


@given(st.floats(-60, 0.01), st.floats(0.01, 100))
def test_rel_hum_over_ice_comes_back_too(temp_c: float, rel_hum: float) -> None:
    dew = air.dew_point_c(temp_c, rel_hum, over="ice")
    found = air.rel_hum_pct_from_dew_point(temp_c, dew, over="ice")
    assert found == pytest.approx(rel_hum, rel=1e-9)


@given(st.floats(-60, 80))
def test_saturated_air_is_at_its_dew_point(temp_c: float) -> None:
    assert air.dew_point_c(temp_c, 100) == pytest.approx(temp_c, abs=1e-9)


@given(st.floats(-60, 0.0099))
def test_air_saturated_over_ice_is_at_its_frost_point(temp_c: float) -> None:
    assert air.frost_point_c(temp_c, 100, over="ice") == pytest.approx(temp_c, abs=1e-9)


@given(temps, rel_hums)
def test_air_at_its_frost_point_saturates(temp_c: float, rel_hum: float) -> None:
    frost = air.frost_point_c(temp_c, rel_hum)
    if not -60 <= frost <= 0.01:
        return
    assert air.saturation_pressure_pa(frost, "ice") == pytest.approx(
        air.vapour_pressure_pa(temp_c, rel_hum), rel=1e-9
    )


@given(temps, rel_hums, pressures)
def test_numbers_arrays_and_whole_state_agree(
    temp_c: float, rel_hum: float, pressure: float
) -> None:
    state = air.moist_air_state(temp_c, rel_hum, pressure)
    arrays = air.moist_air_state([temp_c, 20.0], rel_hum, pressure)
    for number, array in zip(state, arrays, strict=True):
        assert array[0] == pytest.approx(number, rel=1e-12, abs=1e-9)
    single = (
        air.dew_point_c(temp_c, rel_hum),
        air.frost_point_c(temp_c, rel_hum),
        air.wet_bulb_c(temp_c, rel_hum, pressure),
        air.vapour_pressure_pa(temp_c, rel_hum),
        air.humidity_ratio_kg_kg(temp_c, rel_hum, pressure),
        air.absolute_humidity_kg_m3(temp_c, rel_hum),
        air.enthalpy_j_kg(temp_c, air.humidity_ratio_kg_kg(temp_c, rel_hum, pressure)),
    )
    assert state == pytest.approx(single, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(("dew_c", "frost_c"), [(-5, -4.43), (-10, -8.90), (-20, -17.95)])
def test_dew_and_frost_point_differ_below_zero(dew_c: float, frost_c: float) -> None:
    """Pairs of the check collection's conventions, to their 0.01 K (0.03 K between libraries)."""
    rel_hum = air.rel_hum_pct_from_dew_point(5, dew_c)
    assert air.frost_point_c(5, rel_hum) == pytest.approx(frost_c, abs=0.03)


def test_saturation_over_water_is_over_saturation_over_ice() -> None:
    """121.6 % at −20 °C, from the check collection's conventions."""
    ratio = air.saturation_pressure_pa(-20) / air.saturation_pressure_pa(-20, "ice")
    assert 100 * ratio == pytest.approx(121.6, abs=0.1)


def test_dew_point_of_the_bay() -> None:
    """7.7 °C at 20 °C and 45 % RH: the trade's own figure (common practice)."""
    assert air.dew_point_c(20, 45) == pytest.approx(7.7, abs=0.05)


def test_absolute_humidity_is_ratio_times_dry_air_per_volume() -> None:
    """Both follow from the ideal gas law; the gas constants agree with the mass ratio to 1e-5."""
    temp_c = np.linspace(-60, 80, 29)[:, None]
    rel_hum = np.array([1.0, 50, 100])
    ratio = air.humidity_ratio_kg_kg(temp_c, rel_hum)
    expected = ratio / air.specific_volume_m3_kg(temp_c, ratio)
    np.testing.assert_allclose(air.absolute_humidity_kg_m3(temp_c, rel_hum), expected, rtol=2e-5)
