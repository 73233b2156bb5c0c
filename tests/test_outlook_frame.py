"""Readings as rows a minute: what is averaged, bridged, left out, and never made up.

Reference for the humidity ratio: psychrolib.
"""

from __future__ import annotations

import math

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import MINUTE_US, SECOND_US
from envmon.facts import Flag, Reading
from envmon.outlook.frame import (
    BayFrame,
    Worked,
    frame_from_columns,
    frame_from_readings,
    ratio_from,
)
from tests.outlook_support import START_US


def reading(
    quantity: str, second: float, value: float, point: str = "air", flag: Flag = Flag.GOOD
) -> Reading:
    t_us = START_US + round(second * SECOND_US)
    return Reading(point, quantity, t_us, value, flag, t_us)


def frame(readings: list[Reading], minutes: int = 10, gap_min: int = 12) -> BayFrame:
    end_us = START_US + minutes * MINUTE_US
    return frame_from_readings(readings, (), START_US, end_us, gap_min=gap_min)


def test_a_row_is_the_mean_of_its_minute_and_of_its_sensors() -> None:
    readings = [reading("air_temp_c", s, 20.0 + s / 60, "air") for s in range(0, 60, 5)]
    readings += [reading("air_temp_c", s, 22.0, "air2") for s in range(0, 60, 20)]
    of_one = np.mean([20.0 + s / 60 for s in range(0, 60, 5)])
    assert frame(readings)["air_temp_c"][0] == pytest.approx((of_one + 22.0) / 2)


def test_short_gaps_are_bridged_along_a_line_and_long_ones_are_not() -> None:
    readings = [reading("rel_hum_pct", 60 * m, v) for m, v in ((0, 40.0), (4, 48.0), (30, 60.0))]
    humid = frame(readings, 31)["rel_hum_pct"]
    assert humid[:5] == pytest.approx([40, 42, 44, 46, 48])
    assert np.isnan(humid[9:30]).all()
    assert humid[30] == 60


def test_a_state_stands_and_is_never_a_half() -> None:
    readings = [reading("door_open", 60 * m, v) for m, v in ((1, 0.0), (4, 1.0), (8, 0.0))]
    door = frame(readings)["door_open"]
    assert np.isnan(door[0])
    assert door[1:].tolist() == [0, 0, 0, 1, 1, 1, 1, 0, 0]


def test_only_rows_in_which_something_was_read_count_as_read() -> None:
    rows = frame([reading("air_temp_c", 60 * m, 20.0) for m in (0, 4, 9)])
    assert np.flatnonzero(rows.read).tolist() == [0, 4, 9]
    assert np.isfinite(rows["air_temp_c"]).all()


def test_what_is_known_to_be_wrong_is_left_out_and_a_doubt_is_not() -> None:
    bad = [reading("air_temp_c", 60, 80.0, flag=Flag.SPIKE)]
    doubt = [reading("air_temp_c", 0, 20.0, flag=Flag.APART)]
    rows = frame(bad + doubt)["air_temp_c"]
    assert rows[0] == 20.0
    assert not (rows == 80.0).any()


def test_a_single_slip_is_no_reading() -> None:
    values = [20.0] * 30
    values[11] = -45.0
    rows = frame([reading("air_temp_c", 60 * m, v) for m, v in enumerate(values)], 30)
    assert np.allclose(rows["air_temp_c"], 20.0)


def test_a_true_step_is_kept() -> None:
    values = [20.0] * 15 + [8.0] * 15
    rows = frame([reading("air_temp_c", 60 * m, v) for m, v in enumerate(values)], 30)
    assert rows["air_temp_c"].tolist() == values


def test_stages_fill_their_minutes_and_the_last_one_goes_on() -> None:
    worked = [
        Worked("wash", START_US + 2 * MINUTE_US, START_US + 5 * MINUTE_US),
        Worked("drying", START_US + 6 * MINUTE_US),
    ]
    rows = frame_from_readings([], worked, START_US, START_US + 10 * MINUTE_US)
    assert rows.stage.tolist() == ["", "", "wash", "wash", "wash", ""] + ["drying"] * 4


def test_neighbours_are_averaged_and_none_is_not_known() -> None:
    def bay(air_c: float, *neighbours: BayFrame) -> BayFrame:
        columns = {"air_temp_c": [np.full(3, air_c)], "rel_hum_pct": [np.full(3, 50.0)]}
        return frame_from_columns(columns, (), START_US, 3, neighbours)

    assert bay(20.0, bay(18.0), bay(16.0)).shared_c.tolist() == [17.0] * 3
    assert np.isnan(bay(20.0).shared_c).all()


@given(st.floats(-25, 40), st.floats(1, 100))
def test_the_humidity_ratio_is_psychrolibs(temp_c: float, rel_hum_pct: float) -> None:
    """Above 0 °C only: below it psychrolib takes humidity over ice."""
    if temp_c < 0.1:
        temp_c = 0.1 - temp_c
    psychrolib.SetUnitSystem(psychrolib.SI)
    theirs = psychrolib.GetHumRatioFromRelHum(temp_c, rel_hum_pct / 100, 101_325)
    ours = ratio_from(np.array([temp_c]), np.array([rel_hum_pct / 100]), np.array([101_325.0]))
    assert ours[0] == pytest.approx(theirs, rel=0.008)


def test_nothing_read_is_nothing_known() -> None:
    rows = frame([])
    assert not rows.read.any()
    assert not rows.has("air_temp_c")
    assert math.isnan(rows.ratio[0])
