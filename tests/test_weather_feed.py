from __future__ import annotations

import csv
import json
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import pytest

from envmon.clock import HOUR_US, us_from_datetime
from envmon_sensors.weather import Outdoor, hour_of_year, outdoor, over_water_pct, weather_year

CHECK = Path(__file__).parent.parent / "fixtures" / "check"


def station_us(year: int, month: int, day: int, hour: int = 0) -> int:
    """Return a time given in the station's standard time, UTC−9."""
    return us_from_datetime(datetime(year, month, day, hour, tzinfo=UTC)) + 9 * HOUR_US


def test_extract_equals_the_tmy3_file_row_by_row() -> None:
    """Source: TMY3, NREL, station 703165, as pvlib 0.11+ carries and reads it."""
    pvlib = pytest.importorskip("pvlib", reason="pvlib carries the TMY3 file to compare with")
    path = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    frame, _ = pvlib.iotools.read_tmy3(path, map_variables=True)
    ours = weather_year()
    assert len(ours) == len(frame) == 8760
    theirs = zip(frame["temp_air"], frame["relative_humidity"], frame["pressure"], strict=True)
    for row, (temp_c, rel_hum, pressure_hpa) in zip(ours, theirs, strict=True):
        assert row == (temp_c, rel_hum, pressure_hpa * 100)


def test_extract_counts_hours_without_a_gap() -> None:
    text = files("envmon_sensors").joinpath("data/weather_year.csv").read_text(encoding="utf-8")
    rows = list(csv.reader(text.splitlines()[1:]))
    assert rows[0] == ["hour_ending", "dry_bulb_c", "rel_hum_file_pct", "pressure_pa"]
    assert [int(row[0]) for row in rows[1:]] == list(range(1, 8761))


def test_a_full_hour_gives_the_file_s_own_row() -> None:
    # 703165TY.csv, 01/27/1997 09:00: −7.3 °C, 82 %, 1012 hPa
    weather = outdoor(station_us(2026, 1, 27, 9))
    assert weather.temp_c == pytest.approx(-7.3)
    assert weather.rel_hum_pct == pytest.approx(over_water_pct(-7.3, 82))
    assert weather.pressure_pa == 101_200


def test_between_hours_lies_on_a_line() -> None:
    start = station_us(2026, 1, 27, 7)
    low, high = outdoor(start).temp_c, outdoor(start + HOUR_US).temp_c
    assert low != high
    assert outdoor(start + HOUR_US // 4).temp_c == pytest.approx(low + (high - low) / 4)


def test_the_year_repeats_and_its_ends_meet() -> None:
    assert outdoor(station_us(2026, 3, 5, 7)) == outdoor(station_us(2031, 3, 5, 7))
    midnight = station_us(2027, 1, 1)
    assert outdoor(midnight).temp_c == weather_year()[-1][0]
    just_before = outdoor(midnight - 1_000)
    assert just_before.temp_c == pytest.approx(outdoor(midnight).temp_c, abs=1e-4)


def test_a_leap_year_has_weather_to_its_last_hour() -> None:
    at_us = station_us(2028, 12, 31, 12)
    assert hour_of_year(at_us) == 8772
    assert outdoor(at_us) == outdoor(station_us(2028, 1, 1, 12))


def test_offset_moves_temperature_and_keeps_relative_humidity() -> None:
    at_us = station_us(2026, 1, 27, 9)
    plain, colder = outdoor(at_us), outdoor(at_us, offset_k=-4.0)
    assert colder.temp_c == pytest.approx(plain.temp_c - 4)
    assert colder.rel_hum_pct == plain.rel_hum_pct
    assert colder.vapour_pressure_pa < plain.vapour_pressure_pa


@pytest.mark.parametrize("temp_c", [-5, -10, -20])
def test_ice_saturated_air_over_water(temp_c: int) -> None:
    """Source: IAPWS R14-08 (ice), Murphy and Koop 2005 (supercooled), handbook_values.json."""
    rows = json.loads((CHECK / "handbook_values.json").read_text(encoding="utf-8"))
    of = {
        row["quantity"]: row["value"]
        for row in rows
        if row["conditions"] == f"{temp_c} C" and row["unit"] == "Pa"
    }
    ratio = (
        of["saturation vapour pressure over ice"]
        / of["saturation vapour pressure over supercooled water"]
    )
    assert over_water_pct(temp_c, 100) == pytest.approx(100 * ratio, rel=0.004)


def test_file_humidity_is_over_ice_below_zero() -> None:
    """The file's dew points, taken over ice, give the humidity we derive over water."""
    pvlib = pytest.importorskip("pvlib", reason="pvlib carries the TMY3 file to compare with")
    psychrolib = pytest.importorskip("psychrolib", reason="reference for saturation over ice")
    psychrolib.SetUnitSystem(psychrolib.SI)
    path = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    frame, _ = pvlib.iotools.read_tmy3(path, map_variables=True)
    cold = frame[frame["temp_air"] < -2]
    differences = []
    for temp_c, dew_c, file_pct in zip(
        cold["temp_air"], cold["temp_dew"], cold["relative_humidity"], strict=True
    ):
        vapour_pa = psychrolib.GetSatVapPres(dew_c)
        weather = Outdoor(temp_c, over_water_pct(temp_c, file_pct), 101_200)
        differences.append(abs(weather.vapour_pressure_pa / vapour_pa - 1))
    differences.sort()
    assert len(differences) > 500
    assert differences[len(differences) // 2] < 0.01
