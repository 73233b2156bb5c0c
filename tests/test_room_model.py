"""The bay model: balances close, steady states are right, steps agree with an ODE solver.

Reference for the integration: scipy's solve_ivp (LSODA). Reference for saturation: psychrolib. The
rest are laws: what leaves one store enters another, more of a cause gives no less of its effect.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from envmon.physics.room import (
    Drive,
    Room,
    RoomState,
    advance,
    heat_loss_w_k,
    outdoor_changes,
    rel_hum_share,
    room_rates,
    saturated_ratio,
)
from tests.outlook_support import PRESSURE_PA, as_vector, bay, drive, from_vector, state

MINUTE_H = 1 / 60
ALL = RoomState.__slots__


def after(
    room: Room, begin: RoomState, acts: Drive, hours: float, step_h: float = MINUTE_H
) -> RoomState:
    for _ in range(round(hours / step_h)):
        begin = advance(room, begin, acts, step_h)
    return begin


@pytest.mark.parametrize(
    "acts",
    [
        {},
        {"heater": 1.0},
        {"door": 1.0},
        {"wetting": 1.0, "people": 1.0},
        {"fan": 1.0, "more_heat": -3.0, "more_water": 0.004},
    ],
    ids=str,
)
def test_steps_of_a_minute_agree_with_an_ode_solver(acts: dict[str, float]) -> None:
    room, begin, on = bay(), state(film=0.6), drive(**acts)

    def rates(_t: float, y: object) -> object:
        return as_vector(room_rates(room, from_vector(y), on))

    exact = solve_ivp(rates, (0, 3), as_vector(begin), method="LSODA", rtol=1e-9, atol=1e-12)
    ours = as_vector(after(room, begin, on, 3))
    off = dict(zip(ALL, np.abs(ours - exact.y[:, -1]), strict=True))
    assert off["air_c"] < 0.01
    assert off["mass_c"] < 0.01
    assert off["ratio"] < 5e-6
    assert off["film"] < 1e-6
    assert off["held"] < 1e-3
    assert off["panel_c"] < 0.01
    assert off["core_c"] < 0.01


def test_the_error_of_a_step_falls_with_its_square() -> None:
    room, begin, on = bay(), state(film=0.8), drive(door=1.0)
    fine = as_vector(after(room, begin, on, 0.5, 0.5 / 4096))
    off = [
        np.abs(as_vector(after(room, begin, on, 0.5, 0.5 / n)) - fine)[0] for n in (8, 16, 32, 64)
    ]
    for coarse, finer in pairwise(off):
        assert coarse / finer == pytest.approx(4, rel=0.3)


def test_saturated_air_is_what_psychrolib_says() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temp_c in (1.0, 10.0, 20.0, 35.0):
        theirs = psychrolib.GetSatHumRatio(temp_c, PRESSURE_PA)
        assert float(saturated_ratio(temp_c, PRESSURE_PA)) == pytest.approx(theirs, rel=0.008)
        assert float(rel_hum_share(temp_c, theirs, PRESSURE_PA)) == pytest.approx(1, rel=0.008)


def test_heat_that_comes_in_is_stored_or_leaves() -> None:
    """Weighed over three hours of door and heater, against the flows summed up by themselves."""
    room, at, on = bay(), state(), drive(heater=0.7, door=0.2)
    step_h, came = 1e-4, 0.0
    begin = at
    for _ in range(round(3 / step_h)):
        crack = room.leak + room.leak_k * abs(at.air_c - on.outdoor_c)
        out = room.loss_air + room.air_share * (outdoor_changes(room, at, on) - crack)
        came += step_h * (
            room.heater_k_h * on.heater
            + out * (on.outdoor_c - at.air_c)
            + room.air_share * room.shared * (on.shared_c - at.air_c)
            + room.loss_mass * (on.outdoor_c - at.mass_c)
        )
        at = advance(room, at, on, step_h)
    stored = at.air_c - begin.air_c + room.mass_share * (at.mass_c - begin.mass_c)
    assert stored == pytest.approx(came, abs=0.02)


def test_water_that_comes_in_is_in_the_air_or_in_the_wood() -> None:
    room, at, on = bay(), state(film=1.0), drive(people=1.0)
    step_h, came = 1e-4, 0.0
    begin = at
    for _ in range(round(2 / step_h)):
        full = float(saturated_ratio(at.mass_c, PRESSURE_PA))
        came += step_h * (
            outdoor_changes(room, at, on) * (on.outdoor_ratio - at.ratio)
            + room.shared * (on.shared_ratio - at.ratio)
            + (room.standing + room.film * at.film) * (full - at.ratio)
            + room.people
        )
        at = advance(room, at, on, step_h)
    stored = at.ratio - begin.ratio + room.buffer * (at.held - begin.held)
    assert stored == pytest.approx(came, rel=2e-3)


@given(outdoor_c=st.floats(-35, 10), loss_mass=st.floats(0.1, 2), loss_air=st.floats(0.05, 1))
def test_a_steady_bay_loses_its_heat_loss_times_the_difference(
    outdoor_c: float, loss_mass: float, loss_air: float
) -> None:
    """UA·ΔT: the heater that holds 20 °C gives exactly what the constants say is lost."""
    room = bay(loss_mass=loss_mass, loss_air=loss_air, shared=0.0)
    mass_c = (room.mass_rate * 20 + loss_mass * outdoor_c) / (room.mass_rate + loss_mass)
    steady = state(air_c=20.0, mass_c=mass_c)

    def warming(share: float) -> float:
        on = drive(outdoor_c=outdoor_c, heater=share)
        return float(room_rates(room, steady, on).air_c)

    share = brentq(warming, 0, 10)
    air_j_k = 480e3
    given_w = share * room.heater_k_h * air_j_k / 3600
    assert given_w == pytest.approx(heat_loss_w_k(room, air_j_k) * (20 - outdoor_c), rel=1e-9)
    still = room_rates(room, steady, drive(outdoor_c=outdoor_c, heater=share))
    assert float(still.mass_c) == pytest.approx(0, abs=1e-9)


MORE_IS_MORE = [
    ("heater", "air_c", 1), ("heater", "panel_c", 1), ("outdoor_c", "air_c", 1),
    ("wetting", "ratio", 1), ("people", "ratio", 1), ("outdoor_ratio", "ratio", 1),
    ("door", "air_c", -1), ("door", "ratio", -1), ("fan", "ratio", -1), ("fan", "air_c", -1),
]  # fmt: skip


@pytest.mark.parametrize(("cause", "effect", "sign"), MORE_IS_MORE)
@given(more=st.floats(0.05, 1), film=st.floats(0, 1), air_c=st.floats(12, 26))
def test_more_of_a_cause_is_no_less_of_its_effect(
    cause: str, effect: str, sign: int, more: float, film: float, air_c: float
) -> None:
    begin = state(film=film, air_c=air_c)
    step = more * (5 if cause == "outdoor_c" else 0.001 if cause == "outdoor_ratio" else 1)
    less = drive()
    than = replace(less, **{cause: getattr(less, cause) + step})
    ends = [getattr(after(bay(), begin, on, 0.5, 1 / 30), effect) for on in (less, than)]
    assert sign * (ends[1] - ends[0]) > 0


@given(st.floats(-30, 35), st.floats(0.05, 1.0), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_films_and_humidity_stay_possible(
    outdoor_c: float, share: float, film: float, door: float, wetting: float
) -> None:
    ratio = share * float(saturated_ratio(20.0, PRESSURE_PA))
    at = state(ratio=ratio, film=film, held=share)
    on = drive(outdoor_c=outdoor_c, outdoor_ratio=0.001, door=door, wetting=round(wetting))
    for _ in range(60):
        at = advance(bay(), at, on, 1 / 30)
        assert 0 <= at.film <= 1
        assert at.ratio > 0
        assert at.held > 0


def test_many_bays_at_once_are_each_of_them_alone() -> None:
    rooms = [bay(leak=0.1), bay(leak=0.5, film=4.0), bay(mass_rate=9.0)]
    differ = ("leak", "film", "mass_rate")
    many = bay(**{name: np.array([getattr(room, name) for room in rooms]) for name in differ})
    on = drive(wetting=1.0, heater=0.4)
    together = after(many, state(), on, 1)
    for n, room in enumerate(rooms):
        alone = after(room, state(), on, 1)
        for name in ("air_c", "ratio", "mass_c"):
            assert getattr(together, name)[n] == pytest.approx(getattr(alone, name), rel=1e-12)
