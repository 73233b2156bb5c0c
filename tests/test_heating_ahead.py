"""The next morning: when it is asked for, what forbids a fall, and what is said without sensors."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.clock import us_from_iso
from envmon.facts import NewEvent
from envmon.heating.ahead import mornings_ahead, ready_us
from envmon.heating.log import HeatShop
from envmon.heating.words import Words
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fresh_facts
from envmon.service.heating.ahead import cures_in, night_of
from envmon.service.heating.make import DaySpan, make_report
from envmon.service.outlook.facts import keep_facts
from tests.winter_shop import Kept, kept
from tests.winter_story import TEXT, tell

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.heating.ahead import Ahead
    from envmon.outlook.model import ModelFacts

NOW_US = us_from_iso("2026-01-29T19:00:00+01:00")
WORDS = Words("metric", "NOK")


def asked(made: Kept, now_us: int = NOW_US) -> dict[str, Ahead]:
    night = night_of(made.past, made.shop, made.plan, now_us, {"north": 300.0, "south": 200.0})
    heat = HeatShop(made.shop.heating, made.shop.heater, made.shop.tariff)
    return {one.bay: one for one in mornings_ahead(night, heat, WORDS)}


def learned() -> ModelFacts:
    """Return a bay of usual constants that has taught how its heater of 12 kW warms it."""
    fresh = fresh_facts(Priors(220.0, 12_000.0))
    heater = msgspec.structs.replace(fresh.constants["heater_k_h"], told=True)
    return msgspec.structs.replace(
        fresh, guessing=False, days=30.0, constants=fresh.constants | {"heater_k_h": heater},
        air_j_k=12_000 * 3600 / heater.value,
        loss_w_k=msgspec.structs.replace(heater, value=170.0, low=150.0, high=190.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("now", "ready"),
    [
        ("2026-01-29T07:59:00+01:00", "2026-01-29T08:00:00+01:00"),
        ("2026-01-29T08:00:00+01:00", "2026-01-30T08:00:00+01:00"),
        ("2026-03-28T19:00:00+01:00", "2026-03-29T08:00:00+02:00"),
        ("2026-10-24T19:00:00+02:00", "2026-10-25T08:00:00+01:00"),
    ],
)
def test_ready_by_is_the_next_time_the_wall_clock_shows_it(now: str, ready: str) -> None:
    assert ready_us(us_from_iso(now), "08:00", "Europe/Oslo") == us_from_iso(ready)


def test_each_bay_has_a_start_before_its_time_and_an_advice(tmp_path: Path) -> None:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2025, 12, 20), 41)
        found = asked(made)
        early = asked(made, us_from_iso("2026-01-29T11:00:00+01:00"))
    assert set(found) == {"north", "south"}
    for one in found.values():
        assert one.start_us is not None
        assert NOW_US <= one.start_us <= one.ready_us
        assert one.chance is not None
        assert one.chance >= 0.5
        assert "20.0 °C by 08:00" in one.text
        assert one.advice in {"let fall", "either"}
    assert found["north"].text.startswith("North bay: start heating at ")
    assert early["north"].start_us is None
    assert early["north"].text == "North bay: said from 16:00 on, for 08:00."


def test_a_learned_bay_goes_by_its_model_the_other_as_before(tmp_path: Path) -> None:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2025, 12, 20), 41)
        without = asked(made)
        keep_facts(tmp_path, {"north": learned(), "south": fresh_facts(Priors(220.0))})
        night = night_of(made.past, made.shop, made.plan, NOW_US, {})
        found = asked(made)
    assert night.frames["north"].start_us == night.winter.start_us
    assert len(night.frames["north"]) == night.winter.minutes
    north = found["north"]
    assert north.start_us is not None
    assert north.text.count("the bay model of 30 days") == 2
    # Told is a heater that never runs full for long: no morning is a warming up.
    assert "no morning to learn from: a usual 2 K/h" in without["north"].text
    assert "by the energy signature" in without["north"].text
    assert found["south"] == without["south"]


def test_where_the_heat_went_goes_by_what_is_learned_of_a_bay(tmp_path: Path) -> None:
    """Before the seal goes: a model learned across a change holds on neither side of it."""
    span = DaySpan(date(2025, 12, 5), date(2026, 1, 3))
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, span.first, 29)
        without = make_report(made.past, made.shop, made.plan, span).log.spent.where
        keep_facts(tmp_path, {"north": learned(), "south": fresh_facts(Priors(220.0))})
        where = make_report(made.past, made.shop, made.plan, span).log.spent.where
    rests = {one.bay: {part.rests for part in one.parts} for one in where}
    before = {one.bay: {part.rests for part in one.parts} for one in without}
    assert "the bay model of 30 days" in rests["north"]
    assert "the bay model of 30 days" not in before["north"]
    assert rests["south"] == before["south"]


def test_what_cures_forbids_a_fall(tmp_path: Path) -> None:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2026, 1, 1), 29)
        made.store.add_events(
            [NewEvent(NOW_US - 10**10, "stage_started", "south", {"stage": "cure"})]
        )
        night = night_of(made.past, made.shop, made.plan, NOW_US, {})
        assert cures_in(made.store, night.winter, made.shop, NOW_US) == {
            "south": "something coated"
        }
        found = asked(made)
    assert found["south"].advice == "hold"
    assert "Hold it tonight: something coated cures there" in found["south"].text
    assert found["north"].advice != "hold"


def test_without_air_or_outdoors_nothing_is_foretold(tmp_path: Path) -> None:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2026, 1, 1), 20)  # silent for nine days now
        found = asked(made)
    assert found["north"].start_us is None
    assert "is not known" in found["north"].text


def test_a_time_that_is_over_has_no_morning(tmp_path: Path) -> None:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2026, 1, 1), 29)
        over = DaySpan(date(2026, 1, 1), date(2026, 1, 20))
        now = DaySpan(date(2026, 1, 1), date(2026, 1, 30))
        assert make_report(made.past, made.shop, made.plan, over, NOW_US).ahead == ()
        assert len(make_report(made.past, made.shop, made.plan, now, NOW_US).ahead) == 2
