"""What is wrong with a log's data is said in a sentence, on its day and only there."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from envmon.clock import MINUTE_US
from envmon.heating.days import days_between
from envmon.heating.faults import by_text, span_faults
from envmon.heating.log import HeatShop, heating_log
from envmon.heating.model import BayMinutes, Counter, DayRow, Winter
from envmon.shop.heat import HeatingInfo
from tests.heating_story import Story, day_rows, on_for, rising

INFO = HeatingInfo()


def rows_of(story: Story, bay: BayMinutes | None = None, **more: Any) -> list[DayRow]:
    usual = bay or BayMinutes(story.flat(19.0), on_for(story, 6))
    return day_rows(story.winter({"hall": usual}, **more), INFO, [])


def said(rows: list[DayRow]) -> dict[date, tuple[str, ...]]:
    return {row.day: row.faults for row in rows if row.faults}


def test_a_usual_week_has_no_fault() -> None:
    story = Story(date(2026, 1, 12), 7)
    gas = Counter(
        "fuel_m3", story.start_us + np.arange(story.minutes) * MINUTE_US, rising(story.minutes)
    )
    assert said(rows_of(story, counters={("gas", "fuel_m3"): gas})) == {}
    days = days_between(story.winter({"hall": BayMinutes(story.flat(19.0))}), INFO, [])
    assert span_faults(days) == ()


@pytest.mark.parametrize(
    ("first", "day", "text"),
    [
        (date(2026, 3, 27), date(2026, 3, 29), "The clocks went forward: this day has 23 hours."),
        (date(2026, 10, 23), date(2026, 10, 25), "The clocks went back: this day has 25 hours."),
    ],
)
def test_clock_changes(first: date, day: date, text: str) -> None:
    assert said(rows_of(Story(first, 4))) == {day: (text,)}


def test_leap_day() -> None:
    story = Story(date(2028, 2, 20), 12)
    days = days_between(story.winter({"hall": BayMinutes(story.flat(19.0))}), INFO, [])
    (text,) = span_faults(days)
    assert text.startswith("2028-02-29 is a leap day: this winter has a day more than others")
    other = Story(date(2027, 2, 20), 12)
    plain = days_between(other.winter({"hall": BayMinutes(other.flat(19.0))}), INFO, [])
    assert span_faults(plain) == ()


def test_outdoor_sensor_in_the_sun() -> None:
    story = Story(date(2026, 2, 2), 10)
    outdoor = story.flat(-4.0)
    for day in (1, 2, 6):
        outdoor[day * 1440 + 720 : day * 1440 + 840] += 9.0
    found = said(rows_of(story, outdoor_c=outdoor))
    assert [day.day for day in found] == [3, 4, 8]
    assert all("as if the sun shone on it" in texts[0] for texts in found.values())
    assert all("north side" in texts[0] for texts in found.values())


def cooling(story: Story, first: int, after: int) -> BayMinutes:
    """Return a bay whose heater says on throughout, and that cools by 8 K in that time."""
    air, on = story.flat(19.0), on_for(story, 6)
    on[first:after] = 1.0
    air[first:after] = np.linspace(19, 11, after - first)
    return BayMinutes(air, on)


def test_heater_said_to_be_on_while_the_bay_cools() -> None:
    story = Story(date(2026, 1, 12), 5)
    found = said(rows_of(story, cooling(story, 1440 + 900, 2 * 1440 + 500)))
    assert [day.day for day in found] == [13, 14]
    (text,) = found[date(2026, 1, 13)]
    assert "hall: the heater is said to be on for 17 h while the bay falls to 11 °C" in text
    assert "licensed person" in text


def test_heater_that_runs_all_day_in_the_cold_is_no_fault() -> None:
    story = Story(date(2026, 1, 12), 3)
    air = 17 + 2 * np.sin(np.linspace(0, 6 * np.pi, story.minutes))
    assert said(rows_of(story, BayMinutes(air, story.flat(1.0)))) == {}
    short = cooling(story, 1440 + 600, 1440 + 600 + 5 * 60)  # a door, an evening
    assert said(rows_of(story, short)) == {}


def test_heater_said_to_be_off_while_the_bay_stays_warm() -> None:
    story = Story(date(2026, 1, 12), 4)
    on = on_for(story, 6)
    on[1440:2880] = 0.0
    found = said(rows_of(story, BayMinutes(story.flat(18.0), on)))
    assert list(found) == [date(2026, 1, 13)]
    assert (
        "said to be off all day, yet the bay stays 20 K above the outdoors"
        in found[date(2026, 1, 13)][0]
    )


def test_heater_off_is_no_fault_where_the_bay_cools_or_it_is_mild() -> None:
    story = Story(date(2026, 1, 12), 2)
    air = story.flat(18.0)
    air[1440:] = np.linspace(18, 12, 1440)
    on = on_for(story, 6)
    on[1440:] = 0.0
    assert said(rows_of(story, BayMinutes(air, on))) == {}
    mild = rows_of(story, BayMinutes(story.flat(18.0), story.flat(0.0)), outdoor_c=story.flat(12.0))
    assert said(mild) == {}


def metered(story: Story, value: np.ndarray[Any, Any]) -> dict[tuple[str, str], Counter]:
    t_us = story.start_us + np.arange(story.minutes) * MINUTE_US
    good = np.isfinite(value)
    return {("gas", "fuel_m3"): Counter("fuel_m3", t_us[good], value[good])}


def test_negative_step_of_a_meter() -> None:
    story = Story(date(2026, 1, 12), 4)
    value = 512.0 + rising(story.minutes)
    value[1440 + 60 :] -= 0.4
    found = said(rows_of(story, counters=metered(story, value)))
    text = (
        "gas: the meter stepped back from 526.99 to 526.6 m3; counted again once it is above where "
        "it was."
    )
    assert found == {date(2026, 1, 13): (text,)}


def test_meter_changed_and_silent_over_midnight() -> None:
    story = Story(date(2026, 1, 12), 6)
    value = 512.0 + rising(story.minutes)
    value[2 * 1440 - 120 : 2 * 1440 + 240] = np.nan
    value[4 * 1440 + 30 :] -= 300
    found = said(rows_of(story, counters=metered(story, value)))
    assert list(found) == [date(2026, 1, 13), date(2026, 1, 16)]
    (text,) = found[date(2026, 1, 13)]
    assert text == (
        "gas: no reading from 2026-01-13 21:59 to 2026-01-14 04:00; 3.61 m3 were used, which no "
        "day shows."
    )
    assert "the meter was changed, or set to another count" in found[date(2026, 1, 16)][0]


def test_month_with_less_than_half_its_data() -> None:
    story = Story(date(2026, 1, 1), 59)
    outdoor = story.flat(-3.0)
    outdoor[: 17 * 1440] = np.nan  # 17 of January's 31 days
    outdoor[32 * 1440 : 45 * 1440] = np.nan  # 13 of February's 28
    winter: Winter = story.winter({"hall": BayMinutes(story.flat(19.0))}, outdoor_c=outdoor)
    (text,) = span_faults(days_between(winter, INFO, []))
    assert text == (
        "Known for less than half of the time: 2026-01 (outdoors 45 %). Sums and means of this "
        "month stand for the part that is known, not for the whole."
    )


def test_months_with_half_the_data_are_said_once_with_all_that_is_thin() -> None:
    story = Story(date(2026, 1, 1), 90)
    half, few = story.flat(19.0), story.flat(-3.0)
    half[10 * 1440 : 31 * 1440] = np.nan  # of January there are 10 days
    few[10 * 1440 : 31 * 1440] = np.nan
    few[33 * 1440 : 59 * 1440] = np.nan  # of February there are 2
    bays = {
        "hall": BayMinutes(half),
        "annex": BayMinutes(half),
        "store": BayMinutes(story.flat(9.0)),
    }
    (text,) = span_faults(days_between(story.winter(bays, outdoor_c=few), INFO, []))
    assert text.startswith(
        "Known for less than half of the time: 2026-01 (outdoors, air of hall and air of annex "
        "32 %); 2026-02 (outdoors 7 %). Sums and means of these months"
    )


def test_what_the_shop_never_measures_is_no_thin_month() -> None:
    story = Story(date(2026, 1, 1), 31)
    winter = story.winter({"hall": BayMinutes(story.flat(19.0))}, outdoor_c=None)
    assert span_faults(days_between(winter, INFO, [])) == ()


def test_a_month_without_anything_is_said_in_one_word() -> None:
    story = Story(date(2026, 1, 1), 59)
    none = story.flat(19.0)
    none[: 31 * 1440] = np.nan
    winter = story.winter({"hall": BayMinutes(none)}, outdoor_c=none)
    (text,) = span_faults(days_between(winter, INFO, []))
    assert "2026-01 (everything 0 %)" in text


def test_what_is_said_of_days_is_said_once_with_all_of_them() -> None:
    days = [date(2026, 1, 30), date(2026, 1, 31), date(2026, 2, 2)]
    assert by_text((day, ("sun", "x") if day.day == 31 else ("sun",)) for day in days) == (
        "30 and 31 Jan and 2 Feb: sun", "31 Jan: x"
    )  # fmt: skip
    many = [(date(2026, 3, day), ("sun",)) for day in range(1, 9)]
    assert by_text(many) == ("8 days from 1 Mar to 8 Mar: sun",)
    assert by_text([]) == ()


FAULTS = {
    "sun": "as if the sun shone on it",
    "stuck": "said to be off all day",
    "thin": "Known for less than half of the time: 2028-02",
    "clocks": "The clocks went forward: this day has 23 hours",
    "leap": "2028-02-29 is a leap day",
    "meter": "the meter stepped back",
}


def test_every_fault_stands_in_the_log_s_notes_as_a_sentence() -> None:
    """All at once in one winter: what a person reads on screen, paper and in the terminal."""
    story = Story(date(2028, 2, 20), 40, zone="Europe/Oslo")
    on, outdoor = on_for(story, 6), story.flat(-4.0)
    outdoor[: 6 * 1440] = np.nan  # of ten days of February four are left
    on[12 * 1440 : 13 * 1440] = 0.0
    for day in (20, 21, 25):
        outdoor[day * 1440 + 720 : day * 1440 + 840] += 9.0
    value = 512.0 + rising(story.minutes)
    value[15 * 1440 + 60 :] -= 0.4
    winter = story.winter(
        {"hall": BayMinutes(story.flat(18.0), on)},
        outdoor_c=outdoor,
        counters=metered(story, value),
    )
    notes = heating_log(winter, HeatShop(INFO)).notes
    for name, text in FAULTS.items():
        assert sum(text in note for note in notes) == 1, name
