"""Advice follows from the model: laws of it, and each start put back into the simulation."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from envmon.clock import MINUTE_US
from envmon.guard.words import clock_time
from envmon.outlook.advice import Wish, advice, open_door, start_heating
from envmon.outlook.constants import Learned, Priors
from envmon.outlook.foresee import Context
from envmon.outlook.frame import BayFrame, frame_from_columns
from envmon.outlook.learning import fresh_facts
from tests.outlook_support import START_US

if TYPE_CHECKING:
    from envmon.outlook.model import ModelFacts

SIZE = 720


def exactly(value: float) -> Learned:
    return Learned(value, value, value, told=True)


def facts(air_j_k: float | None = 480e3, **constants: float) -> ModelFacts:
    """Return a bay whose constants are known exactly."""
    fresh = fresh_facts(Priors(200))
    known = {name: exactly(one.value) for name, one in fresh.constants.items()}
    known |= {name: exactly(value) for name, value in constants.items()}
    return msgspec.structs.replace(fresh, constants=known, air_j_k=air_j_k, guessing=False)


def frame(
    air_c: float = 20.0, humid: float = 75.0, outdoor_c: float = -8.0, outdoor_humid: float = 70.0
) -> BayFrame:
    columns = {
        "air_temp_c": air_c, "rel_hum_pct": humid, "panel_temp_c": air_c - 2,
        "outdoor_temp_c": outdoor_c, "outdoor_rel_hum_pct": outdoor_humid, "heater_on": 0.0,
        "door_open": 0.0,
    }  # fmt: skip
    rows = {name: [np.full(SIZE, value)] for name, value in columns.items()}
    return frame_from_columns(rows, (), START_US, SIZE)


NOTHING = Context()


def test_an_open_door_in_the_cold_dries_the_bay_and_costs_heat() -> None:
    found = open_door(facts(), frame(), 60.0, NOTHING)
    assert found is not None
    assert found.rel_hum_from_pct is not None
    assert found.rel_hum_to_pct is not None
    assert found.cost_kwh is not None
    assert found.air_low_c is not None
    assert found.rel_hum_to_pct < found.rel_hum_from_pct - 4
    assert 0.2 < found.cost_kwh < 20
    assert -8 < found.air_low_c < 20
    assert found.text.startswith(f"open the door {found.minutes:.0f} min: humidity about")


def test_a_door_into_air_as_wet_is_not_advised() -> None:
    assert open_door(facts(), frame(outdoor_c=19, outdoor_humid=95), 60.0, NOTHING) is None


def test_without_the_heaters_output_no_cost_is_told() -> None:
    found = open_door(facts(None), frame(), 60.0, NOTHING)
    assert found is not None
    assert found.cost_kwh is None
    assert "kWh" not in found.text


def test_a_door_that_was_never_seen_open_is_not_advised_by_a_bay_that_has_learned() -> None:
    unseen = msgspec.structs.replace(facts().constants["door"], told=False)
    bay = facts()
    bay = msgspec.structs.replace(bay, constants={**bay.constants, "door": unseen})
    assert open_door(bay, frame(), 60.0, NOTHING) is None


@pytest.mark.parametrize("stage", ["coating", "early_cure", "cure", "wipe"])
def test_no_draught_is_advised_where_it_ruins_the_work(stage: str) -> None:
    rows = replace(frame(), stage=np.full(SIZE, stage))
    assert advice(facts(), rows, Wish(rel_hum_high_pct=60), NOTHING) == []
    assert advice(facts(), frame(), Wish(rel_hum_high_pct=60), NOTHING) != []


def test_nothing_is_advised_where_all_is_well() -> None:
    assert advice(facts(), frame(humid=50), Wish(rel_hum_high_pct=60), NOTHING) == []


def start(bay: ModelFacts, rows: BayFrame, target_c: float = 20.0, wait_min: float = 360) -> float:
    found = start_heating(bay, rows, target_c, wait_min)
    assert found is not None
    return found.start_min


def test_a_colder_day_a_warmer_wish_or_a_weaker_heater_starts_earlier() -> None:
    cold = frame(air_c=8, humid=50)
    usual = start(facts(), cold)
    assert 0 < usual < 360
    assert start(facts(), frame(air_c=8, humid=50, outdoor_c=-25)) < usual
    assert start(facts(), cold, target_c=24) < usual
    assert start(facts(heater_k_h=45), cold) < usual
    assert start(facts(), frame(air_c=14, humid=50)) > usual


def test_a_start_is_in_time_and_the_next_step_is_not() -> None:
    """Put back: from the found start the bay is warm in time, five minutes later it is not."""
    from envmon.outlook.advice import HEAT_STEP_MIN, _night
    from envmon.outlook.fit import room_from, state_at
    from envmon.outlook.forward import forward
    from envmon.outlook.hidden import hidden_states, inputs_of

    bay, rows, wait_min = facts(heater_k_h=50), frame(air_c=8, humid=50), 360
    found = start(bay, rows, wait_min=wait_min)
    room, steps = room_from(bay.constants), round(wait_min / HEAT_STEP_MIN)
    state = state_at(hidden_states(room, inputs_of(rows)), np.array([SIZE - 1]))
    for late, warm in ((0, True), (1, False)):
        first = round(found / HEAT_STEP_MIN) + late
        heater = (np.arange(steps)[:, None] >= first).astype(float)
        course = replace(_night(bay, rows, steps, ()), heater=heater)
        ahead = forward(room, state, course, 0.55, HEAT_STEP_MIN / 60)
        assert bool(ahead.air_c.max() >= 20.0) is warm


def test_what_cannot_be_reached_is_not_promised() -> None:
    assert start_heating(facts(heater_k_h=5), frame(air_c=2, humid=50), 20.0, 60) is None


def test_an_unsure_heater_gives_a_range() -> None:
    bay = facts()
    unsure = Learned(70.0, 50.0, 98.0, told=True)
    bay = msgspec.structs.replace(bay, constants={**bay.constants, "heater_k_h": unsure})
    found = start_heating(bay, frame(air_c=8, humid=50), 20.0, 360)
    assert found is not None
    assert found.early_min < found.start_min < found.late_min


def test_texts_are_in_the_shops_units_and_time() -> None:
    rows = frame(air_c=8, humid=50)
    wish = Wish(air_temp_c=20.0, by_us=START_US + (SIZE + 300) * MINUTE_US)
    metric = advice(facts(), rows, wish, NOTHING)[0]
    there = advice(facts(), rows, wish, NOTHING, "us", "America/Anchorage")[0]
    assert "to be at 20.0 °C by 01:00 (−8.0 °C outside)" in metric.text
    assert "to be at 68.0 °F by 16:00 (17.6 °F outside)" in there.text
    start_us = START_US + round((SIZE + metric.minutes) * MINUTE_US)
    assert f"start heating {clock_time(start_us, 'UTC')} to" in metric.text
