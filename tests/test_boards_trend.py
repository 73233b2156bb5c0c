"""The short trend: means, gaps that stay gaps, and the dew point."""

from __future__ import annotations

import pytest

from envmon.clock import HOUR_US, SECOND_US
from envmon.facts import Flag, Reading
from envmon.guard.plan import plan_from_shop
from envmon_boards.trend import trend_document, trend_points
from tests.boards_support import NOW_US, Air, shop_from, shop_text

PLAN = plan_from_shop(shop_from(shop_text())).bays["north"]
FROM_US = NOW_US - 3 * HOUR_US


def readings(seconds: list[int], air: Air) -> list[Reading]:
    return [r for s in seconds for r in air.readings("north", FROM_US + s * SECOND_US)]


def test_a_slow_sensor_makes_one_line() -> None:
    """A reading every two minutes, three minutes allowed: no gap though buckets are 36 s."""
    document = trend_document(PLAN, readings(list(range(0, 3600, 120)), Air()), FROM_US, NOW_US)
    line = document["values"]["air_temp_c"]
    assert line["v"] == [20.4] * 30
    assert line["t_ms"] == sorted(line["t_ms"])


def test_a_silence_breaks_the_line_once() -> None:
    said = readings([*range(0, 1200, 60), *range(2400, 3600, 60)], Air())
    line = trend_document(PLAN, said, FROM_US, NOW_US)["values"]["rel_hum_pct"]
    assert line["v"].count(None) == 1
    place = line["v"].index(None)
    assert line["t_ms"][place - 1] < line["t_ms"][place] < line["t_ms"][place + 1]


def test_never_more_than_a_few_hundred_points() -> None:
    said = readings(list(range(0, 3 * 3600, 5)), Air())
    for line in trend_document(PLAN, said, FROM_US, NOW_US)["values"].values():
        assert 250 < len(line["v"]) <= 500


def test_a_bucket_is_the_mean() -> None:
    said = [
        Reading("north-all", "air_temp_c", FROM_US + s * SECOND_US, value, Flag.GOOD, FROM_US)
        for s, value in ((1, 10.0), (2, 20.0), (3, 30.0))
    ]
    line = trend_document(PLAN, said, FROM_US, NOW_US)["values"]["air_temp_c"]
    assert line["v"] == [20.0]


def test_flagged_readings_stay_out() -> None:
    wrong = [r._replace(flag=Flag.RANGE) for r in readings([60], Air())]
    assert trend_document(PLAN, wrong, FROM_US, NOW_US)["values"]["air_temp_c"]["v"] == []


def test_dew_point() -> None:
    """20 °C at 45 %: 7.7 °C, common practice in every moist-air table."""
    said = readings([60], Air(20.0, 45.0, 15.0))
    dew = trend_document(PLAN, said, FROM_US, NOW_US)["values"]["dew_point_c"]["v"]
    assert dew == [pytest.approx(7.7, abs=0.05)]


def test_no_dew_point_without_humidity() -> None:
    said = readings([60], Air(20.0, None, 15.0))
    assert trend_document(PLAN, said, FROM_US, NOW_US)["values"]["dew_point_c"]["v"] == []


def test_points_of_a_bay() -> None:
    assert trend_points(PLAN) == ["north-all"]
