"""What follows the air behind it, such as the mass of a building. Reference: scipy's lfilter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from envmon.outlook.hidden import ROW_H, _followed


@pytest.mark.parametrize(("lanes", "rows"), [(1, 1), (1, 2), (1, 10_000), (7, 1_441)])
def test_it_is_the_filter_of_first_order(lanes: int, rows: int) -> None:
    draw = np.random.default_rng([lanes, rows])
    driven_by = 18 + draw.normal(0, 0.2, (lanes, rows)).cumsum(axis=1)
    rate, first = draw.uniform(0.01, 9, lanes), driven_by[:, 0] + draw.normal(0, 2, lanes)
    found = _followed(driven_by, rate, first)
    for lane in range(lanes):
        keep = np.exp(-rate[lane] * ROW_H)
        fed = np.concatenate((first[lane : lane + 1], driven_by[lane, :-1]))
        wanted, _ = lfilter([1 - keep], [1, -keep], fed, zi=[keep * first[lane]])
        np.testing.assert_allclose(found[lane], wanted, rtol=1e-13)


def test_what_is_driven_by_one_value_nears_it_as_an_exponential() -> None:
    found = _followed(np.full((1, 600), 20.0), np.array([0.5]), np.array([10.0]))
    hours = np.arange(600) * ROW_H
    np.testing.assert_allclose(found[0], 20 - 10 * np.exp(-hours / 2), rtol=1e-12)
