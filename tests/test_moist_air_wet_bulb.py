"""The wet bulb put back into the psychrometric equation, written out here a second time.

Source: ASHRAE Fundamentals 2017, ch. 1, eq. 33 (water on the bulb) and 35 (ice).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.physics import air
from envmon.physics.saturation import saturation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.physics.saturation import Phase

    Array = NDArray[np.float64]

CORNER_TEMPS_C = [-60.0, -40.0, -20.0, -1.0, -0.01, 0.0, 0.01, 1.0, 5.0, 20.0, 50.0, 79.9, 80.0]
CORNER_REL_HUMS_PCT = [1e-6, 0.001, 0.1, 1.0, 5.0, 20.0, 50.0, 80.0, 99.0, 100.0, 103.0]
CORNER_PRESSURES_PA = [60_000.0, 80_000.0, 101_325.0, 110_000.0]


def humidity_ratio_from_bulb(temp_c: Any, wet_c: Any, pressure: Any, bulb: Phase) -> Any:
    # The bulb may lie a little outside −60…80 °C: the formula behind the public function.
    saturated = 0.621945 / (pressure / saturation(wet_c, bulb, np) - 1)
    if bulb == "water":
        return ((2501 - 2.326 * wet_c) * saturated - 1.006 * (temp_c - wet_c)) / (
            2501 + 1.86 * temp_c - 4.186 * wet_c
        )
    return ((2830 - 0.24 * wet_c) * saturated - 1.006 * (temp_c - wet_c)) / (
        2830 + 1.86 * temp_c - 2.1 * wet_c
    )


def residual(temp_c: Array, rel_hum: Array, pressure: Array, below_zero: Phase) -> Array:
    """Humidity ratio from the wet bulb minus the true one [kg/kg]."""
    wet = air.wet_bulb_c(temp_c, rel_hum, pressure, below_zero=below_zero)
    assert not np.isnan(wet).any()
    wetted = humidity_ratio_from_bulb(temp_c, wet, pressure, "water")
    frozen = humidity_ratio_from_bulb(temp_c, wet, pressure, "ice")
    found = np.where((wet < 0) & (below_zero == "ice"), frozen, wetted)
    return np.asarray(found - air.humidity_ratio_kg_kg(temp_c, rel_hum, pressure))


@pytest.fixture(name="states")
def _states() -> tuple[Array, Array, Array]:
    """All corners, and 200 000 states spread evenly, a third of them very dry."""
    corners = np.meshgrid(CORNER_TEMPS_C, CORNER_REL_HUMS_PCT, CORNER_PRESSURES_PA)
    random = np.random.default_rng(20)
    many = 200_000
    dry = 10 ** random.uniform(-4, 2, many)
    rel_hum = np.where(random.random(many) < 0.33, dry, random.uniform(0.01, 100, many))
    spread = (random.uniform(-60, 80, many), rel_hum, random.uniform(60_000, 110_000, many))
    pairs = zip(corners, spread, strict=True)
    temp_c, rel_hum, pressure = (np.concatenate([c.ravel(), s]) for c, s in pairs)
    return temp_c, rel_hum, pressure


@pytest.mark.parametrize("below_zero", ["ice", "water"])
def test_residual_is_nil_everywhere(states: tuple[Array, Array, Array], below_zero: Phase) -> None:
    left = residual(*states, below_zero)
    # 1e-12 kg/kg is less than 1e-8 K of the bulb.
    assert np.abs(left).max() < 1e-12


def test_bulb_lies_between_air_and_saturation(states: tuple[Array, Array, Array]) -> None:
    temp_c, rel_hum, pressure = states
    wet = air.wet_bulb_c(temp_c, rel_hum, pressure)
    point = np.where(wet < 0, air.frost_point_c(temp_c, rel_hum), air.dew_point_c(temp_c, rel_hum))
    assert not np.isnan(wet).any()
    assert (wet >= np.minimum(temp_c, point) - 1e-6).all()
    assert (wet <= np.maximum(temp_c, point) + 1e-6).all()


@given(st.floats(-60, 80), st.floats(60_000, 110_000))
def test_saturated_air_is_at_its_wet_bulb(temp_c: float, pressure: float) -> None:
    wet = air.wet_bulb_c(temp_c, 100, pressure, below_zero="water")
    assert wet == pytest.approx(temp_c, abs=1e-8)


@given(st.floats(-60, -0.001), st.floats(60_000, 110_000))
def test_air_saturated_over_ice_is_at_its_ice_bulb(temp_c: float, pressure: float) -> None:
    assert air.wet_bulb_c(temp_c, 100, pressure, over="ice") == pytest.approx(temp_c, abs=1e-8)


def test_ice_bulb_reads_above_air_over_saturated_over_ice() -> None:
    wet = air.wet_bulb_c(-20, 100)
    assert -20 < wet < -20 + 0.6
    assert wet < air.frost_point_c(-20, 100)


def test_hot_dry_corner_where_a_solver_can_stop_short() -> None:
    """psychrolib's own convergence test at 101 °C and RH 1 ends 70 K off without a word.

    At our corner, 80 °C and 0.001 %, the equation of dry air bounds the answer: the bulb gives
    up 1.006 (80 − wet) kJ/kg, all of it into (2501 − 2.326 wet) W_saturated.
    """
    wet = air.wet_bulb_c(80, 0.001)
    given_up = 1.006 * (80 - wet)
    taken = (2501 - 2.326 * wet) * 0.621945 / (101_325 / air.saturation_pressure_pa(wet) - 1)
    assert taken == pytest.approx(given_up, rel=1e-3)


def test_step_at_zero_is_the_one_the_equations_have() -> None:
    """Ice and water bulbs differ by up to 0.7 K around 0 °C: here the step, and its size."""
    rel_hum = np.linspace(1, 60, 20_001)
    wet = air.wet_bulb_c(8, rel_hum)
    smooth = air.wet_bulb_c(8, rel_hum, below_zero="water")
    assert np.diff(wet).max() == pytest.approx(0.55, abs=0.2)
    assert (np.diff(wet) > 0.1).sum() == 1
    assert np.diff(smooth).max() < 0.01
    assert not ((wet > -0.3) & (wet < 0)).any()
    np.testing.assert_array_equal(wet[wet >= 0], smooth[wet >= 0])
