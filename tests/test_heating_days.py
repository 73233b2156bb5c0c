"""Day rows: what a local day shows of weather, bays, run time, energy and work."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.heating.days import base_c, days_between, rows_of
from envmon.heating.energy import HeatBy, energy_between
from envmon.heating.fuel import FUELS
from envmon.heating.model import BayMinutes, Counter, DayRow, Span
from envmon.shop.heat import Heater, HeatingInfo
from tests.heating_story import Story, day_rows, local_us, on_for, rising


def test_a_day_with_everything() -> None:
    story = Story(date(2026, 1, 12), 2)
    bays = {
        "hall": BayMinutes(story.flat(19.0), on_for(story, 6)),
        "annex": BayMinutes(story.flat(16.0), on_for(story, 2)),
    }
    noon = local_us(date(2026, 1, 12), 12)
    winter = story.winter(
        bays,
        stages=(
            Span("hall", "foam", noon, noon + HOUR_US // 4),
            Span("hall", "wash", noon + HOUR_US // 4, noon + HOUR_US),
            Span("annex", "rinse", noon, noon + HOUR_US),
            Span("hall", "drying", noon + HOUR_US, None),
        ),
        jobs=(Span("hall", "J-7", noon, noon + DAY_US), Span("annex", "J-8", noon, None)),
        notes=((date(2026, 1, 13), "door seal looks worn"),),
    )
    heaters = [Heater(bay="hall", output=10e3), Heater(bay="annex", output=5e3, efficiency=0.5)]
    first, second = day_rows(winter, HeatingInfo(efficiency=0.8), heaters, [3.5, None])
    numbers = [first.energy_kwh, first.heat_kwh, first.degree_days]
    assert numbers == pytest.approx([60 / 0.8 + 10 / 0.5, 70.0, 20.0])
    assert first == DayRow(
        day=date(2026, 1, 12), hours=24.0, outdoor_mean_c=-2.0, outdoor_low_c=-2.0,
        outdoor_h=24.0, indoor_mean_c=17.5, indoor_low_c=16.0, run_h=8.0, run_kind="measured",
        energy_kwh=first.energy_kwh, heat_kwh=first.heat_kwh, energy_kind="inferred", cost=3.5,
        degree_days=first.degree_days, washes=2, jobs=("J-7", "J-8"),
    )  # fmt: skip
    assert (second.washes, second.jobs) == (0, ("J-7", "J-8"))
    assert second.notes == ("door seal looks worn",)


def test_metered_fuel_comes_before_run_time() -> None:
    story = Story(date(2026, 1, 12), 2)
    t_us = story.start_us + np.arange(story.minutes + 1) * MINUTE_US
    gas = Counter("fuel_m3", t_us, 100 + rising(story.minutes + 1))
    other = Counter("energy_kwh", t_us, 100 * rising(story.minutes + 1))
    winter = story.winter(
        {"hall": BayMinutes(story.flat(19.0), on_for(story, 6))},
        counters={("boiler", "fuel_m3"): gas, ("lights", "energy_kwh"): other},
    )
    row = day_rows(winter, HeatingInfo(efficiency=0.9), [Heater(bay="hall", output=10e3)])[1]
    assert row.fuel == pytest.approx(14.4)
    assert row.energy_kwh == pytest.approx(14.4 * FUELS["natural_gas"]["fuel_m3"].kwh, abs=1e-3)
    assert row.heat_kwh == pytest.approx(0.9 * (row.energy_kwh or 0), abs=1e-3)
    assert row.energy_kind == "measured"


def test_a_heat_pump_s_power_is_what_it_draws_a_burner_s_what_it_gives() -> None:
    story = Story(date(2026, 1, 12), 1)
    bays = {"hall": BayMinutes(story.flat(19.0), None, story.flat(3_000.0))}
    heaters = [Heater(bay="hall", efficiency=2.5)]
    (drawn,) = day_rows(story.winter(bays), HeatingInfo(fuel="electricity"), heaters)
    assert [drawn.energy_kwh, drawn.heat_kwh] == pytest.approx([72, 180])
    (given,) = day_rows(story.winter(bays), HeatingInfo(fuel="propane"), heaters)
    assert [given.energy_kwh, given.heat_kwh] == pytest.approx([28.8, 72])
    assert given.energy_kind == drawn.energy_kind == "measured"


def test_nothing_known_is_none_never_zero() -> None:
    story = Story(date(2026, 1, 12), 1)
    (row,) = day_rows(story.winter({"hall": BayMinutes(None)}, outdoor_c=None), HeatingInfo(), [])
    assert row == DayRow(day=date(2026, 1, 12), hours=24.0)


def test_clock_changes_give_days_of_23_and_25_hours() -> None:
    """A heater that runs through has as many hours as the day has."""
    for first, hours in ((date(2026, 3, 28), [24, 23, 24]), (date(2026, 10, 24), [24, 25, 24])):
        story = Story(first, 3)
        winter = story.winter({"hall": BayMinutes(story.flat(19.0), story.flat(1.0))})
        rows = day_rows(winter, HeatingInfo(), [Heater(bay="hall", output=1e3)])
        assert [row.hours for row in rows] == hours
        assert [row.run_h for row in rows] == hours
        assert [row.heat_kwh for row in rows] == pytest.approx(hours)
        assert [row.outdoor_h for row in rows] == hours
        assert [row.degree_days for row in rows] == pytest.approx(
            [20 * h / 24 for h in hours], abs=1e-3
        )
        assert [row.partial for row in rows] == [False] * 3
        assert "this day has" in rows[1].faults[0]


def test_a_leap_year_s_winter_has_every_day_once() -> None:
    story = Story(date(2028, 2, 27), 4)
    winter = story.winter({"hall": BayMinutes(story.flat(19.0), on_for(story, 5))})
    rows = day_rows(winter, HeatingInfo(), [])
    assert [row.day.isoformat() for row in rows] == [
        "2028-02-27", "2028-02-28", "2028-02-29", "2028-03-01",
    ]  # fmt: skip
    assert [row.run_h for row in rows] == pytest.approx([5.0] * 4)


@pytest.mark.parametrize(
    "gone", ["outdoor_c", "air_c", "heater_on", "meter"], ids=lambda name: f"without {name}"
)
def test_what_lacks_more_than_an_hour_makes_the_day_partial(gone: str) -> None:
    story = Story(date(2026, 1, 12), 3)
    for lost_min, partial in ((55, False), (65, True)):
        lost = slice(1440 + 600, 1440 + 600 + lost_min)
        minutes = {name: story.flat(5.0) for name in ("outdoor_c", "air_c")}
        minutes["heater_on"] = on_for(story, 6)
        t_us = story.start_us + np.arange(story.minutes) * MINUTE_US
        there = np.ones(story.minutes, bool)
        if gone == "meter":
            there[1440 - lost_min - 40 : 1440 + 70] = False
        else:
            minutes[gone][lost] = np.nan
        counter = Counter("fuel_m3", t_us[there], rising(story.minutes)[there])
        winter = story.winter(
            {"hall": BayMinutes(minutes["air_c"], minutes["heater_on"])},
            outdoor_c=minutes["outdoor_c"],
            counters={("gas", "fuel_m3"): counter},
        )
        rows = day_rows(winter, HeatingInfo(), [])
        expected = [False, partial, False]
        if gone == "meter":
            expected = [True, True, False]  # the gap reaches over midnight, either way
        assert [row.partial for row in rows] == expected


def test_run_time_that_is_never_known_makes_no_day_partial() -> None:
    """A shop with a meter and a heater without a point: its days are whole, and comparable."""
    story = Story(date(2026, 1, 12), 3)
    t_us = story.start_us + np.arange(story.minutes) * MINUTE_US
    winter = story.winter(
        {"hall": BayMinutes(None)},
        outdoor_c=story.flat(5.0),
        counters={("gas", "fuel_m3"): Counter("fuel_m3", t_us, rising(story.minutes))},
    )
    rows = day_rows(winter, HeatingInfo(), [Heater(bay="hall", output=1e3)])
    assert [row.run_h for row in rows] == [None] * 3
    assert [row.partial for row in rows[:-1]] == [False] * 2


def test_run_time_of_all_bays_or_of_none() -> None:
    story = Story(date(2026, 1, 12), 2)
    silent = on_for(story, 4)
    silent[1440:] = np.nan
    bays = {"hall": BayMinutes(None, on_for(story, 6)), "annex": BayMinutes(None, silent)}
    rows = day_rows(story.winter(bays), HeatingInfo(), [])
    assert [row.run_h for row in rows] == [pytest.approx(10.0), None]
    assert [row.run_kind for row in rows] == ["measured", "unknown"]


def test_hours_add_up_to_days() -> None:
    """Money needs energy by the hour; the same function gives it."""
    story = Story(date(2026, 3, 28), 3)
    draw = np.random.default_rng(5)
    on = (draw.random(story.minutes) < 0.4).astype(float)
    winter = story.winter({"hall": BayMinutes(story.flat(19.0), on)})
    heaters, info = [Heater(bay="hall", output=12e3)], HeatingInfo()
    days = days_between(winter, info, heaters)
    hours = np.arange(days.local.edges_us[0], days.local.edges_us[-1] + 1, HOUR_US)
    by_hour = energy_between(winter, HeatBy(info, heaters, days.runs), hours)
    assert by_hour.energy_kwh.sum() == pytest.approx(days.energy.energy_kwh.sum())
    assert len(by_hour.energy_kwh) == 71


def test_balance_point_is_the_base_once_it_is_known() -> None:
    info = HeatingInfo(base="balance")
    assert base_c(info, None) == 18.0
    assert base_c(info, 15.5) == 15.5
    assert base_c(HeatingInfo(base=17.0), 15.5) == 17.0
    story = Story(date(2026, 1, 12), 1)
    winter = story.winter({"hall": BayMinutes(story.flat(19.0))})
    (row,) = day_rows(winter, info, [], balance_c=15.0)
    assert row.degree_days == pytest.approx(17.0)
    (same,) = rows_of(winter, days_between(winter, info, [], 15.0))
    assert same == row
