from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from envmon.errors import InputError
from envmon.physics import air

if TYPE_CHECKING:
    from collections.abc import Callable

NAN, INF = math.nan, math.inf
OF_AIR: list[Callable[..., Any]] = [
    air.vapour_pressure_pa,
    air.dew_point_c,
    air.frost_point_c,
    air.humidity_ratio_kg_kg,
    air.absolute_humidity_kg_m3,
    air.wet_bulb_c,
    air.moist_air_state,
]
OF_PRESSURE: list[Callable[..., Any]] = [
    air.humidity_ratio_kg_kg,
    air.wet_bulb_c,
    air.moist_air_state,
]
BAD_TEMPS = [-60.001, 80.001, 85, -127.0, NAN, INF, -INF]
BAD_REL_HUMS = [0, -0.0, -1, 103.001, 130, NAN, INF, -INF]
BAD_PRESSURES = [59_999, 110_001, 1013.25, 0, -1, NAN, INF]


def refused(call: Callable[[], Any], what: str) -> None:
    with pytest.raises(InputError, match=rf"{what}.* is .*; allowed is .*: check"):
        call()


@pytest.mark.parametrize("function", OF_AIR)
def test_one_bad_number_is_refused_by_name(function: Callable[..., Any]) -> None:
    for temp in BAD_TEMPS:
        refused(partial(function, temp, 50), "temperature")
    for rel_hum in BAD_REL_HUMS:
        refused(partial(function, 20, rel_hum), "relative humidity")


@pytest.mark.parametrize("function", OF_PRESSURE)
def test_a_bad_pressure_is_refused(function: Callable[..., Any]) -> None:
    for pressure in BAD_PRESSURES:
        refused(partial(function, 20, 50, pressure), "air pressure")


@pytest.mark.parametrize("function", OF_AIR)
def test_in_an_array_only_the_bad_place_is_nan(function: Callable[..., Any]) -> None:
    """No warning leaks: warnings are errors here."""
    temps = np.array([20.0, *BAD_TEMPS, 20.0])
    found = np.atleast_2d(function(temps, 50.0))
    np.testing.assert_array_equal(np.isnan(found), [np.isin(temps, 20.0, invert=True)] * len(found))
    rel_hums = np.array([50.0, *BAD_REL_HUMS, 50.0])
    found = np.atleast_2d(function(20.0, rel_hums))
    bad = np.isin(rel_hums, 50.0, invert=True)
    np.testing.assert_array_equal(np.isnan(found), [bad] * len(found))


@pytest.mark.parametrize("function", OF_PRESSURE)
def test_a_bad_pressure_in_an_array_is_nan(function: Callable[..., Any]) -> None:
    found = np.atleast_2d(function(20.0, 50.0, np.array([*BAD_PRESSURES, 1e5])))
    assert np.isnan(found[:, :-1]).all()
    assert not np.isnan(found[:, -1]).any()


@pytest.mark.parametrize("function", [*OF_AIR, air.rel_hum_pct_from_dew_point])
def test_an_array_of_nothing_but_nan_stays_quiet(function: Callable[..., Any]) -> None:
    assert np.isnan(function(np.full(5, NAN), np.full(5, NAN))).all()
    assert np.size(function(np.empty(0), 5.0)) == 0


def test_mixture_functions_refuse_too() -> None:
    refused(lambda: air.enthalpy_j_kg(20, -0.001), "humidity ratio")
    refused(lambda: air.enthalpy_j_kg(90, 0.001), "temperature")
    refused(lambda: air.density_kg_m3(20, 0.005, 1013), "air pressure")
    refused(lambda: air.specific_volume_m3_kg(20, NAN), "humidity ratio")
    refused(lambda: air.pressure_pa_from_altitude(4001), "altitude")
    assert np.isnan(air.pressure_pa_from_altitude([4001, -501])).all()
    assert np.isnan(air.density_kg_m3(20, np.array([-1.0, NAN]))).all()


def test_rh_over_ice_ends_where_ice_melts() -> None:
    assert air.dew_point_c(0.01, 100, over="ice") == pytest.approx(0.01, abs=1e-4)
    refused(lambda: air.dew_point_c(0.02, 100, over="ice"), "temperature over ice")
    refused(lambda: air.saturation_pressure_pa(5, over="ice"), "temperature over ice")
    assert np.isnan(air.dew_point_c(np.array([0.02]), 100, over="ice")).all()


def test_rh_up_to_the_sensor_error_over_100_is_worked_out_as_it_stands() -> None:
    """Not cut to 100: 3 % more vapour, and a dew point above the air, on the wet, safe side.

    One K of dew point is about 6.2 % of vapour at 20 °C (Clausius-Clapeyron), so 3 % is 0.48 K.
    """
    highest = 100 + air.RH_SENSOR_ERROR_PCT
    saturated = air.saturation_pressure_pa(20)
    assert air.vapour_pressure_pa(20, highest) == pytest.approx(1.03 * saturated, rel=1e-12)
    assert air.dew_point_c(20, highest) - 20 == pytest.approx(0.48, abs=0.01)
    assert air.wet_bulb_c(20, highest) > 20
    assert air.dew_point_c(np.array([20.0]), highest)[0] == air.dew_point_c(20, highest)


def test_vapour_too_thin_for_any_formula_is_refused() -> None:
    with pytest.raises(InputError, match="drier than saturated air at -150"):
        air.dew_point_c(20, 1e-12)
    assert np.isnan(air.frost_point_c(np.array([20.0]), 1e-12)).all()


def test_dew_point_above_the_air_is_refused() -> None:
    with pytest.raises(InputError, match="dew point is 21 °C; allowed is up to the air's 20 °C"):
        air.rel_hum_pct_from_dew_point(20, 21)
    assert np.isnan(air.rel_hum_pct_from_dew_point(20, np.array([21.0]))).all()
    assert air.rel_hum_pct_from_dew_point(20, 20.4) == pytest.approx(102.5, abs=0.1)


def test_numbers_give_floats_and_arrays_give_arrays() -> None:
    for number in (20, 20.0, np.float64(20), np.int64(20), np.float32(20)):
        assert type(air.dew_point_c(number, 45)) is float
    assert all(type(value) is float for value in air.moist_air_state(20, 45))
    assert air.dew_point_c(np.zeros((3, 1)), np.full(4, 50)).shape == (3, 4)
    assert air.dew_point_c([20, 21], 45).dtype == np.float64
    assert air.dew_point_c(np.array(20.0), 45).shape == ()
    assert air.moist_air_state(np.zeros((3, 1)), np.full(4, 50)).wet_bulb_c.shape == (3, 4)


def test_what_is_given_is_left_alone() -> None:
    temps, rel_hums = np.array([20.0, 99.0]), np.array([50.0, 0.0])
    air.moist_air_state(temps, rel_hums)
    np.testing.assert_array_equal(temps, [20.0, 99.0])
    np.testing.assert_array_equal(rel_hums, [50.0, 0.0])


def test_a_block_border_changes_nothing() -> None:
    """Arrays are worked on in blocks; each place must hold what it would hold alone."""
    random = np.random.default_rng(7)
    temps, rel_hums = random.uniform(-60, 80, 40_000), random.uniform(0.1, 100, 40_000)
    whole = air.wet_bulb_c(temps, rel_hums)
    for place in (0, 16_383, 16_384, 32_767, 32_768, 39_999):
        alone = air.wet_bulb_c(float(temps[place]), float(rel_hums[place]))
        assert whole[place] == pytest.approx(alone, abs=1e-8)
