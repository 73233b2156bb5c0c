"""Outdoor data: two sources made one, and a sensor that the sun shines on."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import DAY_US, MINUTE_US
from envmon.heating.outdoor import SUN_K, merged, sunny_days

if TYPE_CHECKING:
    from envmon.heating.model import Floats, Ints

DAYS = 10


def day_edges(days: int) -> Ints:
    return np.arange(days + 1, dtype=np.int64) * DAY_US


def line(seed: int) -> Floats:
    draw = np.random.default_rng(seed)
    hours = np.cumsum(draw.normal(0, 0.6, DAYS * 24 + 1))
    at = np.arange(DAYS * 1440) / 60
    values: Floats = np.interp(at, np.arange(DAYS * 24 + 1), hours)
    return values


def test_one_source_alone_is_taken_as_it_is() -> None:
    assert merged(None, None) is None
    point = merged(line(1), None)
    file = merged(None, line(1))
    assert point is not None
    assert file is not None
    assert (point.outdoor_c == line(1)).all()
    assert point.note == ""
    assert not point.imported.any()
    assert file.imported.all()
    assert file.note == "Outdoors from an imported file alone."


@given(st.integers(0, 1000), st.floats(-3.5, 3.5), st.integers(0, 4), st.integers(60, 3 * 1440))
def test_the_file_fills_what_the_sensor_lacks(
    seed: int, apart_k: float, day: int, lost_min: int
) -> None:
    point, file = line(seed), line(seed) - apart_k
    lost = slice(day * 1440, day * 1440 + lost_min)
    point[lost] = np.nan
    both = merged(point, file)
    assert both is not None
    assert both.outdoor_c == pytest.approx(line(seed), abs=1e-6)
    assert np.flatnonzero(both.imported).tolist() == list(range(lost.start, lost.stop))
    assert both.offset_k == pytest.approx(apart_k, abs=1e-6)
    assert f"{lost_min / 60:.0f} h without the sensor" in both.note


def test_sources_that_disagree_are_not_bent() -> None:
    point = line(4)
    point[:600] = np.nan
    both = merged(point, line(4) - 9.0)
    assert both is not None
    assert both.offset_k == 0.0
    assert both.outdoor_c[:600] == pytest.approx(line(4)[:600] - 9.0)
    assert "+9.0 K from it: see which of the two is wrong" in both.note


def test_two_days_in_common_are_too_few_to_bend_by() -> None:
    point = line(4)
    point[2 * 1440 :] = np.nan
    both = merged(point, line(4) - 1.0)
    assert both is not None
    assert both.offset_k == 0.0
    assert "share less than three days" in both.note


STATIONS = ("703165TY.csv", "723170TYA.CSV")


@lru_cache(maxsize=2)
def weather(file: str) -> tuple[Floats, Floats]:
    """Return a year of temperature [°C] by the minute and of global sun [W/m²] by the hour.

    Source: TMY3, NREL, stations 703165 and 723170, as pvlib carries and reads them.
    """
    pvlib = pytest.importorskip("pvlib", reason="pvlib carries the weather year")
    path = Path(pvlib.__file__).parent / "data" / file
    frame: Any = pvlib.iotools.read_tmy3(path, map_variables=True)[0]
    hours = frame["temp_air"].to_numpy(float)
    minutes: Floats = np.interp(np.arange(8760 * 60) / 60, np.arange(8760), hours)
    return minutes, frame["ghi"].to_numpy(float)


@pytest.mark.parametrize("file", STATIONS)
def test_a_shaded_sensor_is_never_blamed_in_a_year(file: str) -> None:
    air_c, _ = weather(file)
    assert not sunny_days(air_c, 0, day_edges(365)).any()


def in_sun(air_c: Floats, sun_w_m2: Floats, kelvin: float, hours: float) -> tuple[Floats, Floats]:
    """Return what a sensor in the sun shows, and how high each day's hump is [K].

    On a bright day it shows a hump after noon, as high as the day's sun over 800 W/m²: how a small
    dark housing behaves (common practice, no source).
    """
    shown, bright = air_c.copy(), sun_w_m2.reshape(365, 24).max(axis=1)
    high_k: Floats = np.where(bright > 350, kelvin * bright / 800, 0.0)
    length = int(hours * 60)
    hump = np.sin(np.pi * np.arange(length) / length)
    for day in range(365):
        first = day * 1440 + 13 * 60 - length // 2
        shown[first : first + length] += high_k[day] * hump
    return shown, high_k


@pytest.mark.parametrize("file", STATIONS)
@pytest.mark.parametrize(
    ("kelvin", "hours", "least"), [(8.0, 2.5, 0.8), (6.0, 2.0, 0.6), (10.0, 4.0, 0.95)]
)
def test_a_sensor_in_the_sun_is_found(file: str, kelvin: float, hours: float, least: float) -> None:
    shown, high_k = in_sun(*weather(file), kelvin, hours)
    found = sunny_days(shown, 0, day_edges(365))
    assert (high_k > 0).sum() > 100
    assert found[high_k > 0].mean() > least
    assert found[high_k == 0].mean() < 0.02


@pytest.mark.parametrize("file", STATIONS)
def test_another_source_shows_the_sun_better(file: str) -> None:
    """Six hours of sun look like a fair day; a second source tells them apart."""
    air_c, sun = weather(file)
    shown, high_k = in_sun(air_c, sun, 6.0, 6.0)
    draw = np.random.default_rng(2)
    other = air_c - 1.0 + np.repeat(draw.normal(0, 0.5, 8760), 60)
    with_other = sunny_days(shown, 0, day_edges(365), other)
    assert with_other[high_k > SUN_K + 1].mean() > 0.95
    assert not with_other[high_k < SUN_K - 1].any()
    assert not sunny_days(air_c, 0, day_edges(365), other).any()


def test_two_humps_in_a_fortnight_are_weather() -> None:
    minutes = np.zeros(30 * 1440)
    for day in (3, 9, 25):
        minutes[day * 1440 + 700 : day * 1440 + 800] = 2 * SUN_K
    assert not sunny_days(minutes, 0, day_edges(30)).any()
    minutes[11 * 1440 + 700 : 11 * 1440 + 800] = 2 * SUN_K
    assert np.flatnonzero(sunny_days(minutes, 0, day_edges(30))).tolist() == [3, 9, 11]


def test_a_gap_is_no_sun() -> None:
    minutes = np.zeros(10 * 1440)
    for day in range(10):
        minutes[day * 1440 + 700 : day * 1440 + 800] = 9.0
        minutes[day * 1440 + 690 : day * 1440 + 810] = np.nan
    assert not sunny_days(minutes, 0, day_edges(10)).any()
    assert not sunny_days(minutes * np.nan, 0, day_edges(10)).any()
    assert MINUTE_US * 1440 == DAY_US
