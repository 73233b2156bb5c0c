"""Intervals that hold nine of ten outcomes of days not seen, and forecasts moved by proof.

The share is that of conformal prediction: with exchangeable days it is what was asked for (Vovk,
Gammerman and Shafer, Algorithmic Learning in a Random World, 2005, from memory). Outcomes are
drawn by numpy; nothing of them is known to what is tested.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from envmon.outlook.conformal import Moments, blocks_of, calibrated
from envmon.outlook.earned import LEAST_BLOCKS, USUAL_PATHS, trust_from, usual_trust
from envmon.outlook.experts import EXPERTS, FORECAST, LEADS_MIN
from envmon.outlook.likeness import MARKS, weighted_quantiles
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import Judged, errors_for, packed, paths_of

if TYPE_CHECKING:
    from envmon.outlook.model import Trust

HEARD = 12.0
CALM = SITUATIONS.index("calm")


def moments(days: int, seed: int, each: int = 5, bias: float = 0.0) -> Moments:
    """Return moments of some washes, a wash a day: those of a day err nearly the same.

    With a bias the first mark tells which way they err.
    """
    draw = np.random.default_rng(seed)
    rows = (np.arange(days)[:, None] * 1440 + np.arange(each) * 10).reshape(-1)
    by_day = draw.standard_t(4, (days, 1, len(FORECAST), 1)) * 2
    own = draw.normal(0, 0.5, (days, each, len(FORECAST), 1))
    grow = np.sqrt(LEADS_MIN / 60)
    marks = np.repeat(draw.normal(0, 1.5, (days, 1, len(MARKS))), each, axis=1)
    off = (by_day + own + bias * marks[..., :1, None]) * grow
    return Moments(
        rows, marks.reshape(-1, len(MARKS)), off.reshape(len(rows), len(FORECAST), len(LEADS_MIN))
    )


def trust_of(past: Moments, *, as_they_are: bool = False) -> Trust:
    usual = usual_trust("rinsed")
    trust = msgspec.structs.replace(usual, marks=past.marks.tolist(), paths=packed(past.off))
    if as_they_are:
        return trust
    scale, moved = calibrated(past, HEARD)
    return msgspec.structs.replace(trust, scale=scale, moved=moved)


def covered(trust: Trust, fresh: Moments) -> float:
    inside = []
    for marks, off in zip(fresh.marks, fresh.off, strict=True):
        low, high = weighted_quantiles(*errors_for(trust, marks), (0.05, 0.95))
        inside.append((off >= low) & (off <= high))
    return float(np.mean(inside))


def test_new_days_are_covered_as_often_as_is_said_and_would_not_be_without() -> None:
    ours, without = [], []
    for seed in range(8):
        past, fresh = moments(40, seed), moments(60, seed + 1000, each=1)
        ours.append(covered(trust_of(past), fresh))
        without.append(covered(trust_of(past, as_they_are=True), fresh))
    assert np.mean(ours) == pytest.approx(0.90, abs=0.035)
    assert np.mean(without) < 0.87


def test_a_forecast_is_moved_where_like_moments_err_alike_and_nowhere_else() -> None:
    biased, plain = (calibrated(moments(60, 5, bias=bias), HEARD) for bias in (4.0, 0.0))
    for name in FORECAST:
        assert min(biased.moved[name]) >= 0.5
        assert np.mean(plain.moved[name]) < 0.34


def test_moments_of_one_day_alone_stay_as_they_are() -> None:
    past = moments(1, 3, each=9)
    found = calibrated(past, HEARD)
    assert blocks_of(past.rows) == 1
    assert {value for row in found.scale.values() for value in row} == {1.0}
    assert {value for row in found.moved.values() for value in row} == {0.0}


def judged_of(rows: np.ndarray, off: float) -> Judged:
    """Return forecasts of which every expert errs by the same."""
    shape = len(LEADS_MIN), len(rows)
    came = dict.fromkeys(FORECAST, np.full(shape, 20.0))
    said = dict.fromkeys(FORECAST, np.full((len(EXPERTS), *shape), 20.0 - off))
    marks = np.zeros((len(rows), len(MARKS)))
    return Judged(rows, np.full(len(rows), CALM), marks, said, came, marks, came)


def test_errors_of_a_usual_bay_speak_until_a_bay_has_shown_enough() -> None:
    some = trust_from(judged_of(np.arange(180, 720, 15), 0.1))["calm"]
    shown = blocks_of(np.arange(180, 720, 15))
    usual = USUAL_PATHS * (LEAST_BLOCKS - shown) // LEAST_BLOCKS
    assert len(some.marks) == len(paths_of(some)) == usual + len(range(180, 720, 15))
    low, high = weighted_quantiles(*errors_for(some, np.zeros(len(MARKS))), (0.05, 0.95))
    assert (high - low)[1, 11] > 1.0  # % an hour ahead, though all it showed were errors of 0.1
    many = trust_from(judged_of(np.arange(180, 6 * 1440, 60), 0.1))["calm"]
    assert np.ptp(paths_of(many)) == pytest.approx(0.0, abs=0.011)


def test_a_time_of_crossing_is_asked_of_errors_as_they_are() -> None:
    trust = msgspec.structs.replace(
        trust_of(moments(20, 2), as_they_are=True),
        scale={name: [2.0] * len(LEADS_MIN) for name in FORECAST},
    )
    marks = np.zeros(len(MARKS))
    plain, weights = errors_for(trust, marks, stretched=False)
    wide, same = errors_for(trust, marks)
    assert (weights == same).all()
    spread = np.ptp(wide, axis=0) / np.maximum(np.ptp(plain, axis=0), 1e-9)
    assert spread == pytest.approx(2.0, rel=1e-6)
