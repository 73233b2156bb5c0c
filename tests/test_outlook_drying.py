"""What water does beyond the model: found again where it is known, and nothing where nothing is.

The bays are the model's own, so what lacks is known in closed form: of a film that is left out,
its exchange, which falls by exp(−t / drying time).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from envmon.outlook.ahead import course_ahead
from envmon.outlook.constants import Priors, guessed
from envmon.outlook.drying import BIN_MIN, DRY_BINS, coming, lived, usual_water, with_washes
from envmon.outlook.habits import Habits, usual_habits
from envmon.outlook.hidden import inputs_of
from envmon.physics.room import advance
from tests.outlook_support import bay, drive, lived_frame, state, still_frame

if TYPE_CHECKING:
    from envmon.outlook.constants import Learned
    from envmon.outlook.frame import BayFrame

FILM, DRY_H, DAYS = 2.5, 0.8, 6
MIDDLES_H = BIN_MIN * (np.arange(DRY_BINS) + 0.5) / 60


def constants(**other: float) -> dict[str, Learned]:
    """Return the constants of the usual bay, some of them thought otherwise."""
    found = guessed(Priors(220.0))
    for name, value in other.items():
        found[name] = replace_value(found[name], value)
    return found


def replace_value(one: Learned, value: float) -> Learned:
    return type(one)(value, value, value, told=True)


@pytest.fixture(scope="module")
def frame() -> BayFrame:
    """Return a bay that is exactly as the model has it; boats and vans take turns in it."""
    found = lived_frame(bay(film=FILM, film_dry_h=DRY_H), 0.55, DAYS, seed=4)
    days = np.arange(len(found)) // 1440
    return replace(found, body=np.where(days % 2 == 0, "van", "boat"))


def habits_of(frame: BayFrame, **other: float) -> Habits:
    return with_washes(usual_habits(), frame, constants(**other))


def test_where_the_model_is_the_truth_nothing_lacks(frame: BayFrame) -> None:
    habits = habits_of(frame)
    assert set(habits.dries) == {"", "boat", "van"}
    # A bin that begins with the last spray still in the air is known less well.
    assert np.abs(habits.dries[""][1:]).max() < 0.1 * FILM
    assert abs(habits.dries[""][0]) < 0.2 * FILM
    # A wash of this bay gives off some 10 g/(kg·h).
    assert np.abs(habits.wets[""][:6]).max() < 1.0


def test_a_film_left_out_is_found_as_what_lacks(frame: BayFrame) -> None:
    lacked = np.array(habits_of(frame, film=1e-6).dries[""])
    wanted = FILM * np.exp(-MIDDLES_H / DRY_H)
    # Drawn to nothing as by one wash more.
    assert lacked[1:-1] * (DAYS + 1) / DAYS == pytest.approx(wanted[1:-1], abs=0.1 * FILM)


def test_what_usually_lacks_is_looked_up_by_body_and_minute() -> None:
    table = {"": (1.0,) * DRY_BINS, "van": tuple(float(n) for n in range(DRY_BINS))}
    habits = replace_tables(table, {"": (5.0,) * 12})
    frame = still_frame(1)
    stage, body = frame.stage.copy(), frame.body.copy()
    stage[600:630], body[600:] = "rinse", "van"
    frame = replace(frame, stage=stage, body=body)
    water, wet = usual_water(habits, lived(frame))
    assert (water[600:630] == 5e-3).all()
    assert (np.delete(water, np.s_[600:630]) == 0).all()
    # Halfway between two bins lies half of either.
    assert wet[630 - 1 + 5 : 630 - 1 + 11 : 5] == pytest.approx([0.4, 1.4])
    assert (wet[:630] == 0).all()
    assert wet[630 + BIN_MIN * DRY_BINS] == 0
    other = usual_water(habits, lived(replace(frame, body=np.full(1440, "canoe"))))[1]
    assert other[700] == 1.0


def replace_tables(
    dries: dict[str, tuple[float, ...]], wets: dict[str, tuple[float, ...]]
) -> Habits:
    usual = usual_habits()
    return Habits(
        usual.lasts_min, usual.next, usual.door_min, usual.band_k, usual.setpoint_c,
        usual.outdoor_k, wets=wets, dries=dries,
    )  # fmt: skip


def test_minutes_to_come_go_on_where_the_history_ends(frame: BayFrame) -> None:
    minutes = lived(frame)
    row = int(np.flatnonzero(minutes.wet)[-1]) - 20
    rows = np.array([row])
    ahead = coming(frame, rows, frame.stage[row + 1 : row + 181, None])
    after = slice(row + 1, row + 181)
    assert (ahead.wet[:, 0] == minutes.wet[after]).all()
    assert (ahead.into[:, 0] == minutes.into[after])[minutes.wet[after]].all()
    assert (ahead.since[:, 0] == minutes.since[after]).all()


def test_a_look_ahead_is_told_of_it_and_a_few_washes_say_nothing(frame: BayFrame) -> None:
    habits = habits_of(frame, film=1e-6)
    rows = np.flatnonzero(lived(frame).since == 30)[-1:]
    course = course_ahead(frame, inputs_of(frame), habits, rows)
    assert course.more_wet is not None
    assert course.more_wet[0, 0] == pytest.approx(FILM * np.exp(-0.5 / DRY_H), rel=0.3)
    few = habits_of(frame.rows(0, 3 * 1440))
    assert (few.wets, few.dries) == ({}, {})


def test_more_wet_surfaces_are_as_more_standing_water() -> None:
    more = advance(bay(), state(), drive(more_wet=0.7), 0.05)
    standing = advance(bay(standing=bay().standing + 0.7), state(), drive(), 0.05)
    assert more.ratio == pytest.approx(standing.ratio, rel=1e-12)
    # Surfaces take up no air: less than none is none.
    assert advance(bay(), state(), drive(more_wet=-9.0), 0.05).ratio == pytest.approx(
        advance(bay(standing=0.0), state(), drive(), 0.05).ratio, rel=1e-12
    )
