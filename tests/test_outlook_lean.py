"""The lean of a forecast while a wash dries: what a line through past washes says of this one.

Held against least squares of numpy, and against errors made by a known line.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envmon.outlook.ahead import STEP_MIN, STEPS, Shared
from envmon.outlook.experts import FORECAST, LEADS_MIN
from envmon.outlook.habits import usual_habits
from envmon.outlook.hidden import inputs_of
from envmon.outlook.lean import DRAWN, LEANS, LEAST_DAYS, lean_from, leant, signs_of
from envmon.outlook.likeness import MARKS, marks_of
from envmon.outlook.mixing import MEAN_ROWS, around_mean
from tests.outlook_support import still_frame

SHAPE = len(FORECAST), len(LEADS_MIN)


def washes(days: int, seed: int, noise: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return signs, errors by a line through two of them, and days; five moments a wash."""
    draw = np.random.default_rng(seed)
    signs = np.repeat(draw.normal(5, 2, (days, 6)), 5, axis=0) + draw.normal(0, 0.3, (5 * days, 6))
    line = 1.5 * (signs[:, 0] - 5) - 0.8 * (signs[:, 3] - 5) + 1
    off = draw.normal(0, noise, (5 * days, *SHAPE)) + line[:, None, None]
    return signs, off, np.repeat(np.arange(days), 5)


def test_errors_that_follow_a_line_are_foreseen_of_washes_not_seen() -> None:
    lean, left = lean_from(*washes(25, 1, 0.2))
    signs, off, _ = washes(40, 2, 0.2)
    after = off[:, LEANS] - leant(lean, signs)[LEANS].T
    assert np.abs(after).mean() < 0.25 * np.abs(off[:, LEANS]).mean()
    # What is left in learning is what is left afterwards: no wash spoke for itself.
    assert np.abs(left[:, LEANS]).mean() == pytest.approx(np.abs(after).mean(), rel=0.3)


def test_the_line_is_that_of_least_squares_with_rows_that_draw_to_nothing() -> None:
    signs, off, days = washes(20, 3, 1.0)
    lean, _ = lean_from(signs, off, days)
    middle, spread = signs.mean(axis=0), signs.std(axis=0)
    scaled = (signs - middle) / spread
    drawing = np.sqrt(DRAWN * len(signs)) * np.eye(6)
    mean = off[:, LEANS].mean(axis=0)
    wanted = np.concatenate((off[:, LEANS] - mean, np.zeros((6, SHAPE[1]))))
    shares = np.linalg.lstsq(np.concatenate((scaled, drawing)), wanted, rcond=None)[0]
    said = leant(lean, signs)[LEANS].T
    assert said == pytest.approx(scaled @ shares + mean, abs=1e-4)


def test_nothing_leans_of_few_washes_or_where_signs_say_nothing() -> None:
    signs, off, days = washes(LEAST_DAYS - 1, 4, 0.2)
    lean, left = lean_from(signs, off, days)
    assert lean == b""
    assert (left == off).all()
    draw = np.random.default_rng(5)
    blind = np.repeat(draw.normal(0, 1, (LEAST_DAYS, *SHAPE)), 5, axis=0)
    lean, left = lean_from(washes(LEAST_DAYS, 6, 1.0)[0], blind, np.repeat(np.arange(8), 5))
    assert lean == b""
    assert (leant(lean, signs) == 0).all()


def test_air_and_panel_never_lean() -> None:
    signs, off, days = washes(20, 7, 0.2)
    lean, left = lean_from(signs, off, days)
    others = [n for n in range(len(FORECAST)) if n != LEANS]
    assert (leant(lean, signs)[others] == 0).all()
    assert (left[:, others] == off[:, others]).all()


def test_signs_are_the_marks_and_what_is_seen_beside_them() -> None:
    frame = still_frame(2)
    rows = np.array([1500, 2000])
    marks = marks_of(frame, usual_habits(), rows)
    plain = signs_of(frame, marks, rows)
    assert (plain[:, : len(MARKS)] == marks).all()
    assert np.isfinite(plain).all()
    stage = frame.stage.copy()
    stage[1470:1480] = "rinse"
    washed = signs_of(replace(frame, stage=stage), marks, rows)
    # 21 minutes since the last wet row, in units of twenty; an hour is the most that counts.
    assert washed[:, len(MARKS)] == pytest.approx([21 / 20, 3.0])


def test_signs_hear_how_damp_it_is_to_become_next_door() -> None:
    frame = still_frame(2)
    rows = np.array([1500])
    marks = marks_of(frame, usual_habits(), rows)
    now = float(inputs_of(frame).shared_ratio[1500])
    minutes = (np.arange(STEPS) + 0.5) * STEP_MIN
    damper = now + np.where(minutes < 30, 0.001, 0.003)[:, None]
    alone = signs_of(frame, marks, rows)[0]
    beside = signs_of(frame, marks, rows, Shared(np.full((STEPS, 1), 18.0), damper))[0]
    assert (alone[-2:] == 0).all()
    assert beside[-2:] == pytest.approx([1.0, 3.0])
    assert (alone[:-2] == beside[:-2]).all()


def test_no_sign_counts_for_more_than_it_did_where_it_was_learned() -> None:
    signs, off, days = washes(20, 8, 0.2)
    lean, _ = lean_from(signs, off, days)
    far = signs[:1].copy()
    far[0, 0] = 1e6
    most = signs[:1].copy()
    most[0, 0] = signs[:, 0].max()
    assert leant(lean, far) == pytest.approx(leant(lean, most), abs=1e-6)


def test_a_lean_learned_of_other_signs_says_nothing() -> None:
    lean, _ = lean_from(*washes(20, 9, 0.2))
    assert (leant(lean, np.ones((3, 7))) == 0).all()


def test_a_mean_around_leaves_out_what_nobody_read() -> None:
    values = np.arange(30.0)
    values[12] = np.nan
    mean = around_mean(values)
    assert mean[20] == pytest.approx(20.0)
    assert mean[12] == pytest.approx(np.delete(np.arange(7.0, 18.0), 5).mean())
    assert np.isnan(around_mean(np.full(30, np.nan))).all()
    assert MEAN_ROWS == 11
