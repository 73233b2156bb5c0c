"""Outdoors ahead by a forecast: put right by the shop's own sensor, and only as long as it holds.

What the answers are held against is worked out by hand from the told line; the bay's answer to a
cold front is a law of heat loss: the colder it is outside, the more heat goes (ISO 52016-1, heat
balance of a zone, from memory).
"""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from envmon.clock import HOUR_US, MINUTE_US, ManualClock, iso_from_us
from envmon.facts import Foretold
from envmon.guard.plan import plan_from_shop
from envmon.outlook.ahead import OUTDOOR_TRUST, Plans, course_ahead
from envmon.outlook.constants import Priors
from envmon.outlook.foresee import Context, outlook
from envmon.outlook.frame import frame_from_columns
from envmon.outlook.hidden import inputs_of
from envmon.outlook.learning import fresh_facts
from envmon.outlook.weather import FADES_H, MOMENT_FADES_H, Seen, Weather, weather_from
from envmon.physics.room import saturated_ratio
from envmon.service.outlook.command import outlook_lines, shop_outlook
from envmon.service.outlook.weather import weather_of, weather_said, weather_taken
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US
from tests.outlook_live_support import TEXT, fill, foreseen, shop_of, thinker_of
from tests.outlook_support import START_US

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import BayOutlook

SIZE = 720
NOW = START_US + SIZE * MINUTE_US
FACTS = fresh_facts(Priors(260.0), NOW)


def frame(outdoor_c: float | None = -8.0) -> BayFrame:
    columns = {
        "air_temp_c": 19.0, "rel_hum_pct": 45.0, "panel_temp_c": 17.0, "heater_on": 0.0,
        "door_open": 0.0, "outdoor_rel_hum_pct": 80.0,
    }  # fmt: skip
    if outdoor_c is not None:
        columns["outdoor_temp_c"] = outdoor_c
    rows = {name: [np.full(SIZE, value)] for name, value in columns.items()}
    return frame_from_columns(rows, (), START_US, SIZE)


def seen(outdoor_c: float | None = -8.0) -> Seen:
    return Seen(START_US, frame(outdoor_c)["outdoor_temp_c"])


def told(
    line: Callable[[float], float] | float,
    hours: tuple[int, int] = (-6, 30),
    age_h: float = 1.0,
    point: str = "weather",
    every: int = 1,
) -> list[Foretold]:
    """Return a forecast, told by the hour from now."""
    return [
        Foretold(
            point,
            NOW + hour * HOUR_US,
            line if isinstance(line, float) else line(hour),
            NOW - round(age_h * HOUR_US),
        )
        for hour in range(*hours, every)
    ]


def at(weather: Weather, hours: float) -> float:
    times = [one.t_us for one in weather.outdoor]
    return float(np.interp(NOW + hours * HOUR_US, times, [one.temp_c for one in weather.outdoor]))


def test_one_that_is_right_is_taken_as_it_is() -> None:
    weather = weather_from(told(lambda h: -8.0 if h <= 0 else -8.0 - 2 * h), seen(), NOW)
    assert [at(weather, hours) for hours in (0, 1.5, 6, 20)] == pytest.approx([-8, -11, -20, -48])
    assert weather.off_k == pytest.approx(0)
    assert weather.until_us == NOW + 29 * HOUR_US


def test_what_it_is_off_by_is_taken_off_and_fades() -> None:
    weather = weather_from(told(-11.0), seen(-8.0), NOW)
    assert weather.off_k == pytest.approx(3)
    for hours in (0.0, 2.0, 12.0, 24.0):
        assert at(weather, hours) == pytest.approx(-11 + 3 * exp(-hours / FADES_H), abs=0.01)


def test_this_moment_fades_sooner_than_the_last_hours() -> None:
    rows = frame(-8.0)
    rows.columns["outdoor_temp_c"][-5:] = -5.0
    weather = weather_from(told(-8.0), Seen(START_US, rows["outdoor_temp_c"]), NOW)
    assert weather.off_k == pytest.approx(3 * 5 / 180)
    assert at(weather, 0) == pytest.approx(-5), "it starts from where the outdoors stand"
    assert at(weather, 4 * MOMENT_FADES_H) == pytest.approx(-8, abs=0.15)


def test_one_that_begins_with_the_next_hour_is_held_against_now() -> None:
    weather = weather_from(told(-12.0, (1, 20)), seen(-8.0), NOW)
    assert weather.off_k == pytest.approx(4)
    assert at(weather, 0) == pytest.approx(-8)


def test_without_a_sensor_outdoors_it_is_taken_as_told() -> None:
    weather = weather_from(told(-12.0), seen(None), NOW)
    assert weather.off_k is None
    assert at(weather, 5) == pytest.approx(-12)
    assert at(weather_from(told(-12.0), None, NOW), 0) == pytest.approx(-12)


@pytest.mark.parametrize(
    ("forecast", "why"),
    [
        ([], ""),
        (told(-9.0, age_h=25), "25 h old"),
        (told(-9.0, (-9, -1)), "has ended"),
        (told(-9.0, (3, 30)), "begins later"),
        (told(17.6), "26 K apart"),
    ],
)
def test_what_cannot_be_used_is_not_and_says_why(forecast: list[Foretold], why: str) -> None:
    weather = weather_from(forecast, seen(-8.0), NOW)
    assert weather.outdoor == ()
    assert weather.until_us is None
    assert why in weather.why
    said = weather_said(weather, NOW, "metric")
    assert said.by == "usual"
    assert (
        said.text == f"outdoors as now, with the day's usual course; {weather.why or 'no forecast'}"
    )


def test_a_long_gap_is_not_bridged() -> None:
    two = [*told(-9.0, (-3, 5)), *told(-30.0, (15, 30))]
    assert weather_from(two, seen(-9.0), NOW).until_us == NOW + 4 * HOUR_US
    assert weather_from(told(-9.0, every=3), seen(-9.0), NOW).until_us == NOW + 27 * HOUR_US


def test_of_two_points_the_one_that_spoke_last_is_heard() -> None:
    both = [*told(-20.0, age_h=3, point="other"), *told(-9.0, age_h=1)]
    assert at(weather_from(both, seen(-9.0), NOW), 12) == pytest.approx(-9)


def test_beyond_it_the_day_goes_on_as_usual_and_the_air_holds_no_more_than_it_can() -> None:
    rows = frame(-8.0)
    inputs = inputs_of(rows)
    slope = tuple(float(place) for place in range(len(FACTS.habits.outdoor_k)))
    habits = msgspec.structs.replace(FACTS.habits, outdoor_k=slope)
    short = weather_from(told(-20.0, (-6, 2)), seen(-20.0), NOW).outdoor
    row = np.array([SIZE - 1])
    course = course_ahead(rows, inputs, habits, row, Plans(outdoor=short))
    plain = course_ahead(rows, inputs, habits, row, Plans())
    hour, two = 24, 48
    moved = plain.outdoor_c[two + 20] - plain.outdoor_c[hour]
    assert course.outdoor_c[hour - 2, 0] == pytest.approx(-20, abs=0.1)
    assert course.outdoor_c[two + 20, 0] - course.outdoor_c[hour, 0] == pytest.approx(
        moved, abs=0.3 * OUTDOOR_TRUST
    )
    full = saturated_ratio(course.outdoor_c, inputs.pressure_pa[-1])
    assert (course.outdoor_ratio <= full + 1e-12).all()
    assert course.outdoor_ratio[hour, 0] < plain.outdoor_ratio[hour, 0]


OFF = ((0.0, 5.0),)
"""The thermostat is set down, so that its swing hides nothing."""


def test_a_cold_front_closes_the_window_sooner_and_a_thaw_later() -> None:
    stages = plan_from_shop(shop_of()).bays["north"].stages

    def found(line: Callable[[float], float] | None) -> BayOutlook:
        outdoor = () if line is None else weather_from(told(line), seen(), NOW).outdoor
        plans = Plans(setpoints=OFF, outdoor=outdoor)
        return outlook(FACTS, frame(), stages, NOW, Context(plans))

    front, plain, thaw = (
        found(line)
        for line in (lambda h: -8.0 - 8 * max(h, 0), None, lambda h: -8.0 + 8 * max(h, 0))
    )
    for quantity in ("air_temp_c", "panel_temp_c"):
        ends = [
            next(fan for fan in one.fans if fan.quantity == quantity).quantiles["q50"][-1]
            for one in (front, plain, thaw)
        ]
        assert ends[0] < ends[1] < ends[2], quantity
    closes = [
        next(stage for stage in one.stages if stage.stage == "coating").leaves
        for one in (front, plain, thaw)
    ]
    assert all(span is not None for span in closes), "the window is open now"
    minutes = [span.middle if span and span.middle else 999.0 for span in closes]
    assert minutes[0] < minutes[1] <= minutes[2]


def keep(folder: Path, line: float, age_h: float = 2.0) -> None:
    store = SqliteStore(folder)
    store.add_foretold(
        [Foretold("weather", NOW_US + h * HOUR_US, line, NOW_US - round(age_h * HOUR_US))
         for h in range(-6, 40)], 0,
    )  # fmt: skip
    store.close()


def test_it_is_said_which_outdoors_were_taken_and_how_old_the_forecast_is(tmp_path: Path) -> None:
    fill(tmp_path, 8)
    plain = foreseen(tmp_path, thinker_of())["north"].outdoor
    assert plain is not None
    assert (plain.by, plain.heard) == ("guess", None)
    assert plain.text.endswith("no forecast")
    keep(tmp_path, -14.0)
    said = foreseen(tmp_path, thinker_of())["north"].outdoor
    assert said is not None
    assert said.by == "forecast"
    assert said.heard == iso_from_us(NOW_US - 2 * HOUR_US)
    assert said.text == "outdoors by the forecast of 2 h ago, which goes on for 39 h"
    shop = tmp_path / "shop.toml"
    shop.write_text(TEXT + f'[store]\nfolder = "{tmp_path}"\n', encoding="utf-8")
    lines = outlook_lines(shop_outlook(shop, "north", ManualClock(NOW_US)))
    assert any("outdoors by the forecast of 2 h ago" in line for line in lines)


def test_outdoors_nobody_measures_are_said_to_be_a_guess() -> None:
    said = weather_said(Weather(), NOW, "metric", seen=False)
    assert (said.by, said.text) == ("guess", "outdoors not known, 5.0 °C is taken; no forecast")
    assert "41.0 °F is taken" in weather_said(Weather(), NOW, "us", seen=False).text
    assert weather_said(weather_from(told(-11.0), None, NOW), NOW, "us", seen=False).by != "guess"


def test_words_of_a_forecast_that_is_off_are_in_the_shops_units() -> None:
    weather = weather_from(told(-11.0, age_h=0.5), seen(-8.0), NOW)
    assert weather_said(weather, NOW, "metric").text.endswith(
        "of 30 min ago, which goes on for 29 h; lately it was 3.0 K warmer here"
    )
    assert "5.4 °F warmer" in weather_said(weather, NOW, "us").text


def leaping(at_h: int, by_k: float, back_h: int = 99) -> list[Foretold]:
    return told(lambda hour: -9.0 + (by_k if at_h <= hour < back_h else 0.0))


@pytest.mark.parametrize(
    ("forecast", "until_h"),
    [
        (leaping(5, 60.0), 4),
        (leaping(5, -50.0, 6), 4),  # a single value that stands for none
        (leaping(-4, 60.0, -3), 29),  # over before now
        (leaping(5, 12.0), 29),  # a front such as weather makes
        (told(lambda hour: -9.0 + 3 * max(0, hour)), 13),  # creeping away: 40 K from -8 at 13 h
        ([*told(-9.0, (-3, 9)), *told(9.0, (9, 30), age_h=5)], 8),  # an older one behind it
    ],
)
def test_what_no_weather_does_is_left_out_and_said(forecast: list[Foretold], until_h: int) -> None:
    """Outdoors recorded within an hour change by a few K; 60 K is a fault of who tells it."""
    weather = weather_taken(forecast, seen(-8.0), NOW)
    assert weather.until_us == NOW + until_h * HOUR_US
    assert all(abs(one.temp_c + 8) <= 40 for one in weather.outdoor)
    said = weather_said(weather, NOW, "metric")
    assert said.by == "forecast"
    assert ("left out" in said.text) == bool(weather.why) == (until_h < 29)


def test_a_forecast_that_leaps_now_is_not_used_and_says_so() -> None:
    for sensor in (seen(-8.0), seen(None), None):
        weather = weather_taken(leaping(1, 60.0), sensor, NOW)
        assert weather.outdoor == ()
        assert weather.heard_us == NOW - HOUR_US
        assert "leaps by 60 K" in weather_said(weather, NOW, "metric").text


def test_one_told_anew_is_not_held_against_what_was_told_before_it() -> None:
    old, new = told(25.0, (-6, 1), age_h=9), told(-9.0, (1, 30))
    assert weather_taken([*old, *new], seen(-8.0), NOW).until_us == NOW + 29 * HOUR_US
    apart = weather_taken(told(17.6), seen(-8.0), NOW)
    assert apart.outdoor == ()
    assert "26 K apart" in apart.why


def test_no_forecast_kept_asks_no_bay(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    assert weather_of(store, {}, NOW) == Weather()
    store.close()
