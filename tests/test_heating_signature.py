"""The energy signature: a real house to the printed digits, an exhaustive search, numpy's own fit.

What intervals cover is measured on drawn days with a fixed seed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import fdtri

from envmon.errors import InputError
from envmon.heating.signature import signature
from envmon.heating.signature_fit import LEVEL, bends, best_bend, reach_of, straight
from tests.heating_cases import carried, case, whiteside, winter_weather

if TYPE_CHECKING:
    from tests.heating_cases import Floats


@pytest.mark.parametrize("insulation", ["Before", "After"])
def test_a_house_before_and_after_insulation_to_the_printed_digits(insulation: str) -> None:
    wanted = case("whiteside")[insulation]
    found = signature(*whiteside(insulation))
    assert found.kind == "line"
    assert found.apart == ()
    assert found.n == wanted["n"]
    for name in ("intercept", "slope", "se_slope", "resid_sd"):
        assert round(getattr(found, name), 5) == wanted[name], name
    assert round(found.r2, 5) == wanted["R2"]


def test_insulation_lowered_the_loss_of_that_house_beyond_doubt() -> None:
    before, after = (signature(*whiteside(which)) for which in ("Before", "After"))
    assert after.loss_within.high < before.loss_within.low


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(10, 60))
def test_a_line_as_numpy_fits_it(seed: int, days: int) -> None:
    draw = np.random.default_rng(seed)
    x, y = draw.normal(0, 5, days), draw.normal(0, 5, days)
    slope, intercept = np.polyfit(x, y, 1)
    found = straight(x, y)
    assert found.slope == pytest.approx(slope, abs=1e-9)
    assert found.intercept == pytest.approx(intercept, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(8, 40), st.floats(0, 3))
def test_no_change_point_of_an_exhaustive_search_is_better(
    seed: int, days: int, scatter: float
) -> None:
    draw = np.random.default_rng(seed)
    x = draw.uniform(-15, 20, days)
    y = 5 + 2 * np.maximum(12 - x, 0) + scatter * draw.standard_normal(days)
    w = draw.uniform(0.5, 2, days)
    found = best_bend(x, y, w)
    everywhere = np.linspace(x.min(), x.max(), 4001)[1:]
    assert found.left <= bends(x, y, w, everywhere)[2].min() * (1 + 1e-9) + 1e-9


def _exhaustive(x: Floats, y: Floats) -> tuple[float, float, float, float]:
    """Search change points one by one with numpy's least squares: the plain way."""
    best = (np.inf, 0.0, 0.0, 0.0)
    for change_c in np.arange(x.min() + 0.01, x.max(), 0.01):
        columns = np.column_stack((np.ones_like(x), np.minimum(x - change_c, 0)))
        (base, slope), left, _, _ = np.linalg.lstsq(columns, y, rcond=None)
        if len(left) and left[0] < best[0]:
            best = (float(left[0]), float(change_c), float(base), float(slope))
    return best


def test_base_load_slope_and_change_point_as_the_exhaustive_search_finds_them() -> None:
    draw = np.random.default_rng(7)
    x = draw.uniform(-12, 22, 150)
    y = 20 + 4 * np.maximum(14 - x, 0) + 5 * draw.standard_normal(150)
    left, change_c, base, slope = _exhaustive(x, y)
    found = signature(x, y)
    assert found.kind == "change_point"
    assert found.change_point_c == pytest.approx(change_c, abs=0.01)
    assert found.base_load == pytest.approx(base, abs=0.05)
    assert found.slope == pytest.approx(slope, abs=0.005)
    assert found.resid_sd**2 * (150 - 3) == pytest.approx(left, rel=1e-4)


def test_energy_of_a_kelvin_and_a_day_is_a_loss_in_watts() -> None:
    x = np.linspace(-10, 5, 20)
    found = signature(x, 100 - 2.4 * x + 0.01 * np.cos(np.arange(20)), efficiency=0.9)
    assert found.loss_w_k == pytest.approx(0.9 * 2.4 * 1000 / 24, rel=1e-3)


def test_a_day_far_off_is_set_aside_and_named() -> None:
    draw = np.random.default_rng(3)
    x = winter_weather(draw, 120)
    y = 100 - 4 * x + 5 * draw.standard_normal(120)
    y[[17, 60]] = (400.0, 0.0)
    found = signature(x, y)
    assert found.apart == (17, 60)
    clean = np.delete(np.arange(120), [17, 60])
    assert found.slope == pytest.approx(np.polyfit(x[clean], y[clean], 1)[0], abs=1e-9)


def test_one_day_in_ten_far_off_hardly_moves_the_slope() -> None:
    draw = np.random.default_rng(4)
    x = winter_weather(draw, 150)
    y = 100 - 4 * x + 5 * draw.standard_normal(150)
    y[draw.choice(150, 15, replace=False)] += 150.0
    assert signature(x, y).slope == pytest.approx(-4, abs=0.35)


def test_days_that_are_not_known_do_not_count() -> None:
    draw = np.random.default_rng(5)
    x = winter_weather(draw, 60)
    y = 100 - 4 * x + 5 * draw.standard_normal(60)
    x[3], y[7] = np.nan, np.nan
    kept = np.isfinite(x) & np.isfinite(y)
    assert signature(x, y).slope == pytest.approx(signature(x[kept], y[kept]).slope)
    assert signature(x, y).n == 58


def test_weeks_and_months_count_by_their_days() -> None:
    x = np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 2, 3])
    y = 50 - 3 * x + np.array([0.5, -0.4, 0.2, 0.1, -0.3, 0.2, -0.2, 0.1, 0.3, -0.5])
    length = np.array([31.0, 28, 31, 30, 31, 30, 31, 31, 30, 7])
    found = signature(x, y, days=length)
    slope = np.polyfit(x, y, 1, w=np.sqrt(length))[0]
    assert found.slope == pytest.approx(slope, abs=1e-9)


@pytest.mark.parametrize(
    ("outdoor_c", "says"),
    [(np.linspace(0, 5, 5), "5 days have"), (np.full(30, 3.0), "days that are all as cold")],
)
def test_too_little_is_said(outdoor_c: Floats, says: str) -> None:
    with pytest.raises(InputError, match=says):
        signature(outdoor_c, np.ones_like(outdoor_c))


def test_with_the_bays_own_temperature_a_shop_that_sets_back_tells_its_loss() -> None:
    draw = np.random.default_rng(6)
    days = 150
    outdoor_c = winter_weather(draw, days)
    indoor_c = np.where(np.arange(days) % 7 >= 5, 11.0, 18.0) + 0.5 * draw.standard_normal(days)
    stored = 4.5 * np.diff(indoor_c, prepend=indoor_c[0])
    y = 6.0 * (indoor_c - outdoor_c) + stored + 4 * draw.standard_normal(days)
    blind, seeing = signature(outdoor_c, y), signature(outdoor_c, y, indoor_c=indoor_c)
    assert seeing.loss_within.low < 250 < seeing.loss_within.high
    assert seeing.storage_kwh_k == pytest.approx(4.5, abs=0.5)
    width = seeing.loss_within.high - seeing.loss_within.low
    assert width < 0.4 * (blind.loss_within.high - blind.loss_within.low)


@pytest.mark.parametrize(
    ("days", "keeps", "least"),
    [(40, 0.0, 0.90), (40, 0.5, 0.85), (150, 0.0, 0.92), (150, 0.5, 0.90)],
)
def test_intervals_for_95_percent_cover_what_is_true(days: int, keeps: float, least: float) -> None:
    """Over 200 drawn winters each; they covered 91.5 to 99 % (standard error 1.5 %)."""
    draw = np.random.default_rng(days)
    hits = np.zeros(4)
    for _ in range(200):
        x = winter_weather(draw, days, middle_c=15)
        y = 20 + 8 * np.maximum(14 - x, 0) + 12 * carried(draw, days, keeps)
        found = signature(x, y, kind="change_point")
        assert found.change_within is not None
        assert found.base_within is not None
        inside = zip(
            (found.slope_within, found.intercept_within, found.change_within, found.base_within),
            (-8.0, 20 + 8 * 14, 14.0, 20.0), strict=True,
        )  # fmt: skip
        hits += [within.low <= true <= within.high for within, true in inside]
    assert (hits / 200 >= least).all()


@pytest.mark.parametrize(("days", "keeps", "least"), [(40, 0.0, 0.90), (40, 0.5, 0.85),
                                                      (150, 0.5, 0.90)])  # fmt: skip
def test_intervals_of_a_line_cover_what_is_true(days: int, keeps: float, least: float) -> None:
    draw = np.random.default_rng(days + 1)
    hits = np.zeros(2)
    for _ in range(300):
        x = winter_weather(draw, days)
        y = 132 - 8 * x + 12 * carried(draw, days, keeps)
        found = signature(x, y, kind="line")
        within = (found.slope_within, found.intercept_within)
        hits += [one.low <= true <= one.high for one, true in zip(within, (-8, 132), strict=True)]
    assert (hits / 300 >= least).all()


@given(st.floats(2.0, 1000.0))
def test_quantiles_are_those_of_scipy_stats(free: float) -> None:
    """``scipy.stats`` takes twice as long to import as ``scipy.special``."""
    assert reach_of(free) == pytest.approx(stats.t.ppf(0.5 + LEVEL / 2, free), rel=1e-9)
    assert fdtri(1, free, LEVEL) == pytest.approx(stats.f.ppf(LEVEL, 1, free), rel=1e-9)
    assert fdtri(1, free, 0.99) == pytest.approx(stats.f.isf(0.01, 1, free), rel=1e-9)
