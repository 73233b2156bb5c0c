"""Habits go by the shop's clock, in summer as in winter; checked against pandas' time zones."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from envmon.clock import DAY_US, MINUTE_US, us_from_datetime
from envmon.outlook.frame import BayFrame, Worked, frame_from_columns
from envmon.outlook.habits import Habits, habits_from, setpoint_now, usual_c
from envmon.outlook.localtime import local_us

ZONES = ("Europe/Oslo", "America/Anchorage", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")
OSLO = "Europe/Oslo"
BY_DAY_C, BY_NIGHT_C, FROM_H, TO_H = 20.0, 12.0, 7, 17
SPRING = datetime(2026, 3, 29, tzinfo=ZoneInfo(OSLO))
AUTUMN = datetime(2026, 10, 25, tzinfo=ZoneInfo(OSLO))
"""Days on which clocks change in Oslo."""


@pytest.mark.parametrize("zone", ZONES)
def test_clocks_on_the_wall_are_pandas(zone: str) -> None:
    at_us = np.arange(1_767_225_600_000_000, 1_798_761_600_000_000, 7 * MINUTE_US)
    theirs = pd.to_datetime(at_us, unit="us", utc=True).tz_convert(zone).tz_localize(None)
    assert (local_us(at_us, zone) == theirs.to_numpy().astype("datetime64[us]").astype(int)).all()
    assert local_us(int(at_us[1000]), zone) == local_us(at_us, zone)[1000]


def local(day: datetime, hour: float) -> int:
    """Return the time of an hour by Oslo's clock [µs]."""
    return us_from_datetime(day + timedelta(hours=hour))


def heated(first: datetime, days: int) -> BayFrame:
    """Return days of a bay with a heater that swings around the day's or the night's setpoint.

    A vehicle is washed on each day but Sundays.
    """
    start_us = local(first, 0)
    size = days * 1440
    clock = pd.to_datetime(start_us + np.arange(size) * MINUTE_US, unit="us", utc=True)
    hour = clock.tz_convert(OSLO).hour.to_numpy()
    setpoint_c = np.where((hour >= FROM_H) & (hour < TO_H), BY_DAY_C, BY_NIGHT_C)
    place = np.arange(size) % 20
    on = (place < 10).astype(float)
    swing = np.where(place < 10, -0.4 + 0.08 * place, 0.4 - 0.08 * (place - 10))
    columns = {
        "air_temp_c": [setpoint_c + swing],
        "heater_on": [on],
        "rel_hum_pct": [np.full(size, 50.0)],
    }
    work_days = [first + timedelta(days=n) for n in range(days)]
    worked = [
        Worked("wash", local(day, 9), local(day, 10)) for day in work_days if day.weekday() != 6
    ]
    return frame_from_columns(columns, worked, start_us, size)


def usual_by_the_clock(habits: Habits, day: datetime, hour: float) -> float:
    at_us = np.array([local(day, hour)])
    return float(usual_c(habits, at_us, np.array([False]))[0])


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
def test_what_was_learned_before_the_clocks_change_holds_after_it(change: datetime) -> None:
    habits = habits_from(heated(change - timedelta(days=15), 15), OSLO)
    assert habits.zone == OSLO
    assert habits.days_off == (6,)
    for days in (-3, 1, 8):
        day = change + timedelta(days=days)
        for hour, usual in ((6.4, BY_NIGHT_C), (7.6, BY_DAY_C), (16.4, BY_DAY_C)):
            assert usual_by_the_clock(habits, day, hour) == pytest.approx(usual, abs=0.5), (
                days, hour,
            )  # fmt: skip
    in_utc = habits_from(heated(change - timedelta(days=15), 15))
    hour, wrong = (7.6, BY_NIGHT_C) if change is SPRING else (6.4, BY_DAY_C)
    found = usual_by_the_clock(in_utc, change + timedelta(days=1), hour)
    assert found == pytest.approx(wrong, abs=0.5)


def test_after_the_change_the_morning_is_known_by_the_clock() -> None:
    habits = habits_from(heated(SPRING - timedelta(days=15), 15), OSLO)
    silent = heated(SPRING + timedelta(days=1), 1)
    columns = {n: [v] for n, v in silent.columns.items() if n != "heater_on"}
    frame = frame_from_columns(columns, (), silent.start_us, len(silent))
    known = setpoint_now(frame, habits)
    assert known[6 * 60 + 20] == pytest.approx(BY_NIGHT_C, abs=0.5)
    assert known[7 * 60 + 40] == pytest.approx(BY_DAY_C, abs=0.5)


def test_outdoors_follows_the_sun_whose_clock_is_never_changed() -> None:
    size = 20 * 1440
    start_us = local(SPRING - timedelta(days=20), 0)
    at_us = start_us + np.arange(size) * MINUTE_US
    outdoor_c = 5 * np.sin(2 * np.pi * (at_us % DAY_US) / DAY_US)
    frame = frame_from_columns({"outdoor_temp_c": [outdoor_c]}, (), start_us, size)
    assert np.argmax(habits_from(frame, OSLO).outdoor_k) in {11, 12}
