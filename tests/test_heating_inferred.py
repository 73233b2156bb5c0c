"""Run time from the temperature curve, against what the simulated heaters truly did.

Limits are set beside what was measured over 126 days (``envmon/heating/curve.py``): wide enough for
other weeks, narrow enough that a curve without its parts (lag, doors, disturbances) fails.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest

from envmon.heating.curve import COARSE_ERROR_SHARE, ERROR_SHARE, inferred_share
from envmon.heating.model import BayMinutes
from envmon.heating.runtime import run_share
from envmon_sensors.scenario import BAYS
from tests.heating_support import Truth, truth_of

if TYPE_CHECKING:
    from envmon.heating.model import Floats

DAYS = 14


@pytest.fixture(scope="module")
def truth() -> Truth:
    """Two weeks of January from a Monday: work, a cure or two, weekends at 10 °C, mishaps."""
    return truth_of(7, date(2026, 1, 12), DAYS, offset_k=-4.0)


def daily_h(share: Floats) -> Floats:
    hours: Floats = share[: len(share) // 1440 * 1440].reshape(-1, 1440).sum(axis=1) / 60
    return hours


def shared(air_c: Floats, door: Floats | None = None) -> Floats:
    found = inferred_share(air_c, door)
    assert found is not None
    return found.share


def errors(truth: Truth, *, door: bool) -> Floats:
    """Return the relative error of each bay's days."""
    found = []
    for bay in BAYS:
        minutes = truth.bays[bay]
        share = shared(minutes.air_c, minutes.door if door else None)
        assert ((share >= 0) & (share <= 1)).all()
        found.append(daily_h(share) / daily_h(minutes.run) - 1)
    return np.concatenate(found)


@pytest.mark.timeout(400)
def test_a_day_is_within_ten_per_cent_where_the_door_is_known(truth: Truth) -> None:
    error = np.abs(errors(truth, door=True))
    assert len(error) == 2 * DAYS
    assert np.mean(error < 0.10) >= 0.95
    assert np.median(error) < 0.035
    assert np.quantile(error, 0.8) < ERROR_SHARE
    assert error.max() < 0.15


@pytest.mark.timeout(400)
def test_most_days_are_within_ten_per_cent_without_the_door(truth: Truth) -> None:
    error = np.abs(errors(truth, door=False))
    assert np.mean(error < 0.10) >= 0.9
    assert np.median(error) < 0.035
    assert np.quantile(error, 0.8) < ERROR_SHARE


@pytest.mark.timeout(400)
def test_whole_span_is_within_five_per_cent(truth: Truth) -> None:
    for bay in BAYS:
        minutes = truth.bays[bay]
        share = shared(minutes.air_c, minutes.door)
        assert share.sum() == pytest.approx(minutes.run.sum(), rel=0.05)


@pytest.mark.timeout(400)
def test_lost_samples_cost_little_and_a_gap_is_unknown(truth: Truth) -> None:
    """Three of a thousand minutes lost, as in the year of readings, and three hours at once."""
    minutes = truth.bays["north"]
    air_c = minutes.air_c.copy()
    air_c[np.random.default_rng(3).random(len(air_c)) < 0.003] = np.nan
    air_c[5_000:5_180] = np.nan
    share = shared(air_c, minutes.door)
    assert np.flatnonzero(np.isnan(share)).tolist() == list(range(5_000, 5_180))
    whole = [day for day in range(DAYS) if day != 3]
    error = np.abs(daily_h(share)[whole] / daily_h(minutes.run)[whole] - 1)
    assert np.mean(error < 0.10) >= 0.9


@pytest.mark.timeout(400)
def test_coarse_sensors_cost_accuracy_and_say_so(truth: Truth) -> None:
    """Minute means rounded to 0.1 K, as from a sensor of such steps without noise."""
    for bay in BAYS:
        minutes = truth.bays[bay]
        found = inferred_share(np.round(minutes.air_c, 1), minutes.door)
        if found is not None:
            error = np.abs(daily_h(found.share) / daily_h(minutes.run) - 1)
            assert np.quantile(error, 0.8) < found.error_share
            assert found.error_share == COARSE_ERROR_SHARE


@pytest.mark.timeout(400)
def test_a_state_that_falls_silent_is_followed_by_the_curve(truth: Truth) -> None:
    """Held against eleven days of state, the curve loses its bias on the days without."""
    minutes = truth.bays["south"]
    said = minutes.run.copy()
    said[11 * 1440 :] = np.nan
    run = run_share(BayMinutes(minutes.air_c, said, None, minutes.door))
    assert run.kind == "measured"
    assert not run.inferred[: 11 * 1440].any()
    assert run.inferred[11 * 1440 :].all()
    assert 0.0 < run.error_share < 0.06
    error = daily_h(run.share)[11:] / daily_h(minutes.run)[11:] - 1
    assert np.abs(error).max() < 0.1
    alone = run_share(BayMinutes(minutes.air_c, None, None, minutes.door))
    assert alone.kind == "inferred"
    assert alone.error_share == ERROR_SHARE
    assert alone.inferred.all()
    bias = daily_h(alone.share)[11:] / daily_h(minutes.run)[11:] - 1
    assert np.abs(error).mean() < np.abs(bias).mean()


class Hall(NamedTuple):
    """A plain bay of two masses, another one than the simulated shop: rates in minutes and K.

    Attributes:
        rise_k_min: What the heater adds to the air.
        air_min: Time in which air follows the mass.
        lag_min: Time in which the heater itself grows warm.
        band_k: Width of the thermostat.
        noise_k: Scatter of a minute's mean.
        night_c: Set point at night.
        modulates: The heater follows the need instead of switching.
    """

    rise_k_min: float
    air_min: float = 20.0
    lag_min: float = 0.0
    band_k: float = 0.5
    noise_k: float = 0.02
    night_c: float = 14.0
    modulates: bool = False


def lived(hall: Hall, days: int = 12) -> tuple[Floats, Floats]:
    """Return minute means of the air [°C] and the share the heater ran, stepped by 10 s."""
    step, air, mass, heat, runs = 1 / 6, 20.0, 18.0, 0.0, 0.0
    airs, ran = np.empty(days * 8640), np.empty(days * 8640)
    for place in range(len(airs)):
        hour = place / 360 % 24
        target = 20.0 if 6 <= hour < 17.5 else hall.night_c
        if hall.modulates:
            runs = min(1.0, max(0.0, target + 0.5 - air))
        elif abs(air - target) > hall.band_k / 2:
            runs = float(air < target)
        heat += (runs - heat) * (min(1.0, step / hall.lag_min) if hall.lag_min else 1.0)
        out = -5 + 4 * np.sin(2 * np.pi * (hour - 9) / 24)
        to_mass, to_out = (air - mass) / hall.air_min, (air - out) / (30 * hall.air_min)
        air += step * (hall.rise_k_min * heat - to_mass - to_out)
        mass += step * ((air - mass) / 1200 - (mass - out) / 9600)
        airs[place], ran[place] = air, runs
    noise = np.random.default_rng(1).normal(0, hall.noise_k, days * 1440)
    return airs.reshape(-1, 6).mean(axis=1) + noise, ran.reshape(-1, 6).mean(axis=1)


OTHERS = (
    Hall(0.3),
    Hall(0.3, noise_k=0.05),
    Hall(0.3, band_k=2.0),
    Hall(0.1, air_min=60.0),
    Hall(0.3, lag_min=5.0),
    Hall(0.3, lag_min=15.0),
)


@pytest.mark.parametrize("hall", OTHERS, ids=str)
def test_other_bays_and_slower_heaters(hall: Hall) -> None:
    air_c, ran = lived(hall)
    share = shared(air_c)
    error = np.abs(daily_h(share)[2:] / daily_h(ran)[2:] - 1)  # the bay's own past settles in
    assert np.quantile(error, 0.8) < 0.05
    assert error.max() < 0.10


SILENT = (
    Hall(1.0, modulates=True),
    Hall(3.0, night_c=20.0),  # pulses of a quarter of a minute
    Hall(0.02),  # never warm enough to switch off
    Hall(0.0),  # no heater at all
)


@pytest.mark.parametrize("hall", SILENT, ids=str)
def test_what_the_curve_cannot_tell_stays_unknown(hall: Hall) -> None:
    air_c, _ = lived(hall)
    assert inferred_share(air_c) is None
    run = run_share(BayMinutes(air_c))
    assert run.kind == "unknown"
    assert np.isnan(run.share).all()
    assert np.isnan(run.error_share)


def test_a_day_and_a_half_is_too_little() -> None:
    air_c, _ = lived(Hall(0.3), days=2)
    assert inferred_share(air_c[:2000]) is None
