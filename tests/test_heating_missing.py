"""What a log lacks, said in words that fit what the shop file has already."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from envmon.clock import us_from_iso
from envmon.heating.bay_heat import USUAL
from envmon.heating.log import HeatingLog, HeatShop, heating_log
from envmon.heating.model import BayMinutes
from envmon.heating.words import counted, joined
from envmon.service.heating.make import DaySpan, _learned_later
from envmon.shop.heat import Heater, HeatingInfo
from tests.heating_story import Story

INFO = HeatingInfo()


def log_of(bays: dict[str, BayMinutes], heaters: list[Heater], **more: Any) -> HeatingLog:
    story = Story(date(2026, 1, 12), 4)
    winter = story.winter(bays, **more)
    return heating_log(winter, HeatShop(INFO, tuple(heaters)))


def air(level: float = 15.0) -> BayMinutes:
    return BayMinutes(Story(date(2026, 1, 12), 4).flat(level))


def said(log: HeatingLog, about: str) -> str:
    (text,) = [text for text in log.missing if text.startswith(about)]
    return text


def test_without_a_heater_one_is_asked_for() -> None:
    log = log_of({"hall": air()}, [])
    assert "or [[heater]] so that it can be inferred" in said(log, "No run time")
    assert "energy_kwh), or [[heater]] with its output, or bring in bills" in said(log, "No energy")


def test_a_heater_that_is_there_is_not_asked_for_again() -> None:
    bare = log_of({"hall": air(), "annex": air()}, [Heater(bay="hall"), Heater(bay="annex")])
    assert ", or output to [[heater]] of hall and annex, or bring" in said(bare, "No energy")
    full = log_of({"hall": air()}, [Heater(bay="hall", output=9e3)])
    assert "heater" not in said(full, "No energy")
    assert "[[heater]]" not in said(full, "No run time")


@pytest.mark.parametrize("every", [10, 15, 60])
def test_rows_too_far_apart_infer_no_run_time_and_it_is_said(every: int) -> None:
    log = log_of({"hall": air()}, [Heater(bay="hall")], air_every_min={"hall": every})
    assert said(log, "No run time") == (
        f"No run time of hall: the air is read every {every} min, and a heater's turns show only "
        "in readings every 5 min or oftener, so nothing is inferred from it. A point that reads "
        "heater_on or heater_power_w would tell it."
    )


def test_air_without_a_thermostat_says_so_bays_together() -> None:
    heaters = [Heater(bay=bay) for bay in ("hall", "annex", "store")]
    dumb = BayMinutes(None, np.full(4 * 1440, np.nan))
    log = log_of(
        {"hall": air(), "annex": air(12.0), "store": dumb}, heaters,
        air_every_min={"hall": 1, "annex": 1},
    )  # fmt: skip
    texts = [text for text in log.missing if text.startswith("No run time")]
    assert texts[0].startswith("No run time of hall and annex: the air shows no heater that")
    assert texts[1].startswith("No run time of store: of heater and air nothing is kept")


def test_a_winter_before_anything_was_learned_says_so() -> None:
    """Only the newest facts of a bay are kept; those of a winter long ago are not its own."""
    span = DaySpan(date(2025, 1, 1), date(2025, 3, 1))
    learned = us_from_iso("2026-01-01T12:00:00Z"), us_from_iso("2026-02-20T12:00:00Z")
    later, own = USUAL._replace(learned_us=learned), USUAL._replace(learned_us=(0, learned[1]))
    bays = {"north": later, "south": own, "store": USUAL}
    (text,) = _learned_later(bays, span, "Europe/Oslo")
    assert text.startswith("Where the heat of north went goes by what the outlook learned")
    assert "up to 20 February 2026, for nothing learned in these days is kept" in text
    now = DaySpan(date(2025, 9, 1), date(2026, 3, 1))
    assert list(_learned_later(bays, now, "Europe/Oslo")) == []


def test_words_for_one_and_for_several() -> None:
    assert [counted(n, "day") for n in (0, 1, 2, 1200)] == [
        "0 days",
        "1 day",
        "2 days",
        "1\u202f200 days",
    ]
    assert counted(2, "wash", "washes") == "2 washes"
    assert [joined(["a", "b", "c"][:n]) for n in (0, 1, 2, 3)] == ["", "a", "a and b", "a, b and c"]
