"""What is said of a bay: which stage, what advice, and nothing where nothing is known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import msgspec
import numpy as np
import pytest

from envmon.clock import HOUR_US, ManualClock
from envmon.errors import InputError, StoreError
from envmon.facts import NewEvent
from envmon.outlook.constants import Learned
from envmon.outlook.foresee import Context
from envmon.outlook.learning import fit_hall
from envmon.service.outlook.alarm import Looked, looked_at
from envmon.service.outlook.command import (
    LearnedState,
    OutlookReport,
    outlook_json,
    outlook_lines,
    shop_outlook,
)
from envmon.service.outlook.learn import Learner
from envmon.service.outlook.live import Moment, OutlookState, StageSaid
from envmon.service.outlook.read import frames_between, priors_of
from envmon.service.outlook.think import Scene, about_of
from envmon.shop.air import air_spaces
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US
from tests.outlook_live_support import (
    SHARED,
    TEXT,
    fill,
    foreseen,
    minute_of,
    past_of,
    shop_of,
    thinker_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.units import UnitSystem

ZONE = "America/Anchorage"


def test_rows_are_the_readings_of_their_minutes(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    thinker = thinker_of()
    with past_of(tmp_path) as past:
        frame = thinker.look(past, NOW_US)["north"]
    back = np.arange(179, -1, -1)
    expected = np.array([minute_of(int(minutes)) for minutes in back])
    assert frame["air_temp_c"][-180:] == pytest.approx(expected[:, 0], abs=5e-4)
    assert frame["rel_hum_pct"][-180:] == pytest.approx(expected[:, 1], abs=5e-4)
    assert np.isnan(frame["air_temp_c"][:-181]).all()
    assert frame.stage[-1] == "drying"
    assert set(frame.stage[-46:-26]) == {"wash"}


def test_bays_of_one_air_are_neighbours(tmp_path: Path) -> None:
    fill(tmp_path, 3, NOW_US, ("north", "south"))
    shop = shop_of(SHARED)
    assert air_spaces(shop) == [("north", "south")]
    assert air_spaces(shop_of()) == [("north",), ("south",)]
    thinker = thinker_of(SHARED)
    with past_of(tmp_path) as past:
        span = (NOW_US - HOUR_US, NOW_US)
        frames = frames_between(past, shop, thinker.plan, span)
    assert frames["north"].shared_c == pytest.approx(frames["south"]["air_temp_c"])


def test_of_a_neighbour_that_is_silent_nothing_is_made_up(tmp_path: Path) -> None:
    """Then the bay is foreseen as one that stands alone; one that speaks again counts at once."""
    fill(tmp_path / "a", 8, bays=("north",))
    silent = foreseen(tmp_path / "a", thinker_of(SHARED))["north"]
    alone = foreseen(tmp_path / "a", thinker_of(TEXT))["north"]
    assert silent.fans == alone.fans
    fill(tmp_path / "b", 8, NOW_US - 2 * HOUR_US, bays=("south",))
    fill(tmp_path / "b", 8, bays=("north",))
    thinker = thinker_of(SHARED)
    with past_of(tmp_path / "b") as past:
        assert thinker.neighbours("north", thinker.look(past, NOW_US)) == []
    fill(tmp_path / "b", 0, bays=("south",))
    with past_of(tmp_path / "b") as past:
        frames = thinker.look(past, NOW_US)
        assert [one.frame for one in thinker.neighbours("north", frames)] == [frames["south"]]


def test_after_a_wash_the_wall_tells_when_it_will_be_dry_enough(tmp_path: Path) -> None:
    fill(tmp_path, 8)
    state = foreseen(tmp_path, thinker_of())["north"]
    assert state.known
    assert state.guessing
    assert state.about is not None
    assert state.about.turns == "enters"
    assert "fit" in state.about.text
    fan = next(fan for fan in state.fans if fan.quantity == "rel_hum_pct")
    assert len(fan.t_ms) == len(fan.low) == len(fan.middle) == len(fan.high)
    assert all(
        low <= mid <= high for low, mid, high in zip(fan.low, fan.middle, fan.high, strict=True)
    )
    assert [(step.stage, step.status) for step in state.day][:2] == [
        ("drying", "active"), ("polish", "todo"),
    ]  # fmt: skip


def test_nothing_is_foreseen_of_a_bay_that_is_silent(tmp_path: Path) -> None:
    fill(tmp_path, 8, NOW_US - HOUR_US)
    states = foreseen(tmp_path, thinker_of())
    for state in states.values():
        assert not state.known
        assert (state.about, state.stages, state.fans, state.advice) == (None, (), (), ())


def test_no_draught_is_advised_beside_a_coating(tmp_path: Path) -> None:
    fill(tmp_path, 8, NOW_US, ("north", "south"))
    alone = foreseen(tmp_path, thinker_of(SHARED))["north"]
    store = SqliteStore(tmp_path)
    store.add_events([NewEvent(NOW_US, "stage_started", "south", {"stage": "coating"})])
    store.close()
    beside = foreseen(tmp_path, thinker_of(SHARED), NOW_US + 60_000_000)["north"]
    assert beside.advice == ()
    apart = foreseen(tmp_path, thinker_of(TEXT), NOW_US + 60_000_000)["north"]
    assert len(apart.advice) == len(alone.advice)


def test_a_bay_that_cannot_be_worked_out_takes_no_other_with_it(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    fill(tmp_path, 3, NOW_US, ("north", "south"))
    thinker = thinker_of()
    broken = msgspec.structs.replace(thinker.facts["north"], trust={})
    thinker.facts = {**thinker.facts, "north": broken}
    assert set(foreseen(tmp_path, thinker)) == {"south"}
    assert "cannot foresee north" in caplog.text


def test_learning_is_due_at_first_at_night_and_while_guessing(tmp_path: Path) -> None:
    fill(tmp_path, 2)
    thinker = thinker_of()
    learner = Learner(thinker, ZONE)
    made: list[int] = []

    def turn(at_us: int) -> None:
        with past_of(tmp_path) as past:
            learner.turn(past, thinker.look(past, at_us), at_us)
        learner.wait()
        if learner._tried_us not in made:
            made.append(learner._tried_us or 0)

    for hours in (0, 1, 2, 3):
        turn(NOW_US + hours * HOUR_US)
    assert made == [NOW_US, NOW_US + 2 * HOUR_US]
    known = {b: msgspec.structs.replace(f, guessing=False) for b, f in thinker.facts.items()}
    thinker.facts = known
    for hours in (6, 12):  # 20:05 and 02:05
        turn(NOW_US + hours * HOUR_US)
    assert len(made) == 2
    turn(NOW_US + 13 * HOUR_US)  # 03:05
    assert made[-1] == NOW_US + 13 * HOUR_US


def test_too_short_a_history_takes_nothing_learned_away(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    thinker = thinker_of()
    with past_of(tmp_path) as past:
        frames = frames_between(past, thinker.shop, thinker.plan, (NOW_US - 3 * HOUR_US, NOW_US))
        found = fit_hall({"north": frames["north"]}, {"north": priors_of(thinker.shop)["north"]})
        assert found["north"].guessing
        known = msgspec.structs.replace(
            thinker.facts["north"], guessing=False, made_us=NOW_US - 48 * HOUR_US
        )
        thinker.facts = {**thinker.facts, "north": known}
        learner = Learner(thinker, ZONE)
        learner.turn(past, frames, NOW_US)
        learner.wait()
        learner.turn(past, frames, NOW_US)
    assert not thinker.facts["north"].guessing


def test_command_tells_what_is_foreseen_and_what_is_a_guess(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(TEXT + f'\n[store]\nfolder = "{tmp_path}"\n', encoding="utf-8")
    with pytest.raises(StoreError, match="no data"):
        shop_outlook(path)
    fill(tmp_path, 8)
    clock = ManualClock(NOW_US)
    report = shop_outlook(path, None, clock)
    text = "\n".join(outlook_lines(report))
    assert "North bay: a guess still, from usual bays" in text
    assert "South bay: a guess still" in text
    assert "nothing is foreseen: air or humidity is missing or old" in text
    assert "learned: nothing yet" in text
    document = msgspec.json.decode(outlook_json(report))
    assert document["bays"]["north"]["outlook"]["known"]
    assert document["bays"]["north"]["learned"]["constants"] == {}
    assert list(shop_outlook(path, "south", clock).bays) == ["south"]
    with pytest.raises(InputError, match="bay is 'east'"):
        shop_outlook(path, "east", clock)


@pytest.mark.parametrize(
    ("units", "loss", "error"),
    [
        ("metric", "180 (150 to 220) W/K", "air [K]: 0.5 at 10 min, 1.0 at 30 min"),
        ("us", "341 (284 to 417) BTU/(h·°F)", "air [°F]: 0.9 at 10 min, 1.8 at 30 min"),
    ],
)
def test_what_was_learned_is_told_in_the_shops_units_and_time(
    units: UnitSystem, loss: str, error: str
) -> None:
    """1 W/K is 1.895634 BTU/(h·°F), from memory; Oslo is an hour ahead of UTC in winter."""
    state = OutlookState("north", "2026-01-20T19:32:00.000Z", known=False, guessing=False)
    learned = LearnedState(
        guessing=False,
        at="2026-01-20T19:32:00.000Z",
        days=1.2611,
        loss_w_k=Learned(180, 150, 220, told=True),
        constants={},
        untold=(),
        errors={"air_temp_c": (0.5, 1.0)},
        leads_min=(10, 30),
    )
    report = OutlookReport({"north": ("North bay", state, learned)}, "Europe/Oslo", units)
    lines = outlook_lines(report)
    assert "  learned from 1.3 days up to 20 Jan 2026 20:32" in lines
    assert any(line.endswith(loss) for line in lines)
    assert any(error in line for line in lines)


def test_a_bay_without_job_and_stage_has_nothing_coming(tmp_path: Path) -> None:
    fill(tmp_path, 8)
    store = SqliteStore(tmp_path)
    store.add_events([NewEvent(NOW_US - 60_000_000, "stage_ended", "north", {})])
    store.close()
    state = foreseen(tmp_path, thinker_of())["north"]
    assert state.known
    assert state.about is None
    assert any(one.text for one in state.stages)


@pytest.mark.parametrize(
    ("turns", "guessing", "late", "shown"),
    [
        ("leaves", True, None, False), ("leaves", True, "2026-01-28T02:00:00Z", True),
        ("leaves", False, None, True), ("enters", True, None, True),
    ],
)  # fmt: skip
def test_a_guess_that_knows_no_latest_end_is_no_line_that_comes_and_goes(
    tmp_path: Path, turns: Literal["leaves", "enters"], *, guessing: bool, late: str, shown: bool
) -> None:
    fill(tmp_path, 3)
    store = SqliteStore(tmp_path)
    store.add_events([NewEvent(NOW_US - HOUR_US, "stage_started", "north", {"stage": "polish"})])
    store.close()
    thinker = thinker_of()
    with past_of(tmp_path) as past:
        frame = thinker.look(past, NOW_US)["north"]
    stages = thinker.plan.bays["north"].stages
    scene = Scene("north", frame, stages, None, (), Context(), aired=False)
    when = Moment("2026-01-27T23:30:00Z", "2026-01-28T00:30:00Z", late)
    one = StageSaid("polish", "Polishing", "marginal", turns, "fit now", when)
    found = about_of(scene, {"polish": one}, guessing=guessing)
    assert found == (one if shown else None)


def test_the_watch_hears_only_of_a_bay_that_has_taught_long_enough(tmp_path: Path) -> None:
    fill(tmp_path, 8)
    store = SqliteStore(tmp_path)
    store.add_events([NewEvent(NOW_US - 120_000_000, "stage_started", "north", {"stage": "wash"})])
    store.close()
    thinker = thinker_of()
    foreseen(tmp_path, thinker)
    assert thinker.looked("north", "decontamination") == Looked("", None)
    known = msgspec.structs.replace(thinker.facts["north"], days=20.0, guessing=False)
    thinker.facts = {**thinker.facts, "north": known}
    stage = next(s for s in thinker.told["north"].stages if s.leaves is not None)
    goal = {one.id for one in thinker.plan.bays["north"].stages if one.goal}
    expected = Looked("", None) if stage.stage in goal else looked_at(stage)
    assert thinker.looked("north", stage.stage) == expected
    assert thinker.looked("north", "") == Looked("", None)
    assert thinker.looked("north", "drying") == Looked("", None)  # a goal has no window to keep
