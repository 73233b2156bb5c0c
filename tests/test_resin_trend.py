"""When resin is due, from the trend of the rinse water.

Sources: the robust line is held to scipy.stats.theilslopes; the curve of a bed that breaks through
is the logistic of Bohart and Adams, J. Am. Chem. Soc. 42 (1920) 523 (from memory); 10 ppm for a
final rinse and 20 ppm for a change are common practice.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from envmon.physics.solids import (
    CONFIDENCE,
    FEWEST,
    NEWEST,
    Due,
    resin_due,
    robust_slope,
    since_change,
    solids_standing,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

TAP_PPM = 200.0
NOISE_PPM = 0.4
PPM = arrays(np.float64, st.integers(FEWEST, NEWEST), elements=st.floats(0, 50))


@given(PPM)
def test_the_robust_line_is_scipys(ppm: Floats) -> None:
    """Slope and its interval; ties of values and of slopes among them."""
    from scipy.stats import theilslopes

    place = np.arange(len(ppm), dtype=np.float64) * 1.5
    ours, theirs = robust_slope(place, ppm), theilslopes(ppm, place, CONFIDENCE)
    assert ours.slope == pytest.approx(theirs.slope, abs=1e-9)
    assert ours.low == pytest.approx(theirs.low_slope, abs=1e-9)
    assert ours.high == pytest.approx(theirs.high_slope, abs=1e-9)


def steady(ppm_a_day: float) -> Callable[[Floats], Floats]:
    return lambda day: 10 + ppm_a_day * day


def breaking_through(rate: float) -> Callable[[Floats], Floats]:
    """Return a bed whose water has 10 ppm on day 0."""
    middle = math.log(TAP_PPM / 10 - 1) / rate
    return lambda day: np.asarray(TAP_PPM / (1 + np.exp(-rate * (day - middle))))


def told(truth: Callable[[Floats], Floats], ahead: int, seed: int, days: int = 14) -> Due:
    """Return what is said so many days before 10 ppm, of readings with a meter's noise."""
    day = np.arange(-ahead - days + 1, -ahead + 1, dtype=np.float64)
    noise = NOISE_PPM * np.random.default_rng(seed).standard_normal(days)
    ppm = np.asarray(np.round(np.maximum(truth(day) + noise, 0), 1), dtype=np.float64)
    return resin_due(day, ppm, 10.0)


@pytest.mark.parametrize("ahead", [3, 7, 14])
@pytest.mark.parametrize(
    "truth",
    [steady(0.1), steady(0.2), steady(0.35), breaking_through(0.05), breaking_through(0.1)],
)
def test_the_true_day_lies_inside_what_is_said(
    truth: Callable[[Floats], Floats], ahead: int
) -> None:
    """At least 19 times in 20, of those times at which anything is said, for 300 noises."""
    said = [told(truth, ahead, seed) for seed in range(300)]
    known = [due for due in said if not due.why]
    early = [due.earliest for due in known if due.earliest is not None]
    latest = [due.latest for due in known if due.latest is not None]
    assert len(known) == len(early) == len(latest) >= 30
    inside = [low <= ahead <= high for low, high in zip(early, latest, strict=True)]
    assert np.mean(inside) >= 0.95
    late = sum(low > ahead for low in early)
    assert late <= 0.03 * len(said)


@pytest.mark.parametrize("rate", [0.2, 0.4])
def test_of_a_bed_that_still_holds_nobody_can_tell(rate: float) -> None:
    """Twenty days before the end it lets nothing through yet; what is said then must not lull."""
    said = [told(breaking_through(rate), 20, seed) for seed in range(300)]
    unknown = [due for due in said if due.earliest is None]
    assert len(unknown) >= 0.9 * len(said)
    assert {due.likely for due in unknown} == {None}
    assert all(due.why for due in unknown)


def test_a_straight_rise_is_told_exactly() -> None:
    day = np.arange(10, dtype=np.float64)
    due = resin_due(day, 1 + 0.5 * day, 10.0)
    assert due.likely == pytest.approx(9)
    assert due.latest == pytest.approx(9)
    assert due.earliest is not None
    assert 0 < due.earliest < 9


def test_a_growing_rise_is_told_exactly() -> None:
    """Doubling each three days from 1 ppm: 8 ppm on day 9, 10 ppm log2(10)·3 days after 1."""
    day = np.arange(10, dtype=np.float64)
    due = resin_due(day, 2 ** (day / 3), 10.0)
    assert due.likely == pytest.approx(3 * math.log2(10) - 9)
    assert due.earliest == pytest.approx(due.likely)


@given(PPM, st.floats(0.001, 1000))
def test_litres_or_days_is_only_a_matter_of_scale(ppm: Floats, litres_a_day: float) -> None:
    day = np.arange(len(ppm), dtype=np.float64)
    by_day, by_litre = resin_due(day, ppm, 10.0), resin_due(day * litres_a_day, ppm, 10.0)
    assert by_day.why == by_litre.why
    for days, litres in zip(by_day[:3], by_litre[:3], strict=True):
        if days is None or litres is None:
            assert days is litres is None
        elif math.isfinite(days):
            assert litres == pytest.approx(days * litres_a_day, rel=1e-6, abs=1e-6 * litres_a_day)
        else:
            assert litres == days


@given(PPM, st.floats(0.2, 5))
def test_what_is_said_is_in_order(noise: Floats, slope: float) -> None:
    day = np.arange(len(noise), dtype=np.float64)
    ppm = slope * day + noise / 1000
    due, later = resin_due(day, ppm, 10.0), resin_due(day, ppm, 20.0)
    assert due.earliest is not None
    assert due.likely is not None
    assert due.latest is not None
    assert 0 <= due.earliest <= due.likely <= due.latest
    if later.earliest is not None:
        assert later.earliest >= due.earliest


@pytest.mark.parametrize("count", [0, 1, FEWEST - 1])
def test_from_too_few_readings_nobody_can_tell(count: int) -> None:
    day = np.arange(count, dtype=np.float64)
    due = resin_due(day, 1 + day, 10.0)
    assert due[:3] == (None, None, None)
    word = "reading" if count == 1 else "readings"
    assert due.why == f"{count} {word} since the last change; {FEWEST} are needed"


@pytest.mark.parametrize("ppm", [[3.0] * 10, [5, 4.8, 4.9, 4.6, 4.4, 4.5, 4.2, 4.1], [0.0] * 8])
def test_without_a_rise_nobody_can_tell(ppm: list[float]) -> None:
    due = resin_due(np.arange(len(ppm), dtype=np.float64), np.array(ppm), 10.0)
    assert due.earliest is None
    assert "no rise" in due.why


def test_a_rise_too_slow_is_not_told_far_ahead() -> None:
    day = np.arange(10, dtype=np.float64)
    due = resin_due(day, 2 + 0.001 * day, 10.0)
    assert due.earliest is None
    assert "too slowly" in due.why


def test_time_gone_since_the_newest_reading_counts() -> None:
    assert Due(3.0, 5.0, math.inf).less(4) == Due(0.0, 1.0, math.inf)
    assert Due(None, None, None, "why").less(4) == Due(None, None, None, "why")


def test_a_change_of_resin_is_a_fall_that_stays() -> None:
    """A change: 12 to 0.5 ppm for good. No change: one low reading, or a slow fall."""
    rising = [1.0, 2, 4, 7, 10, 12]
    assert since_change(np.array([*rising, 0.5, 0.6, 0.5])) == 6
    assert since_change(np.array([*rising, 0.5])) == 6
    assert since_change(np.array([*rising, 0.5, 14, 16, 18])) == 0
    assert since_change(np.array([9.0, 8, 7, 6, 5, 4, 3])) == 0
    assert since_change(np.array([1.0, 0.4, 1.1, 0.3, 0.3])) == 0
    assert since_change(np.array([])) == 0


def test_the_newest_of_several_changes_counts() -> None:
    life = [1.0, 3, 6, 10, 14]
    assert since_change(np.array([*life, *life, *life[:3]])) == 10


@pytest.mark.parametrize(
    ("ppm", "standing"),
    [
        (0.0, "good"),
        (10.0, "good"),
        (10.1, "over"),
        (19.9, "over"),
        (20.0, "change"),
        (500.0, "change"),
        (None, "unknown"),
        (math.nan, "unknown"),
        (math.inf, "unknown"),
        (-1.0, "unknown"),
    ],
)
def test_how_rinse_water_stands(ppm: float | None, standing: str) -> None:
    """At most 10 ppm for a final rinse; change the resin at 20 ppm (common practice)."""
    assert solids_standing(ppm) == standing
