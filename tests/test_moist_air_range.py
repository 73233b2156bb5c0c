"""Outside the valid range: one number is refused, an array's place becomes NaN, nothing warns.

The range itself is the project's own: −60…80 °C, 0 < RH ≤ 100 % with 3 % of sensor error on top,
60…110 kPa. Warnings are errors in this suite, so a test that passes has seen none.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from envmon.errors import InputError
from envmon.physics import air
from envmon.physics.ranges import BLOCK

if TYPE_CHECKING:
    from collections.abc import Callable

TEMP = "temperature is {} °C; allowed is −60 to 80 °C"
REL_HUM = "relative humidity is {} %; allowed is above 0 to 100 % (and up to 103 %"
PRESSURE = "air pressure is {} Pa; allowed is 60 000 to 110 000 Pa"
RATIO = "humidity ratio is {} kg/kg; allowed is 0 to 3 kg/kg"
ALTITUDE = "altitude is {} m; allowed is −500 to 4000 m"
DEW = "dew point is {} °C; allowed is"

# Of each input: a good value, what the refusal says, and values just outside and far out.
INPUTS: dict[str, tuple[float, str, tuple[float, ...]]] = {
    "air_temp": (20.0, TEMP, (-60.001, 80.001, 1e300, -273.15)),
    "rel_hum": (45.0, REL_HUM, (0.0, -1.0, 103.001, 1e300)),
    "pressure": (101_325.0, PRESSURE, (59_999.0, 110_001.0, 0.0, -1.0)),
    "ratio": (0.007, RATIO, (-1e-9, 3.001, 1e300)),
    "altitude": (100.0, ALTITUDE, (-500.1, 4000.1, 1e300)),
    "dew": (7.7, DEW, (-150.1, 81.1, 21.0)),
}
STATE, WHOLE = ("air_temp", "rel_hum"), ("air_temp", "rel_hum", "pressure")
FUNCTIONS: dict[str, tuple[str, ...]] = {
    "saturation_pressure_pa": ("air_temp",),
    "vapour_pressure_pa": STATE,
    "dew_point_c": STATE,
    "frost_point_c": STATE,
    "absolute_humidity_kg_m3": STATE,
    "humidity_ratio_kg_kg": WHOLE,
    "wet_bulb_c": WHOLE,
    "moist_air_state": WHOLE,
    "enthalpy_j_kg": ("air_temp", "ratio"),
    "specific_volume_m3_kg": ("air_temp", "ratio", "pressure"),
    "density_kg_m3": ("air_temp", "ratio", "pressure"),
    "pressure_pa_from_altitude": ("altitude",),
    "rel_hum_pct_from_dew_point": ("air_temp", "dew"),
}
CASES = [
    pytest.param(name, place, bad, id=f"{name}-{inputs[place]}-{bad:g}")
    for name, inputs in FUNCTIONS.items()
    for place in range(len(inputs))
    for bad in (*INPUTS[inputs[place]][2], math.nan, math.inf, -math.inf)
]


def good(name: str) -> list[float]:
    return [INPUTS[name][0] for name in FUNCTIONS[name]]


def fields(found: Any) -> tuple[Any, ...]:
    """Return the fields of a whole state, or the one value of the other functions."""
    return tuple(found) if isinstance(found, tuple) else (found,)


def test_every_function_is_tried() -> None:
    constants = {"RH_SENSOR_ERROR_PCT", "STANDARD_PRESSURE_PA", "MoistAir"}
    assert set(FUNCTIONS) == set(air.__all__) - constants


@pytest.mark.parametrize(("name", "place", "bad"), CASES)
def test_number_outside_is_refused_with_what_is_allowed(name: str, place: int, bad: float) -> None:
    values = good(name)
    values[place] = bad
    says = INPUTS[FUNCTIONS[name][place]][1].format(f"{bad:.6g}")
    with pytest.raises(InputError, match=re.escape(says)) as refused:
        getattr(air, name)(*values)
    assert ": check the " in str(refused.value)


@pytest.mark.parametrize(("name", "place", "bad"), CASES)
def test_place_outside_is_nan_and_its_neighbours_are_not_touched(
    name: str, place: int, bad: float
) -> None:
    values: list[Any] = good(name)
    expected = fields(getattr(air, name)(*values))
    values[place] = np.array([values[place], bad, values[place]])
    handed_in = values[place].copy()
    found = fields(getattr(air, name)(*values))
    assert len(found) == len(expected)
    for array, number in zip(found, expected, strict=True):
        assert array.dtype == np.float64
        np.testing.assert_allclose(array, [number, np.nan, number], rtol=1e-12)
    np.testing.assert_array_equal(values[place], handed_in)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_edges_of_the_range_belong_to_it(name: str) -> None:
    edges: dict[str, tuple[float, ...]] = {
        "air_temp": (-60.0, 80.0),
        "rel_hum": (0.01, 100.0, 100 + air.RH_SENSOR_ERROR_PCT),
        "pressure": (60_000.0, 110_000.0),
        "ratio": (0.0, 3.0),
        "altitude": (-500.0, 4000.0),
        "dew": (-150.0, -60.0),
    }
    grids = np.meshgrid(*(edges[one] for one in FUNCTIONS[name]))
    found = fields(getattr(air, name)(*grids))
    assert all(np.isfinite(array).all() for array in found)
    for state in zip(*(grid.flat for grid in grids), strict=True):
        assert all(map(math.isfinite, fields(getattr(air, name)(*state))))


@pytest.mark.parametrize(
    "function", [air.saturation_pressure_pa, lambda t, over: air.dew_point_c(t, 50, over)]
)
def test_ice_ends_where_it_melts(function: Callable[..., Any]) -> None:
    assert math.isfinite(function(0.01, "ice"))
    with pytest.raises(InputError, match=r"over ice is 0\.02 °C; allowed is −60 to 0\.01 °C"):
        function(0.02, "ice")
    assert np.isnan(function(np.array([-5, 0.01, 0.02]), "ice")).tolist() == [False, False, True]


@pytest.mark.parametrize("rel_hum", [100.5, 101.0, 102.0, 103.0])
def test_rel_hum_over_100_by_the_sensor_s_error_is_not_cut(rel_hum: float) -> None:
    over, at = (air.moist_air_state(20, value) for value in (rel_hum, 100))
    assert over.vapour_pressure_pa == pytest.approx(at.vapour_pressure_pa * rel_hum / 100)
    assert 20 < over.dew_point_c < 20.5
    assert over.wet_bulb_c > 20
    assert over.humidity_ratio_kg_kg > at.humidity_ratio_kg_kg
    back = air.rel_hum_pct_from_dew_point(20, over.dew_point_c - 1e-9)
    assert back == pytest.approx(rel_hum, abs=1e-6)


@pytest.mark.parametrize("shape", [(), (0,), (1,), (3, 0), (2, 3, 4)])
def test_arrays_keep_their_shape(shape: tuple[int, ...]) -> None:
    state = air.moist_air_state(np.full(shape, 20), 45.0, 101_325)
    for field in state:
        assert np.shape(field) == shape
        assert field.dtype == np.float64


def test_inputs_broadcast() -> None:
    temps, rel_hums = np.array([[-5.0], [20.0]]), [10, 50, 100]
    found = air.wet_bulb_c(temps, rel_hums, 90_000)
    assert found.shape == (2, 3)
    for i, temp_c in enumerate((-5.0, 20.0)):
        for j, rel_hum in enumerate(rel_hums):
            expected = air.wet_bulb_c(temp_c, rel_hum, 90_000)
            assert found[i, j] == pytest.approx(expected, abs=1e-9)


def test_long_arrays_are_the_same_wherever_they_are_cut_into_blocks() -> None:
    n = 2 * BLOCK + 3
    rng = np.random.default_rng(7)
    temps, rel_hums = rng.uniform(-60, 80, n), rng.uniform(1, 103, n)
    outside = [0, BLOCK - 1, BLOCK, 2 * BLOCK, n - 1]
    temps[outside] = [np.nan, 80.1, -60.1, np.inf, -np.inf]
    whole = air.moist_air_state(temps, rel_hums, 95_000)
    shifted = air.moist_air_state(temps[5:], rel_hums[5:], 95_000)
    for long, short in zip(whole, shifted, strict=True):
        assert np.flatnonzero(np.isnan(long)).tolist() == outside
        np.testing.assert_allclose(long[5:], short, rtol=1e-12, atol=1e-9)
