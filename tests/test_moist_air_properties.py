"""What has to hold for any state of the valid range, with states that hypothesis picks.

The wet bulb is put back into psychrolib here, corners of the range included.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.physics import air
from envmon.physics.saturation import saturation, temperature_of

Phase = Literal["water", "ice"]

PRESSURES = (60_000.0, 80_000.0, 101_325.0, 110_000.0)

temps = st.floats(-60, 80)
rel_hums = st.floats(0.01, 103)
pressures = st.floats(60_000, 110_000)
phases = st.sampled_from(["water", "ice"])


def assert_rises(low: air.MoistAir, high: air.MoistAir) -> None:
    for name, before, after in zip(air.MoistAir._fields, low, high, strict=True):
        # Over-saturated air just below 0 °C has ice and water on the bulb, at 0 °C.
        melting = name == "wet_bulb_c" and before == after == 0
        assert before < after or melting, name


@given(temps, temps, rel_hums, pressures)
def test_warmer_air_of_one_rel_hum_is_wetter(
    one: float, other: float, rel_hum: float, pressure: float
) -> None:
    if abs(one - other) < 1e-6:
        return
    assert_rises(*(air.moist_air_state(t, rel_hum, pressure) for t in sorted((one, other))))


@given(temps, rel_hums, rel_hums, pressures)
def test_wetter_air_of_one_temperature_is_wetter_in_every_way(
    temp_c: float, one: float, other: float, pressure: float
) -> None:
    if abs(one - other) < 1e-6 * max(one, other):
        return
    assert_rises(*(air.moist_air_state(temp_c, rh, pressure) for rh in sorted((one, other))))


@pytest.mark.parametrize("over", ["water", "ice"])
def test_saturation_temperature_comes_back(over: Phase) -> None:
    temp_c = np.linspace(-150, 0.01 if over == "ice" else 100, 25_001)
    found = temperature_of(saturation(temp_c, over, np), over, np)
    assert np.abs(found - temp_c).max() < 1e-9


@given(st.floats(-150, 100))
def test_saturation_temperature_of_one_number_comes_back(temp_c: float) -> None:
    found = temperature_of(saturation(temp_c, "water", math), "water", math)
    assert found == pytest.approx(temp_c, abs=1e-9)


@pytest.mark.parametrize(("pressure", "largest"), [(101_325, 0.67), (60_000, 0.86)])
def test_step_from_water_to_ice_on_the_bulb(pressure: float, largest: float) -> None:
    """0.7 K is what splits the libraries at 0 °C (check collection); thin dry air has more."""
    temp_c = np.linspace(5, 20, 15_001)
    water = air.wet_bulb_c(temp_c, 0.01, pressure, below_zero="water")
    ice = air.wet_bulb_c(temp_c, 0.01, pressure)
    assert np.diff(water).max() < 1e-3
    assert np.diff(ice).max() == pytest.approx(largest, abs=0.02)
    np.testing.assert_array_equal(ice[water >= 0], water[water >= 0])
    assert ice[water < 0].max() < -0.6


def put_back(temp_c: float, wet_bulb_c: float, pressure: float) -> float:
    return float(psychrolib.GetHumRatioFromTWetBulb(temp_c, wet_bulb_c, pressure))


@pytest.mark.parametrize("pressure", PRESSURES)
def test_wet_bulb_within_0_05_k_by_psychrolib(pressure: float) -> None:
    """psychrolib's humidity ratio 0.05 K below and above our wet bulb encloses ours.

    Its own solver is not used. Left out: air over-saturated over ice, which it refuses, and wet
    bulbs within 0.05 K of 0 °C, where one bracket lies on ice and the other on water. Close to
    saturation the upper bracket ends at the air temperature, with 0.3 % for its other formulas.
    """
    psychrolib.SetUnitSystem(psychrolib.SI)
    checked = 0
    for temp_c in range(-60, 81, 2):
        for rel_hum in (1.0, 5.0, 20.0, 45.0, 60.0, 80.0, 95.0, 100.0):
            state = air.moist_air_state(temp_c, rel_hum, pressure)
            wet, ratio = state.wet_bulb_c, state.humidity_ratio_kg_kg
            if wet > temp_c + 1e-6 or abs(wet) < 0.05:
                continue
            slack = 1.003 if wet + 0.05 > temp_c else 1
            low, high = wet - 0.05, min(wet + 0.05, temp_c)
            assert (
                put_back(temp_c, low, pressure) < ratio < slack * put_back(temp_c, high, pressure)
            ), (temp_c, rel_hum)
            checked += 1
    assert checked > 450


@given(temps, rel_hums, pressures, phases, phases)
def test_one_number_is_worked_out_as_in_an_array(
    temp_c: float, rel_hum: float, pressure: float, over: Phase, below_zero: Phase
) -> None:
    temp_c = min(temp_c, 0.01) if over == "ice" else temp_c
    number = air.wet_bulb_c(temp_c, rel_hum, pressure, over, below_zero)
    array = air.wet_bulb_c([temp_c, -30.0, 0.0], rel_hum, pressure, over, below_zero)
    assert array[0] == pytest.approx(number, abs=1e-9)
    for function in (air.dew_point_c, air.frost_point_c, air.absolute_humidity_kg_m3):
        number = function(temp_c, rel_hum, over)
        array = function([-30.0, temp_c], rel_hum, over)
        assert array[1] == pytest.approx(number, rel=1e-12, abs=1e-9)


@given(st.floats(-60, 0.01), st.floats(1, 80), pressures)
def test_phase_of_rel_hum_only_renames_the_same_air(
    temp_c: float, rel_hum: float, pressure: float
) -> None:
    over_ice = rel_hum * air.saturation_pressure_pa(temp_c)
    over_ice /= air.saturation_pressure_pa(temp_c, "ice")
    if over_ice > 103:
        return
    for function in (air.dew_point_c, air.frost_point_c):
        found = function(temp_c, over_ice, "ice")
        assert found == pytest.approx(function(temp_c, rel_hum), abs=1e-8)
    found = air.wet_bulb_c(temp_c, over_ice, pressure, "ice")
    assert found == pytest.approx(air.wet_bulb_c(temp_c, rel_hum, pressure), abs=1e-8)
