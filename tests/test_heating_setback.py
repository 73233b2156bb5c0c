"""Hold or let fall: what cures forbids it, frost limits it, money decides."""

from __future__ import annotations

from copy import deepcopy
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from envmon.clock import MINUTE_US
from envmon.heating.mornings import BayPast
from envmon.heating.preheat import Start
from envmon.heating.setback import AFTER_H, Bay, Evening, Prices, allowed_setback, tonight
from envmon.heating.warming import Aim
from envmon.heating.warming_model import BayModel
from envmon.outlook.constants import Priors
from envmon.outlook.frame import frame_from_columns
from envmon.outlook.learning import fresh_facts
from envmon_sensors.hall import NORTH, STEP_S, Hall
from envmon_sensors.scenario import TIME_ZONE, local_us
from envmon_sensors.stores import BayControls, BayState
from envmon_sensors.weather import outdoor
from tests.outlook_support import START_US

if TYPE_CHECKING:
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts

AIM = Aim(20.0, 12.0)
START = Start(
    wait_min=480.0, in_time=True, chance=0.9, warm_min=90.0, sure_min=120.0, mornings=12,
    kind="past mornings", rests="the warming of 12 past mornings",
    outdoor_c=-5.0,
)  # fmt: skip
FLAT = Prices(np.full(12, 0.2), 0.8, "EUR")
BY_MIN = 600.0


def evening(air_c: float = 20.0, outdoor_c: float = -5.0) -> BayPast:
    n = 1440
    air, outdoor = np.full(n, air_c), np.full(n, outdoor_c)
    return BayPast(START_US, air, outdoor, np.zeros(n), "Europe/Oslo")


def model(outdoor_c: float = -5.0, *, output: bool = True) -> BayModel:
    """Return a bay of usual constants with a heater of 10 kW."""
    facts: ModelFacts = fresh_facts(Priors(240.0))
    air_j_k = 10_000 * 3600 / facts.constants["heater_k_h"].value if output else None
    facts = msgspec.structs.replace(facts, guessing=False, days=30.0, air_j_k=air_j_k)
    return BayModel(facts, frame(outdoor_c), AIM)


def frame(outdoor_c: float, size: int = 2880) -> BayFrame:
    columns = {"air_temp_c": 20.0, "rel_hum_pct": 45.0, "outdoor_temp_c": outdoor_c,
               "outdoor_rel_hum_pct": 80.0, "heater_on": 0.4, "door_open": 0.0}  # fmt: skip
    rows = {name: [np.full(size, value)] for name, value in columns.items()}
    return frame_from_columns(rows, (), START_US, size)


def test_a_curing_vehicle_is_never_let_cold() -> None:
    found = tonight(Evening(evening(), AIM, BY_MIN, START, Bay(cures="job 12"), FLAT, model()))
    assert found.advice == "hold"
    assert found.why == "job 12 cures there: it is held at its temperature"
    assert found.setback_c == AIM.target_c


@pytest.mark.parametrize(
    ("stores", "setback_c", "may_fall_to"),
    [(None, 3.0, 3.0), (5.0, 3.0, 7.0), (5.0, 12.0, 12.0), (25.0, 12.0, 20.0)],
)
def test_products_that_frost_spoils_set_a_floor(
    stores: float | None, setback_c: float, may_fall_to: float
) -> None:
    assert allowed_setback(Aim(20.0, setback_c), Bay("", stores)) == may_fall_to


def test_worked_by_hand_from_the_loss() -> None:
    # Without a night to learn from the bay falls with a time of 10 h: never to 12 °C in 8 h at
    # -5 °C outdoors? 25·e^-0.8 - 5 = 6.2: it does, after 10·ln(25/17) = 3.86 h.
    found = tonight(Evening(evening(), AIM, BY_MIN, START, Bay(), FLAT, None, 200.0))
    hours = np.arange(0, 10 + AFTER_H, 5 / 60)
    free = np.maximum(-5 + 25 * np.exp(-hours / 10), 12)
    colder_kh = float(np.sum(np.where(hours < 8, 20 - free, 0.0))) * 5 / 60
    assert found.hold_kwh == pytest.approx(0.2 * 25 * 16 / 0.8)
    assert found.saved_kwh == pytest.approx(0.2 * colder_kh / 0.8, rel=1e-6)
    assert found.saved is not None
    assert found.saved_kwh is not None
    assert float(found.saved) == pytest.approx(0.2 * found.saved_kwh, abs=0.006)
    assert found.lowest_c == 12.0
    assert found.advice == "let fall"
    assert found.rests == "the loss by the energy signature"


def test_dear_mornings_can_make_holding_cheaper() -> None:
    dear = np.where(np.arange(192) * 5 >= 480, 3.0, 0.05)
    found = tonight(Evening(evening(), AIM, BY_MIN, START, Bay(), FLAT._replace(kwh=dear), model()))
    assert found.saved_kwh is not None
    assert found.saved is not None
    assert found.saved_kwh > 0
    assert found.saved < 0
    assert found.advice == "hold"


def test_the_model_counts_what_slab_and_walls_give_back() -> None:
    found = tonight(Evening(evening(), AIM, BY_MIN, START, Bay(), FLAT, model()))
    assert found.hold_kwh is not None
    assert found.fall_kwh is not None
    assert found.lowest_c is not None
    assert 0 < found.fall_kwh < found.hold_kwh
    assert 11.5 <= found.lowest_c < 20
    assert found.rests == "the bay model of 30 days"


def test_the_deeper_it_may_fall_the_more_is_saved_and_a_mild_night_saves_less() -> None:
    saved = [
        tonight(
            Evening(evening(outdoor_c=c), Aim(20.0, low), BY_MIN, START, Bay(), FLAT, None, 200.0)
        )
        for low, c in ((16.0, -5.0), (12.0, -5.0), (12.0, 10.0))
    ]
    kwh = [one.saved_kwh or 0.0 for one in saved]
    assert kwh[0] < kwh[1]
    assert kwh[2] < kwh[1]


def test_with_neither_model_nor_loss_nobody_knows() -> None:
    found = tonight(Evening(evening(), AIM, BY_MIN, START, Bay(), FLAT))
    assert found.advice == "not known"
    without_output = tonight(
        Evening(evening(), AIM, BY_MIN, START, Bay(), FLAT, model(output=False))
    )
    assert without_output.advice == "not known"
    assert without_output.rests == "neither a bay model nor its loss is known"


def test_without_a_price_energy_decides() -> None:
    found = tonight(
        Evening(evening(), AIM, BY_MIN, START, Bay(), FLAT._replace(kwh=np.empty(0)), None, 200.0)
    )
    assert found.saved is None
    assert found.advice == "let fall"


def test_a_difference_of_nothing_is_either() -> None:
    at_once = START._replace(wait_min=0.0)
    found = tonight(Evening(evening(), AIM, BY_MIN, at_once, Bay(), FLAT, None, 200.0))
    assert found.advice == "either"
    assert found.saved == Decimal("0.00")


def _lived(
    hall: Hall, at_us: int, setpoints_c: list[float]
) -> tuple[list[float], list[float], float]:
    """Live through minutes under settings; return the air, run time and the heat given [kWh]."""
    before = hall.accounts["north"].heat_j["heater"]
    air, run = [], []
    for minute, setpoint_c in enumerate(setpoints_c):
        outside = outdoor(at_us + minute * MINUTE_US, -6.0)
        then = hall.accounts["north"].heat_j["heater"]
        for _ in range(60 // STEP_S):
            hall.step({"north": BayControls(setpoint_c=setpoint_c)}, outside)
        air.append(hall.states["north"].air_c)
        run.append((hall.accounts["north"].heat_j["heater"] - then) / 60 / 16e3)
    return air, run, (hall.accounts["north"].heat_j["heater"] - before) / 3.6e6


def test_what_the_simulated_shop_saves_by_falling_to_14_degrees() -> None:
    """A night in the hall, held and let fall, followed until noon; the loss is its builder's.

    Slab 75 W/K behind 765 W/K of surface, glazing 26 W/K, 0.1 + 0.004·ΔT changes of 240 m³ an hour.
    """
    evening_us = local_us(date(2026, 1, 20), "18:00")
    hall = Hall(bays={"north": NORTH}, states={"north": BayState()})
    low, start_min, by_min = 14.0, 11 * 60, 14 * 60
    week = [low if minute % 1440 < start_min else 20.0 for minute in range(4 * 1440)]
    first_us = evening_us - len(week) * MINUTE_US
    air_c, run, _ = _lived(hall, first_us, week)
    fall_c = [low if minute < start_min else 20.0 for minute in range(by_min + 360)]
    _, _, hold_kwh = _lived(deepcopy(hall), evening_us, [20.0] * len(fall_c))
    _, _, fall_kwh = _lived(deepcopy(hall), evening_us, fall_c)
    outdoor_c = [outdoor(first_us + m * MINUTE_US, -6.0).temp_c for m in range(len(week))]
    past = BayPast(first_us, np.array(air_c), np.array(outdoor_c), np.array(run), TIME_ZONE)
    loss_w_k = 1 / (1 / 75 + 1 / 765) + 26 + 240 * (0.1 + 0.004 * 24) * 1.2 * 1006 / 3600
    start = START._replace(wait_min=float(start_min))
    found = tonight(Evening(past, Aim(20.0, low), float(by_min), start, Bay(),
                    FLAT._replace(efficiency=1.0), None, loss_w_k))  # fmt: skip
    assert found.saved_kwh is not None
    assert found.hold_kwh == pytest.approx(hold_kwh, rel=0.15)
    assert found.saved_kwh == pytest.approx(hold_kwh - fall_kwh, rel=0.3)
    assert found.advice == "let fall"
