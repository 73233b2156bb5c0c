"""Sensor health reading by reading: what is flagged, what is not, and what is remembered."""

from __future__ import annotations

import math

import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from envmon.facts import DOUBTS, Flag, Reading
from envmon.intake.health import HealthBook
from envmon.intake.health_rules import HealthRule, rule_from_limits
from envmon.shop.sensor_health import LIMITS, HealthLimits
from tests.health_support import START_US

AIR, HUM = ("s", "air_temp_c"), ("s", "rel_hum_pct")
SPIKE_RATE = Flag.SPIKE | Flag.RATE


def reading(
    value: float, at_s: float, name: tuple[str, str] = AIR, *, seen_s: float | None = None,
    flag: Flag = Flag.GOOD,
) -> Reading:  # fmt: skip
    t_us, seen = (
        START_US + round(s * SECOND_US) for s in (at_s, at_s if seen_s is None else seen_s)
    )
    return Reading(*name, t_us, value, flag, seen)


def book(stale_s: float = 60.0) -> HealthBook:
    """Return a book with the rules of common practice for air and humidity."""
    rules = {name: rule_from_limits(LIMITS[name[1]], name[1], stale_s) for name in (AIR, HUM)}
    return HealthBook(rules)


def said(
    values: list[float], every_s: float = 10.0, name: tuple[str, str] = AIR,
    stale_s: float = 60.0,
) -> list[Flag]:  # fmt: skip
    """Return the flags of values that come at an even pace."""
    health = book(stale_s)
    return [health.judge([reading(v, n * every_s, name)])[0].flag for n, v in enumerate(values)]


def test_a_single_spike_is_flagged_and_the_way_back_is_good() -> None:
    assert said([20, 20.1, 26, 20.1, 20.2]) == [0, 0, SPIKE_RATE, 0, 0]


def test_a_step_is_flagged_once_and_the_reading_that_confirms_it_is_good() -> None:
    assert said([20, 26, 26.2, 26, 26]) == [0, SPIKE_RATE, 0, 0, 0]


def test_after_a_confirmed_step_the_new_level_is_what_counts() -> None:
    assert said([20, 26, 26, 20, 20]) == [0, SPIKE_RATE, 0, SPIKE_RATE, 0]


def test_what_leaps_again_is_flagged_again_until_two_agree() -> None:
    assert said([20, 30, 40, 50, 50.1, 20]) == [0, *[SPIKE_RATE] * 3, 0, SPIKE_RATE]


def test_a_spike_of_the_threshold_exactly_is_none() -> None:
    assert [Flag.SPIKE in flag for flag in said([20, 25, 25, 30.001])] == [False] * 3 + [True]


def test_after_a_longer_silence_than_its_readings_last_nothing_is_a_leap() -> None:
    health = book(stale_s=60)
    health.judge([reading(20, 0)])
    assert health.judge([reading(35, 60)])[0].flag == SPIKE_RATE
    health = book(stale_s=60)
    health.judge([reading(20, 0)])
    assert health.judge([reading(35, 60.000001)])[0].flag == Flag.GOOD


def test_a_silence_ends_a_leap_that_waits_to_be_confirmed() -> None:
    health = book()
    health.judge([reading(20, 0), reading(30, 10)])
    flags = [r.flag for r in health.judge([reading(20, 200), reading(30, 210)])]
    assert flags == [Flag.GOOD, SPIKE_RATE]


def test_a_rate_is_a_doubt_and_counts_over_half_a_minute_at_least() -> None:
    """5 K a minute: 2.5 K in the half minute; a sensor's last digit in a second is no rate."""
    assert said([20, 20.5, 21, 21.5], every_s=1) == [0, 0, 0, 0]
    assert said([20, 22.4, 24.8], every_s=10) == [0, 0, 0]
    assert said([20, 22.6], every_s=10) == [0, Flag.RATE]
    assert said([20, 24.9], every_s=60) == [0, 0]
    assert Flag.RATE.usable
    assert not (SPIKE_RATE).usable


def test_a_stuck_sensor_is_flagged_from_six_hours_on_until_it_moves() -> None:
    flags = said([21.3] * 400 + [21.2, 21.2], every_s=60)
    assert flags == [Flag.GOOD] * 360 + [Flag.FLAT] * 40 + [Flag.GOOD] * 2


def test_one_reading_out_of_the_band_of_a_stuck_sensor_starts_anew() -> None:
    flags = said([21.3] * 300 + [21.4] + [21.3] * 300, every_s=60)
    assert flags == [Flag.GOOD] * 601


def test_a_silence_of_a_quarter_of_its_span_ends_a_time_of_standing_still() -> None:
    health = book()
    first = [reading(21, n * MINUTE_US / 1e6) for n in range(340)]
    at_s = first[-1].t_us - START_US
    short = [reading(21, at_s / 1e6 + 1.5 * 3_600 + n * 60) for n in range(30)]
    assert Flag.FLAT in health.judge([*first, *short])[-1].flag
    long = [reading(21, at_s / 1e6 + 1.51 * 3_600 + n * 60) for n in range(30)]
    assert not any(r.flag for r in book().judge([*first, *long]))


def test_standing_still_may_have_a_band() -> None:
    """A converter with noise in its last digit; the window slides with its newest readings."""
    rule = rule_from_limits(HealthLimits(flat_after=3_600, flat_within=0.1), "air_temp_c", 600)
    values = [20.5, 20.2] + [20.1, 20.2] * 10 + [20.1, 20.0, 20.1]
    health = HealthBook({AIR: rule})
    flags = [health.judge([reading(v, n * 600)])[0].flag for n, v in enumerate(values)]
    assert flags == [Flag.GOOD] * 7 + [Flag.FLAT] * 16 + [Flag.GOOD] * 2


def test_what_takes_many_values_in_its_band_does_not_stand_still_and_fills_no_memory() -> None:
    rule = rule_from_limits(HealthLimits(flat_after=3_600, flat_within=0.5), "air_temp_c", 600)
    health = HealthBook({AIR: rule})
    values = [20 + (n * 7 % 500) / 1_000 for n in range(2_000)]
    judged = health.judge([reading(v, n * 10) for n, v in enumerate(values)])
    assert not any(r.flag for r in judged)
    assert len(health.state().series["s/air_temp_c"].levels) <= 64


def test_humidity_at_its_upper_end_for_half_an_hour_is_a_doubt() -> None:
    flags = said([98.0, *[99.5] * 30, 100, 100, 99.4, 100], every_s=60, name=HUM)
    assert flags == [Flag.GOOD] * 31 + [Flag.WET] * 2 + [Flag.GOOD] * 2
    assert Flag.WET.usable


def test_humidity_at_its_upper_end_is_wet_and_not_stuck_for_however_long() -> None:
    flags = said([100.0] * 500, every_s=60, name=HUM)
    assert set(flags[30:]) == {Flag.WET}


def test_below_its_upper_end_humidity_gets_stuck_as_all_else() -> None:
    assert said([99.4] * 361, every_s=60, name=HUM)[-1] == Flag.FLAT


def test_sensors_apart_get_a_doubt_whatever_else_is_known() -> None:
    health = book()
    first = health.judge([reading(20, 0), reading(50, 0, HUM)], apart={AIR})
    assert [r.flag for r in first] == [Flag.APART, Flag.GOOD]
    assert health.judge([reading(30, 10)], apart={AIR})[0].flag == SPIKE_RATE | Flag.APART
    assert health.judge([reading(30, 20)])[0].flag == Flag.GOOD
    assert Flag.APART in DOUBTS


@pytest.mark.parametrize("flag", [Flag.LATE, Flag.CLOCK, Flag.RANGE, Flag.LATE | Flag.RANGE])
def test_late_ahead_and_out_of_range_are_neither_judged_nor_remembered(flag: Flag) -> None:
    health = book()
    health.judge([reading(20, 0), reading(20, 10)])
    before = health.state()
    odd = reading(40, 20, flag=flag)
    assert health.judge([odd], apart={AIR}) == [odd]
    assert health.state() == before
    assert health.judge([reading(20, 30)])[0].flag == Flag.GOOD


def test_older_or_equal_times_are_neither_judged_nor_remembered() -> None:
    health = book()
    health.judge([reading(20, 0), reading(20, 10)])
    before = health.state()
    old = [reading(40, 10), reading(40, 5), reading(20, 0)]
    assert health.judge(old) == old
    assert health.state() == before


def test_a_reading_a_day_old_is_neither_judged_nor_remembered() -> None:
    health = book()
    old = reading(20, 0, seen_s=DAY_US / 1e6 + 1)
    assert health.judge([old]) == [old]
    assert health.state().series == {}


def test_what_no_rule_names_passes_as_it_is() -> None:
    door = Reading("s", "door_open", START_US, 1.0, Flag.GOOD, START_US)
    health = book()
    assert health.judge([door], apart={("s", "door_open")}) == [door]


def test_what_was_not_committed_is_judged_again_as_if_for_the_first_time() -> None:
    turn = [reading(20, 0), reading(30, 10), reading(30, 20), reading(50, 20, HUM)]
    health = book()
    health.judge([reading(20, -10)])
    before = health.state()
    first = health.judge(turn)
    health.undo()
    assert health.state() == before
    health.undo()
    assert health.state() == before
    assert health.judge(turn) == first
    assert [r.flag for r in first] == [0, SPIKE_RATE, 0, 0]


def test_an_answered_turn_cannot_be_undone_by_the_next_that_failed() -> None:
    health = book()
    health.judge([reading(20, 0)])
    after = health.state()
    health.judge([])
    health.undo()
    assert health.state() == after


def test_a_forgotten_past_judges_nothing() -> None:
    health = book()
    health.judge([reading(20, 3_600)])
    health.forget()
    assert health.judge([reading(40, 0)])[0].flag == Flag.GOOD


def test_a_rule_that_asks_nothing_says_nothing() -> None:
    rule = rule_from_limits(HealthLimits(), "particulate_ug_m3", 60)
    assert (rule.spike, rule.rate_per_us, rule.flat_after_us) == (math.inf,) * 3
    health = HealthBook({AIR: rule})
    values = [0.0] * 2_000 + [90_000.0, 0.0]
    assert not any(r.flag for r in health.judge([reading(v, 60 * n) for n, v in enumerate(values)]))


def test_rules_are_in_microseconds() -> None:
    rule = rule_from_limits(HealthLimits(5, 6, 3_600, 1_800, 0.1), "rel_hum_pct", 60)
    assert rule == HealthRule(
        MINUTE_US, 5, 6 / MINUTE_US, HOUR_US, 0.1, HOUR_US / 4, 99.5, HOUR_US / 2, HOUR_US / 8
    )
