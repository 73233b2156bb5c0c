from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from envmon.physics import air

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.physics.saturation import Phase

TEMPS_C = np.concatenate(
    [np.linspace(-60, -0.02, 6000), np.linspace(-0.0199, 0.03, 5001), np.linspace(0.031, 80, 8000)]
)
REL_HUMS_PCT = np.linspace(0.01, 103, 4000)
SOME_REL_HUMS_PCT = np.array([0.01, 1, 20, 45, 80, 100])[:, None]


def assert_rising(values: NDArray[np.float64]) -> None:
    assert not np.isnan(values).any()
    assert np.diff(values, axis=-1).min() > 0


@pytest.mark.parametrize("over", ["water", "ice"])
def test_saturation_pressure_rises_with_temperature(over: Phase) -> None:
    temps = TEMPS_C if over == "water" else TEMPS_C[TEMPS_C <= 0.01]
    assert_rising(air.saturation_pressure_pa(temps, over))


def test_everything_rises_with_temperature_at_one_rel_hum() -> None:
    for pressure in (60_000, 101_325, 110_000):
        state = air.moist_air_state(TEMPS_C, SOME_REL_HUMS_PCT, pressure)
        for values in state._replace(wet_bulb_c=TEMPS_C):
            assert_rising(values)
        # Ice and water share the bulb at 0 °C for the last millikelvin of saturated air.
        wet = state.wet_bulb_c
        assert np.diff(wet).min() >= 0
        assert (np.diff(wet) > 0)[(wet[:, 1:] != 0) | (wet[:, :-1] != 0)].all()


def test_everything_rises_with_rel_hum_at_one_temperature() -> None:
    temps = np.array([-60, -20, -5, -0.01, 0, 0.01, 4, 8, 20, 50, 80])[:, None]
    for pressure in (60_000, 101_325, 110_000):
        state = air.moist_air_state(temps, REL_HUMS_PCT, pressure)
        for values in state:
            assert_rising(values)


def test_frost_point_has_no_gap_at_the_triple_point() -> None:
    """Where ice gives way to water, at 0.01 °C, the two formulas meet within 1e-5 K."""
    rel_hum = np.linspace(25.0, 27.5, 100_001)
    frost = air.frost_point_c(20, rel_hum)
    assert frost[0] < 0.01 < frost[-1]
    assert_rising(frost)
    assert np.diff(frost).max() < 2e-5


def test_dew_point_has_no_gap_at_zero() -> None:
    """Murphy & Koop below, Hyland & Wexler above: they meet at 0 °C."""
    zero = air.rel_hum_pct_from_dew_point(20, 0)
    for width in (1.0, 1e-3, 1e-5):
        dew = air.dew_point_c(20, np.linspace(zero - width, zero + width, 10_001))
        assert dew[0] < 0 < dew[-1]
        assert_rising(dew)
        assert np.diff(dew).max() < 1.1 * np.diff(dew).min()


def test_density_falls_with_temperature_and_humidity() -> None:
    temps = np.linspace(-60, 80, 500)
    assert np.diff(air.density_kg_m3(temps, 0.005)).max() < 0
    assert np.diff(air.density_kg_m3(20, np.linspace(0, 0.014, 100))).max() < 0


def test_pressure_falls_with_altitude() -> None:
    assert np.diff(air.pressure_pa_from_altitude(np.linspace(-500, 4000, 500))).max() < 0
