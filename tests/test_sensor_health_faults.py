"""Faults as sensors have them, put into real readings: what is found, and what cries wolf.

Data: see ``health_support``. The kinds of fault are common practice. The numbers asked are those
an untouched shop file has.
"""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import Flag, Reading, kept_value
from envmon.intake.decode import Decoder
from envmon.intake.health import HealthBook
from envmon.intake.health_rules import health_rules
from envmon.service import demo
from envmon.shop.load import load_shop
from envmon.units import QUANTITIES
from envmon_sensors.scenario import demo_start_us
from envmon_sensors.shop import SimulatedShop
from tests.health_support import (
    START_US,
    Course,
    courses,
    default_rule,
    flags_of,
    places,
    readings_of,
    room_courses,
    weather_courses,
)

ROOM = pytest.mark.parametrize("course", room_courses(), ids=lambda c: c.quantity)
AT = 200
"""Where in the course the fault begins."""


def test_the_clean_room_has_no_flag() -> None:
    for course in room_courses():
        assert len(course.values) == 509
        assert not any(flags_of(course, default_rule(course)))


def test_two_clean_years_of_weather_have_no_verdict_but_six_spikes() -> None:
    """35 040 readings an hour apart, which is ten times as far as a shop's; months are joined."""
    found = dict.fromkeys(Flag, 0)
    for course in weather_courses():
        flags = flags_of(course, default_rule(course))
        for flag in Flag:
            found[flag] += len(places(flags, flag))
    assert {flag.name: count for flag, count in found.items() if count} == {"SPIKE": 6, "WET": 22}


@ROOM
def test_a_single_spike_is_flagged_alone(course: Course) -> None:
    for size in (-1, 1):
        values = list(course.values)
        values[AT] += size * (default_rule(course).spike + 3)
        assert places(flags_of(course, default_rule(course), values), Flag.SPIKE) == {AT}


@ROOM
def test_a_stuck_sensor_is_flagged_from_six_hours_on(course: Course) -> None:
    """23 readings at 16 minutes are the first to span six hours."""
    values = [*course.values[:AT], *[course.values[AT]] * (len(course.values) - AT)]
    flags = flags_of(course, default_rule(course), values)
    earlier = [n for n in range(AT) if values[n : AT + 1] == [values[AT]] * (AT + 1 - n)]
    first = min([AT, *earlier]) + 23
    assert places(flags, Flag.FLAT) == set(range(first, len(values)))
    assert not flags[first].usable


@ROOM
def test_a_cut_cable_is_flagged_and_its_return_is_good(course: Course) -> None:
    """A digital thermometer without its sensor says -127 °C; intake's range test has the word."""
    values = [*course.values[:AT], *[-127.0] * 5, *course.values[AT + 5 :]]
    quantity = QUANTITIES[course.quantity]
    readings = [
        r._replace(flag=Flag.GOOD if quantity.low <= r.value <= quantity.high else Flag.RANGE)
        for r in readings_of(course, values)
    ]
    judged = HealthBook({("s", course.quantity): default_rule(course)}).judge(readings)
    assert [n for n, r in enumerate(judged) if r.flag] == list(range(AT, AT + 5))
    assert {r.flag for r in judged[AT : AT + 5]} == {Flag.RANGE}


@ROOM
def test_a_noisy_sensor_is_flagged_more_often_than_not(course: Course) -> None:
    """Noise of twice the spike threshold: a loose contact, a wet board."""
    chance, rule = random.Random(7), default_rule(course)
    values = [
        kept_value(value + (chance.gauss(0, 2 * rule.spike) if n >= AT else 0))
        for n, value in enumerate(course.values)
    ]
    flags = flags_of(course, rule, values)
    spikes = places(flags, Flag.SPIKE)
    assert not [n for n in range(AT) if flags[n]]
    assert len(spikes) > 0.5 * (len(values) - AT)


def test_a_saturated_humidity_sensor_is_wet_and_not_stuck() -> None:
    course = room_courses()[1]
    values = [*course.values[:AT], *[100.0] * 50, *course.values[AT + 50 :]]
    flags = flags_of(course, default_rule(course), values)
    # The leap to 100 % and the one back, each flagged once; half an hour is two readings on.
    assert [n for n, flag in enumerate(flags) if flag] == [AT, *range(AT + 2, AT + 51)]
    assert (flags[AT], flags[AT + 50]) == (Flag.SPIKE, Flag.SPIKE)
    assert set(flags[AT + 2 : AT + 50]) == {Flag.WET}


def opened_door(every_s: int, tau_s: float) -> list[Reading]:
    """Return the room's air as it falls by 12 K behind a door opened to winter.

    The way of a first-order sensor with a time constant; every reading in a tenth of a degree.
    """
    start_c, end_c, values = 22.0, 10.0, []
    for n in range(-30, 60):
        fallen = 1 - 2.718281828 ** (-n * every_s / tau_s) if n > 0 else 0
        values.append(round(start_c + (end_c - start_c) * fallen, 1))
    return [
        Reading("s", "air_temp_c", t_us, value, Flag.GOOD, t_us)
        for n, value in enumerate(values)
        for t_us in [START_US + n * every_s * 1_000_000]
    ]


@pytest.mark.parametrize("every_s", [5, 10, 30])
def test_an_opened_door_is_a_quick_change_and_no_spike(every_s: int) -> None:
    """A sensor in still air has a time constant of minutes; two here."""
    course = room_courses()[0]
    book = HealthBook({("s", "air_temp_c"): default_rule(course)})
    flags = [r.flag for r in book.judge(opened_door(every_s, 120))]
    assert not places(flags, Flag.SPIKE)
    assert not places(flags, Flag.FLAT)
    assert all(flag.usable for flag in flags)


def test_a_car_that_drives_in_costs_the_panel_one_reading_each_way() -> None:
    values = [18.0] * 20 + [-12.0, -11.8, -11.5] + [-11.0] * 20 + [17.0, 17.1, 17.2]
    course = Course("panel", "panel_temp_c", 16 * MINUTE_US, values)
    flags = flags_of(course, default_rule(course))
    assert places(flags, Flag.SPIKE) == {20, 43}


@pytest.mark.parametrize("course", courses(), ids=lambda c: f"{c.name}-{c.quantity}")
def test_no_honest_stand_still_comes_near_the_span_of_a_stuck_sensor(course: Course) -> None:
    """Room: a margin of two. Weather: one hour short, in whole per cents and tenths of a degree.

    Sand Point's air stays at one value for 23 h on one day of the year.
    """
    rule, longest, run = default_rule(course), 0, 0
    for before, value in pairwise(course.values):
        run = run + course.every_us if value == before and value < rule.top else 0
        longest = max(longest, run)
    margin = 2.0 if course.name == "room" else 1.0
    assert longest * margin < rule.flat_after_us
    assert longest >= HOUR_US


def test_a_simulated_winter_day_has_no_verdict_but_cars_driving_in_and_out() -> None:
    """The demo's own shop, all its sensors: only first readings of steps of the panel."""
    judged = _simulated_day()
    assert len(judged) > 300_000
    odd = [r for r in judged if r.flag]
    assert {r.quantity for r in odd} == {"panel_temp_c"}
    assert {r.flag for r in odd} == {Flag.SPIKE | Flag.RATE}
    assert len(odd) == 6


def _simulated_day() -> list[Reading]:
    shop = load_shop(Path(demo.__file__).with_name(demo.SHOP_FILE))
    decoder = Decoder(shop.point, {}, [bay.id for bay in shop.bay])
    book = HealthBook(health_rules(shop))
    simulated = SimulatedShop(1, demo_start_us(), 600.0)
    end_us = demo_start_us() + 30 * HOUR_US
    judged: list[Reading] = []
    for pack in [*simulated.advance(end_us), *simulated.flush()]:
        readings = decoder.decode(pack.topic, pack.payload, end_us)
        judged += book.judge([r._replace(seen_us=r.t_us) for r in readings])
    return judged
