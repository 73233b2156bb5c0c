"""Advice follows from the model: laws of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from envmon.clock import HOUR_US
from envmon.outlook.advice import advice, open_door
from envmon.outlook.ahead import Outside, Plans
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


def test_no_door_is_advised_where_nobody_knows_the_outdoors() -> None:
    unseen = frame(outdoor_c=float("nan"))
    assert open_door(facts(), unseen, 60.0, NOTHING) is None
    told = Plans(outdoor=tuple(Outside(START_US + n * HOUR_US, -8.0) for n in range(20)))
    assert open_door(facts(), unseen, 60.0, Context(told)) is not None


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
    assert advice(facts(), rows, 60.0, NOTHING) == []
    assert advice(facts(), frame(), 60.0, NOTHING) != []


def test_nothing_is_advised_where_all_is_well() -> None:
    assert advice(facts(), frame(humid=50), 60.0, NOTHING) == []
