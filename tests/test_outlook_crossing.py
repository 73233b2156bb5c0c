"""When a limit begins or ends to hold: runs, weighted quantiles, and laws of the outlook.

Reference for quantiles: numpy's ``inverted_cdf``, which takes weights.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.guard.plan import HeldLimit
from envmon.outlook.crossing import (
    GRID_MIN,
    HOLDS_MIN,
    Courses,
    changes,
    courses_from,
    first_run,
    room_left,
)
from envmon.outlook.experts import LEADS_MIN
from envmon.outlook.frame import frame_from_columns
from envmon.outlook.habits import usual_habits
from envmon.outlook.likeness import marks_of, voices, weighted_quantiles
from tests.outlook_support import START_US


def limit(low: float = -math.inf, high: float = math.inf, of: str = "rel_hum_pct") -> HeldLimit:
    return HeldLimit("x", of, low, high, 0, 0, 0, 0, "")


def humid(*courses: list[float]) -> Courses:
    rows = np.array(courses)
    return Courses({"rel_hum_pct": rows}, np.full(len(rows), 1 / len(rows)))


def falling(per_min: float, begin: float = 90.0) -> list[float]:
    return [begin - per_min * float(minute) for minute in GRID_MIN]


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.integers(1, 8))
def test_a_run_is_found_as_a_plain_loop_finds_it(flags: list[bool], length: int) -> None:
    wanted = math.inf
    for n in range(len(flags)):
        if all(flags[n : n + length]):
            wanted = n
            break
    assert first_run(np.array([flags]), length)[0] == wanted


@given(
    st.lists(st.floats(-100, 100), min_size=1, max_size=30),
    st.floats(0.01, 0.99),
    st.randoms(use_true_random=False),
)
def test_weighted_quantiles_are_numpys(values: list[float], q: float, draw: object) -> None:
    weights = np.array([draw.random() + 0.01 for _ in values])  # type: ignore[attr-defined]
    weights /= weights.sum()
    theirs = np.quantile(values, q, weights=weights, method="inverted_cdf")
    assert weighted_quantiles(np.array(values), weights, (q,))[0] == theirs


def test_a_straight_fall_enters_where_the_line_crosses() -> None:
    span = changes(room_left(humid(falling(1.0)), limit(high=60)), np.ones(1), inside=False)
    assert span.middle == pytest.approx(30, abs=1)


def test_a_rise_leaves_where_the_line_crosses() -> None:
    rising = (45 + 0.25 * GRID_MIN).tolist()
    span = changes(room_left(humid(rising), limit(high=60)), np.ones(1), inside=True)
    assert span.middle == pytest.approx(61, abs=2)


def test_a_dip_shorter_than_the_hold_is_no_entering() -> None:
    course = np.full(len(GRID_MIN), 70.0)
    course[5:7] = 59.0
    span = changes(room_left(humid(course.tolist()), limit(high=60)), np.ones(1), inside=False)
    assert HOLDS_MIN >= 10
    assert span.middle is None


def test_never_is_said_as_none() -> None:
    span = changes(room_left(humid([80.0] * 37), limit(high=60)), np.ones(1), inside=False)
    assert (span.middle, span.early, span.late) == (None, None, None)


@given(st.floats(50, 75), st.floats(0.2, 5))
def test_a_wider_limit_is_entered_no_later(high: float, wider: float) -> None:
    courses = humid(falling(0.5), falling(0.7, 95), falling(0.3, 80))

    def entered(edge: float) -> float:
        left = room_left(courses, limit(high=edge))
        found = changes(left, courses.weights, inside=False).middle
        return math.inf if found is None else found

    assert entered(high + wider) <= entered(high)


@given(st.integers(2, 40))
def test_an_interval_is_in_order(count: int) -> None:
    draw = np.random.default_rng(count)
    courses = humid(*(falling(r) for r in draw.uniform(0.05, 2, count)))
    span = changes(room_left(courses, limit(high=60)), courses.weights, inside=False)
    known = [math.inf if v is None else v for v in (span.early, span.middle, span.late)]
    assert known == sorted(known)


def test_courses_start_from_what_is_measured_and_humidity_stays_possible() -> None:
    mixture = np.stack([np.full(36, 20.0), np.linspace(99, 2, 36), np.full(36, 17.0)])
    off = np.zeros((2, 3, 36))
    off[0, 1], off[1, 1] = 30.0, -30.0
    courses = courses_from([19.0, 95.0, 16.0], mixture, off, np.array([0.5, 0.5]))
    assert courses.values["air_temp_c"][:, 0].tolist() == [19.0, 19.0]
    share = courses.values["rel_hum_pct"]
    assert share.min() >= 1
    assert share.max() <= 100
    assert (courses.values["dew_point_c"] <= courses.values["air_temp_c"] + 1e-9).all()
    assert len(LEADS_MIN) + 1 == share.shape[1]


def test_like_moments_have_most_to_say_and_never_one_alone() -> None:
    draw = np.random.default_rng(3)
    marks = draw.normal(0, 4, (200, 9))
    said = voices(marks, marks[17])
    assert said.argmax() == 17
    assert said.sum() == pytest.approx(1)
    assert 1 / (said**2).sum() >= 11


def test_another_body_has_less_to_say_and_an_unknown_one_is_between() -> None:
    size = 200
    columns = {"air_temp_c": [np.full(size, 20.0)], "rel_hum_pct": [np.full(size, 60.0)]}
    plain = frame_from_columns(columns, (), START_US, size)

    def marks(body: str) -> object:
        rows = replace(plain, body=np.full(size, body, dtype="U24"))
        return marks_of(rows, usual_habits(), np.array([size - 1]))[0]

    van, boat, unknown = (marks(body) for body in ("van", "boat", ""))
    said = voices(np.array([van, boat, unknown]), van, 1.0)
    assert said[0] > said[2] > said[1]
