"""The day ahead: one step after the other, waiting for the air, forwards and backwards.

Nothing here is measured: where the air always holds, starts are sums of usual minutes (arithmetic).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import HOUR_US, MINUTE_US, us_from_iso
from envmon.errors import InputError
from envmon.guard.plan import plan_from_shop
from envmon.outlook.crossing import GRID_MIN, Courses
from envmon.outlook.habits import usual_habits
from envmon.service.outlook.day import StepAhead, day_of, planned_stages, steps_ahead
from envmon.service.outlook.live import DayStep, Moment, OutlookState
from envmon.service.outlook.plan import plan_of, wanted_us
from tests.boards_support import NOW_US
from tests.outlook_live_support import at, shop_of, told

STAGES = plan_from_shop(shop_of()).bays["north"].stages
ZONE = "America/Anchorage"
POLISH = next(stage for stage in STAGES if stage.id == "polish")


def courses_of(humid_until: list[float], air_c: float = 20.0) -> Courses:
    """Return courses too humid for polishing up to a minute of each, and then well inside."""
    humid = np.where(GRID_MIN[None, :] < np.array(humid_until)[:, None], 95.0, 45.0)
    like = np.ones_like(humid)
    values = {
        "air_temp_c": air_c * like, "rel_hum_pct": humid, "panel_temp_c": 18.0 * like,
        "dew_point_c": 8.0 * like, "dew_margin_k": 10.0 * like,
    }  # fmt: skip
    return Courses(values, np.full(len(humid), 1 / len(humid)))


def minutes(text: str | None) -> float:
    assert text is not None
    return (us_from_iso(text) - NOW_US) / MINUTE_US


@given(st.lists(st.floats(1, 50), min_size=1, max_size=6))
def test_where_the_air_always_holds_starts_are_sums_of_usual_minutes(lasts: list[float]) -> None:
    steps = [StepAhead(n, "polish", "todo", last) for n, last in enumerate(lasts)]
    day = day_of(steps, STAGES, courses_of([0.0, 0.0, 0.0]), NOW_US)
    expected = np.concatenate(([0.0], np.cumsum(lasts)[:-1]))
    for step, start in zip(day, expected, strict=True):
        assert minutes(step.start.middle) == pytest.approx(start, abs=1e-4)
        assert not step.waits


def test_a_step_waits_for_its_air_and_the_next_ones_are_late_with_it() -> None:
    steps = [StepAhead(0, "polish", "todo", 30.0), StepAhead(1, "polish", "todo", 30.0)]
    first, second = day_of(steps, STAGES, courses_of([60.0, 80.0, 100.0]), NOW_US)
    settle = POLISH.settle_us / MINUTE_US
    assert first.waits
    assert not second.waits
    assert minutes(first.start.early) == pytest.approx(60 + settle, abs=8)
    assert minutes(first.start.middle) == pytest.approx(80 + settle, abs=8)
    assert minutes(first.start.late) == pytest.approx(100 + settle, abs=8)
    assert minutes(second.start.middle) == pytest.approx(minutes(first.start.middle) + 30, abs=1)


def test_what_does_not_come_within_three_hours_is_not_told() -> None:
    steps = [StepAhead(0, "polish", "todo", 30.0)]
    (one,) = day_of(steps, STAGES, courses_of([999.0, 999.0]), NOW_US)
    assert one.start == Moment()
    assert not one.foreseen


def test_beyond_three_hours_usual_minutes_alone_speak() -> None:
    steps = [StepAhead(0, "cure", "active", 200.0), StepAhead(1, "polish", "todo", 30.0)]
    _, late = day_of(steps, STAGES, courses_of([999.0]), NOW_US)
    assert minutes(late.start.middle) == 200
    assert not late.foreseen


def test_an_unknown_bay_has_its_usual_day() -> None:
    steps = [StepAhead(0, "wash", "todo", 15.0), StepAhead(1, "polish", "todo", 30.0)]
    day = day_of(steps, STAGES, None, NOW_US)
    assert [minutes(step.start.middle) for step in day] == [0, 15]
    assert not any(step.foreseen for step in day)


def test_steps_begin_with_the_stage_being_worked_and_what_is_left_of_it() -> None:
    habits = usual_habits()
    usual = ["foam", "wash", "rinse", "hand_over"]
    steps = steps_ahead(None, usual, ("wash", 5), habits)
    assert [(s.stage, s.status) for s in steps] == [
        ("wash", "active"), ("rinse", "todo"), ("hand_over", "todo"),
    ]  # fmt: skip
    assert steps[0].minutes == habits.lasts_min["wash"] - 5
    assert steps[-1].minutes == 0
    late = steps_ahead(None, usual, ("wash", 500), habits)
    assert late[0].minutes == pytest.approx(0.1 * habits.lasts_min["wash"])
    assert planned_stages(steps)[0] == ("wash", 0.0, steps[0].minutes)


def day_plan(*lengths: float) -> OutlookState:
    steps = tuple(
        DayStep(
            n,
            "polish",
            f"Step {n}",
            "todo",
            last,
            Moment(*[at(sum(lengths[:n]))] * 3),
            waits=False,
            foreseen=True,
        )
        for n, last in enumerate(lengths)
    )
    return OutlookState("north", at(0), known=True, guessing=False, day=steps)


@given(st.lists(st.floats(1, 200), min_size=1, max_size=6), st.floats(1, 2000))
def test_backwards_the_last_step_ends_at_the_wanted_time(lasts: list[float], wish: float) -> None:
    by_us = NOW_US + round(wish * MINUTE_US)
    plan = plan_of(day_plan(*lasts), by_us, ZONE)
    starts = [minutes(step.latest) for step in plan.steps]
    for start, last, end in zip(starts, lasts, [*starts[1:], wish], strict=True):
        assert start + last == pytest.approx(end, abs=0.001)
    assert plan.verdict == ("in_time" if sum(lasts) <= wish + 1e-4 else "late")


def test_verdicts_of_a_wanted_hand_over() -> None:
    state = told()  # ends in 150, about 155, at the latest 185 minutes
    verdicts = [
        plan_of(state, NOW_US + minutes * MINUTE_US, ZONE).verdict for minutes in (120, 160, 200)
    ]
    assert verdicts == ["late", "maybe_late", "in_time"]
    assert plan_of(state, NOW_US + 200 * MINUTE_US, ZONE).text == (
        "in time for 17:25: 16:35–17:10, about 45 min to spare"
    )
    assert plan_of(state, None, ZONE).text == "hand-over 16:35–17:10"


def test_an_unforeseen_step_promises_nothing() -> None:
    stuck = DayStep(
        0, "polish", "Polishing", "todo", 30.0, Moment(at(100)), waits=True, foreseen=False
    )
    state = OutlookState("north", at(0), known=True, guessing=False, day=(stuck,))
    plan = plan_of(state, NOW_US + HOUR_US, ZONE)
    assert plan.verdict == "unknown"
    assert plan.text == "the air for Polishing is not expected within 3 h; the rest cannot be told"


def test_a_time_of_day_is_the_next_one() -> None:
    assert wanted_us("17:00", NOW_US, ZONE) == us_from_iso("2026-01-27T17:00:00-09:00")
    assert wanted_us("14:05", NOW_US, ZONE) == us_from_iso("2026-01-28T14:05:00-09:00")
    assert wanted_us("2026-01-28T17:00", NOW_US, ZONE) == us_from_iso("2026-01-28T17:00:00-09:00")


@pytest.mark.parametrize("text", ["25:00", "5 pm", "", "2026-01-27", "2026-01-27T10:00"])
def test_no_time_or_one_that_is_over_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"by is|time is"):
        wanted_us(text, NOW_US, ZONE)
