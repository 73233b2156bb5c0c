"""Ten winter days of work in the simulated shop: few alarms, and what goes wrong is told.

A part of the whole year, which ``benchmarks/alarm_year.py`` lives through. Weather: Sand Point,
Alaska (TMY3, NREL). Figures: fixtures/check/alarm_reference.json (from memory, as it says).
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.guard.figures import counts_of
from envmon.guard.occurrences import log_of
from tests.year_calendar import mishaps_between, stays_between
from tests.year_person import at_work
from tests.year_readings import year_of
from tests.year_support import run_year

if TYPE_CHECKING:
    from envmon.guard.occurrences import AlarmLog, Occurrence

SEED, FIRST, DAYS = 366, date(2026, 1, 12), 10
"""A seed with a door, a heater, a sensor and the network going wrong within the ten days."""
VERY_LIKELY_ACCEPTABLE = 144
"""Alarms a day, ISA-18.2-2016 (from memory)."""
BEARABLE = 8
"""Alarms a day that one person with other work can bear (common practice)."""
MISHAPS = {m.kind: m for m in mishaps_between(SEED, FIRST, DAYS) if m.kind != "radio"}


class Days:
    """The ten days, lived through once."""

    def __init__(self) -> None:
        sent = year_of(SEED, FIRST, DAYS)
        self.from_us, self.to_us = sent.start_us, sent.start_us + DAYS * DAY_US
        stays = stays_between(SEED, FIRST, DAYS)
        self.log: AlarmLog = log_of(run_year(sent, stays, self.to_us).events)

    def raised(self, what: str, where: str, from_us: int, to_us: int) -> list[Occurrence]:
        """Return the alarms of a kind and place raised in a time."""
        return [
            one
            for one in self.log.past
            if (one.what, one.alarm.rpartition("-")[0]) == (what, where)
            and from_us <= one.raised_us < to_us
        ]


@pytest.fixture(scope="module")
def days() -> Days:
    return Days()


def test_alarms_a_day_are_very_likely_acceptable_and_bearable(days: Days) -> None:
    counts = counts_of(days.log, days.from_us, days.to_us)
    assert counts.alarms > DAYS, "a shop with mishaps is not silent"
    assert counts.per_day < VERY_LIKELY_ACCEPTABLE
    assert counts.per_day <= BEARABLE
    assert counts.flood_pct < 1
    assert counts.busy_hours_pct < 1


def test_no_alarm_chatters(days: Days) -> None:
    assert counts_of(days.log, days.from_us, days.to_us).chattering == ()


def test_nobody_is_called_at_night_but_for_what_went_wrong(days: Days) -> None:
    """Priority high outside working hours: only within an hour of a mishap or while it lasts."""
    for one in days.log.past:
        if one.priority == "high" and not at_work(one.raised_us):
            assert any(
                mishap.from_us <= one.raised_us <= mishap.to_us + HOUR_US
                for mishap in MISHAPS.values()
            ), one


def test_a_dead_heater_is_told_of_before_the_cure_has_cooled_for_two_hours(days: Days) -> None:
    dead = MISHAPS["heater"]
    for what in ("window", "heater"):
        raised = days.raised(what, dead.where, dead.from_us, dead.from_us + 12 * HOUR_US)
        assert raised, what


def test_a_silent_sensor_is_told_of(days: Days) -> None:
    silent = MISHAPS["silent"]
    point = silent.where.replace("/", "-")
    within_us = silent.from_us + 30 * MINUTE_US
    assert len(days.raised("lost", point, silent.from_us, within_us)) == 1


def test_a_network_down_is_one_message_not_fourteen(days: Days) -> None:
    down = MISHAPS["network"]
    to_us = down.to_us + 5 * MINUTE_US
    assert len(days.raised("silence", "shop", down.from_us, to_us)) == 1
    lost = [
        one for one in days.log.past if one.what == "lost" and down.from_us <= one.raised_us < to_us
    ]
    assert all(one.under == "shop-silence" for one in lost)
