"""Run time by a state or a power point."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.heating.model import BayMinutes
from envmon.heating.runtime import measured_share, run_share
from envmon.shop.heat import Heater

DAY = 1440


@given(st.integers(0, 1000), st.floats(500, 50_000))
def test_power_and_state_of_a_switched_heater_agree(seed: int, full_w: float) -> None:
    on = (np.random.default_rng(seed).random(3 * DAY) < 0.3).astype(float)
    by_state = run_share(BayMinutes(None, on))
    by_power = run_share(BayMinutes(None, None, on * full_w))
    rated = run_share(BayMinutes(None, None, on * full_w), Heater(bay="hall", output=full_w))
    for run in (by_state, by_power, rated):
        assert run.kind == "measured"
        assert run.share == pytest.approx(on)
        assert run.error_share == 0.0
        assert not run.inferred.any()


def test_half_power_counts_half() -> None:
    power = np.repeat([0.0, 2_000.0, 4_000.0], DAY)
    run = run_share(BayMinutes(None, None, power), Heater(bay="hall", output=4_000.0))
    assert run.share.reshape(3, DAY).sum(axis=1) / 60 == pytest.approx([0, 12, 24])


def test_power_fills_what_the_state_lacks() -> None:
    on = np.repeat([1.0, np.nan, np.nan], DAY)
    power = np.repeat([np.nan, 4_000.0, np.nan], DAY)
    share = measured_share(BayMinutes(None, on, power), Heater(bay="hall", output=4_000.0))
    assert share is not None
    assert share[:: DAY // 2].tolist()[:4] == [1, 1, 1, 1]
    assert np.isnan(share[2 * DAY :]).all()


def test_a_heater_that_never_ran_has_no_hours_and_is_known() -> None:
    run = run_share(BayMinutes(None, None, np.zeros(DAY)))
    assert run.kind == "measured"
    assert (run.share == 0).all()


def test_nothing_at_all() -> None:
    run = run_share(BayMinutes(None, np.full(DAY, np.nan)))
    assert run.kind == "unknown"
    assert np.isnan(run.share).all()
    assert len(run.share) == DAY
