"""The simulated weather service tells what comes, wrongly as forecasts are, and the same each time.

The growth of its error is that of a random walk: variance is proportional to the lead (textbook,
from memory). The message is SenML (RFC 8428, section 4.5.3: times relative to a base).
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon_sensors.forecast import AHEAD_H, EVERY_H, HOURLY_K, PLACE_K, Forecaster, forecast_c
from envmon_sensors.scenario import OUTDOOR_OFFSET_K, demo_start_us
from envmon_sensors.weather import outdoor

START_US = demo_start_us() // (EVERY_H * HOUR_US) * EVERY_H * HOUR_US


def off_k(seed: int, issued_us: int) -> list[float]:
    """Return how far each hour is off the weather that comes."""
    return [
        temp_c - outdoor(issued_us + hour * HOUR_US, OUTDOOR_OFFSET_K).temp_c
        for hour, temp_c in enumerate(forecast_c(seed, issued_us))
    ]


def test_it_is_off_by_more_the_further_ahead() -> None:
    off = np.array([off_k(1, START_US + day * DAY_US) for day in range(200)])
    place_k = off[:, 0].mean()
    assert abs(place_k) <= PLACE_K
    assert np.ptp(off[:, 0]) <= 0.1 + 1e-9, "now it is off by what the place is, rounded"
    for hours in (1, 4, 16, 36):
        assert (off[:, hours] - place_k).std() == pytest.approx(HOURLY_K * hours**0.5, rel=0.2)


def test_the_same_seed_foretells_the_same() -> None:
    assert forecast_c(3, START_US) == forecast_c(3, START_US)
    assert forecast_c(3, START_US) != forecast_c(4, START_US)
    assert forecast_c(3, START_US) != forecast_c(3, START_US + EVERY_H * HOUR_US)


def test_it_is_said_once_and_again_after_three_hours() -> None:
    service = Forecaster(1)
    (first,) = service.due(START_US + 20 * MINUTE_US)
    assert list(service.due(START_US + EVERY_H * HOUR_US - 1)) == []
    (second,) = service.due(START_US + EVERY_H * HOUR_US)
    begun = [json.loads(pack.payload)[0]["bt"] for pack in (first, second)]
    assert [at_s * 1e6 for at_s in begun] == [START_US, START_US + EVERY_H * HOUR_US]
    records = json.loads(first.payload)
    assert [record.get("t", 0) for record in records] == [3600 * h for h in range(AHEAD_H + 1)]
    assert {record["u"] for record in records} == {"Cel"}
