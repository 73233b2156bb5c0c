"""Experts mixed: shares, never much worse than the best of them, and quick to drop a bad one.

The bound is measured on the data the weights have not seen, not taken from theory.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.outlook.earned import usual_trust
from envmon.outlook.experts import EXPERTS, FORECAST, LEADS_MIN, SIMPLE, simple
from envmon.outlook.likeness import MARKS
from envmon.outlook.mixing import (
    BLEND,
    GROUP_OF,
    GROUPS_MIN,
    NEAR_GROUPS,
    Weights,
    drawn,
    learn_weights,
    mixed,
    touched,
    truth_at,
    weights_before,
)
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import Judged, moved_on, paths_of

ROWS = 200


def said_and_came(
    best: int, seed: int, noise: float = 1.0
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Return forecasts of which one expert errs least, and what came."""
    draw = np.random.default_rng(seed)
    came = {name: draw.normal(50, 10, (len(LEADS_MIN), ROWS)) for name in FORECAST}
    said = {}
    for name in FORECAST:
        off = draw.normal(0, 1, (len(EXPERTS), len(LEADS_MIN), ROWS))
        size = np.full(len(EXPERTS), 6.0)
        size[best] = noise
        said[name] = came[name] + off * size[:, None, None]
    return said, came


def error_of(weights: Weights, said: dict[str, np.ndarray], came: dict[str, np.ndarray]) -> float:
    name = "rel_hum_pct"
    return float(np.abs(mixed(said[name], weights[name]) - came[name]).mean())


@settings(max_examples=20, deadline=None)
@given(st.integers(0, len(EXPERTS) - 1), st.integers(0, 99))
def test_a_mixture_is_never_much_worse_than_its_best_expert(best: int, seed: int) -> None:
    weights = learn_weights(*said_and_came(best, seed))
    said, came = said_and_came(best, seed + 1000)
    alone = float(np.abs(said["rel_hum_pct"][best] - came["rel_hum_pct"]).mean())
    assert error_of(weights, said, came) <= 1.1 * alone


def test_experts_that_err_apart_are_better_together() -> None:
    said, came = said_and_came(0, 3, noise=2.0)
    draw = np.random.default_rng(9)
    for name in FORECAST:
        said[name][1] = came[name] + draw.normal(0, 2, came[name].shape)
    weights = learn_weights(said, came)
    alone = min(np.abs(said["rel_hum_pct"][n] - came["rel_hum_pct"]).mean() for n in (0, 1))
    assert error_of(weights, said, came) < 0.8 * alone


@given(st.integers(0, 50))
def test_weights_are_shares(seed: int) -> None:
    said, came = said_and_came(seed % len(EXPERTS), seed)
    for weights in (
        weights_before(),
        learn_weights(said, came),
        touched(weights_before(), said, came),
    ):
        for rows in weights.values():
            assert len(rows) == len(GROUPS_MIN)
            for row in rows:
                assert min(row) >= 0
                assert sum(row) == pytest.approx(1, abs=0.01)


def test_few_days_leave_the_simple_rules_where_they_were_thought_to_be() -> None:
    """Ours: a quarter of an hour of one day's rows must not decide for the next day."""
    weights = learn_weights(*said_and_came(EXPERTS.index("stands"), 4))
    fading, stands = EXPERTS.index("fading"), EXPERTS.index("stands")
    few, many = drawn(weights, 1), drawn(weights, 400)
    assert few["panel_temp_c"] == weights["panel_temp_c"]
    for name in ("air_temp_c", "rel_hum_pct"):
        rows = weights[name]
        near = list(zip(rows, few[name], many[name], strict=True))[:NEAR_GROUPS]
        assert few[name][NEAR_GROUPS:] == rows[NEAR_GROUPS:]
        for row, after_few, after_many in near:
            assert after_few[fading] > row[fading] + 0.3
            assert after_many[stands] == pytest.approx(row[stands], abs=0.02)
            assert sum(after_few) == pytest.approx(sum(row), abs=0.001)
            assert after_few[len(SIMPLE) :] == row[len(SIMPLE) :]


def test_single_errors_move_weights_a_little_and_many_a_lot() -> None:
    best = EXPERTS.index("line")
    said, came = said_and_came(best, 1)
    once = touched(weights_before(), said, came)
    many = weights_before()
    for _ in range(200):
        many = touched(many, said, came)
    place = 3
    first = weights_before()["rel_hum_pct"][place][best]
    assert 0 < once["rel_hum_pct"][place][best] - first < 0.05
    assert many["rel_hum_pct"][place][best] > 4 * first


def test_an_expert_with_nothing_to_say_leaves_its_share_to_persistence() -> None:
    said = np.stack([np.full((len(LEADS_MIN), 1), 10.0 * n) for n in range(len(EXPERTS))])
    said[5] = np.nan
    row = [0.0] * len(EXPERTS)
    row[5] = 1.0
    assert mixed(said, [row] * len(GROUPS_MIN)).max() == 0.0


def test_simple_rules_are_exact_on_what_they_assume() -> None:
    minutes = np.arange(200.0)
    rows, leads, around = np.array([60, 80]), np.array([10, 60]), np.full(200, 15.0)
    line = simple(20 + 0.05 * minutes, around, rows, leads)[2]
    assert line == pytest.approx(20 + 0.05 * (rows + leads[:, None]))
    decay = simple(15 + 10 * np.exp(-minutes / 300), around, rows, leads)[3]
    # The rate is that of a straight line over a quarter of an hour, so not quite exact.
    assert decay == pytest.approx(15 + 10 * np.exp(-(rows + leads[:, None]) / 300), abs=0.1)


def test_what_came_is_not_known_past_the_end() -> None:
    came = truth_at(np.arange(100.0), np.array([60]), np.array([10, 39, 40]))
    assert came[:, 0].tolist()[:2] == [70.0, 99.0]
    assert np.isnan(came[2, 0])


def test_intervals_grow_while_outcomes_fall_outside_and_shrink_while_none_does() -> None:
    trust = {"calm": usual_trust("calm")}
    said, _ = said_and_came(0, 1)
    marks, rows = np.zeros((ROWS, len(MARKS))), np.arange(ROWS)

    def after(off: float) -> float:
        came = {n: s[0] + off for n, s in said.items()}
        exact = {n: np.repeat(s[:1], len(EXPERTS), axis=0) for n, s in said.items()}
        judged = Judged(rows, np.full(ROWS, 5), marks, exact, came, marks, came)
        whole = dict.fromkeys(SITUATIONS, usual_trust("calm"))
        return moved_on({**whole, **trust}, judged)["calm"].scale["air_temp_c"][12]

    assert after(50.0) > 1
    assert after(0.0) < 1


def test_paths_come_back_as_they_were_kept() -> None:
    trust = usual_trust("calm")
    assert paths_of(trust).shape == (40, len(FORECAST), len(LEADS_MIN))
    assert np.abs(paths_of(trust)[:, 0, 11]).mean() == pytest.approx(0.5 / 0.674 * 0.8, rel=0.3)


def test_weights_pass_over_from_a_group_to_the_next_without_a_step() -> None:
    assert BLEND.sum(axis=1) == pytest.approx(np.ones(len(LEADS_MIN)))
    steps = np.abs(np.diff(BLEND, axis=0)).max(axis=1)
    far = LEADS_MIN[1:] > GROUPS_MIN[NEAR_GROUPS - 1] + 5
    assert steps[far].max() < 0.2
    near = GROUP_OF < NEAR_GROUPS
    assert (BLEND[near].argmax(axis=1) == GROUP_OF[near]).all()
    assert (BLEND[near].max(axis=1) == 1).all()
