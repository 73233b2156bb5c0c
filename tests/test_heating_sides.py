"""A signature for each side of a change, and where the heat went by the one that holds.

Truth: the accounts of the simulated hall over whole winters (fixtures/heating/winters.csv).
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from envmon.heating.bay_heat import USUAL, BayHeat, Range
from envmon.heating.changes import Change
from envmon.heating.days import days_between
from envmon.heating.energy import HeatBy
from envmon.heating.model import BayMinutes
from envmon.heating.sides import cut, sides_of
from envmon.heating.signature import Interval, signature
from envmon.heating.spent import Scene, _holds
from envmon.heating.whereto import BayTimes, Part, Stretch, Waterfall, where_heat_went
from envmon.shop.heat import HeatingInfo
from tests.heating_cases import winters
from tests.heating_story import Story

if TYPE_CHECKING:
    from envmon.heating.signature import Signature
    from tests.heating_cases import ShopWinter

DAY = 1440
FIRST = date(2026, 1, 1)
CHANGED = [one for one in winters() if one.changed is not None]
LOST = ("fabric", "glazing", "outdoor")


def change(day: date) -> Change:
    """Return a change of 20 % on a day."""
    return Change(day, day, day, 0.2, Interval(0.1, 0.3), "slope", 0.01)


def test_sides_are_cut_at_the_days_of_the_changes() -> None:
    dates = [FIRST + timedelta(days=n) for n in range(60)]
    found = cut(dates, [change(date(2026, 1, 21)), change(date(2026, 2, 20))])
    assert found == [(0, 20), (20, 50), (50, 60)]


def test_too_few_days_on_one_side_are_said() -> None:
    story = Story(FIRST, 40)
    wave = np.sin(np.arange(story.minutes) / 2000) * 6
    on = np.clip((18 - wave) / 30, 0, 1)
    bay = BayMinutes(story.flat(18.0), on, on * 12_000.0)
    days = days_between(story.winter({"north": bay}, outdoor_c=wave), HeatingInfo(), [])
    before, since = sides_of(days, [change(date(2026, 2, 4))])
    assert before.found is not None
    assert before.found.n == 34
    assert (before.first, before.last) == (FIRST, date(2026, 2, 3))
    assert (since.first, since.last) == (date(2026, 2, 4), date(2026, 2, 9))
    assert since.found is None
    assert "6 days have outdoor temperature and energy; allowed is 8" in since.why
    assert sides_of(days, []) == ()


def _lines(one: ShopWinter, at: int) -> tuple[Signature, Signature]:
    found = [
        signature(one.outdoor_c[part], one.energy_kwh[part], indoor_c=one.indoor_c[part])
        for part in (slice(0, at), slice(at, None))
    ]
    return found[0], found[1]


def _times(one: ShopWinter) -> BayTimes:
    air_c, outdoor_c = (np.repeat(values, DAY) for values in (one.indoor_c, one.outdoor_c))
    came = one.columns["arrivals_kwh"] > 0
    return BayTimes(
        one.bay, float(one.energy_kwh.sum()), air_c, outdoor_c, None, int(one.washes.sum()),
        tuple(one.outdoor_c[came]),
    )  # fmt: skip


@pytest.mark.parametrize("one", CHANGED, ids=lambda one: f"{one.name}-{one.bay}")
def test_with_the_line_that_holds_losses_are_those_that_were_booked(one: ShopWinter) -> None:
    """Within a sixth of the truth, as in winters without a change."""
    assert one.changed is not None
    at, size = one.changed, len(one.days)
    lines = _lines(one, at)
    held = [Stretch(0, at * DAY, lines[0]), Stretch(at * DAY, size * DAY, lines[1])]
    found = where_heat_went(_times(one), USUAL, held)
    assert found is not None
    assert sum(part.kwh for part in found.parts) == pytest.approx(found.heat_kwh)
    lost = -sum(float(one.columns[f"{name}_kwh"].sum()) for name in LOST)
    (losses,) = [part for part in found.parts if part.what == "losses"]
    assert losses.kwh == pytest.approx(lost, rel=1 / 6)
    assert "days and the energy signature of" in losses.rests
    kelvin_h = [float((one.indoor_c - one.outdoor_c)[part].sum()) * 24 / 1000
                for part in (slice(0, at), slice(at, None))]  # fmt: skip
    by_hand = sum(k * line.loss_w_k for k, line in zip(kelvin_h, lines, strict=True))
    vehicles = sum(part.kwh for part in found.parts if part.what == "vehicles")
    assert losses.kwh == pytest.approx(by_hand - vehicles)


@pytest.mark.parametrize("one", CHANGED, ids=lambda one: f"{one.name}-{one.bay}")
def test_each_side_has_its_own_loss_and_its_confidence_holds_the_truth(one: ShopWinter) -> None:
    """Five of six; the sixth by a tenth of a watt: people and warm water give heat as well."""
    assert one.changed is not None
    lines = _lines(one, one.changed)
    assert (lines[1].loss_w_k > lines[0].loss_w_k) == one.name.startswith("seal")
    parts = slice(0, one.changed), slice(one.changed, None)
    for part, line in zip(parts, lines, strict=True):
        kelvin_h = float((one.indoor_c - one.outdoor_c)[part].sum()) * 24
        lost = -sum(float(one.columns[f"{n}_kwh"][part].sum()) for n in (*LOST, "vehicle"))
        within = line.loss_within
        assert within.low < 1000 * lost / kelvin_h < 1.01 * within.high


def test_what_was_learned_on_one_side_goes_for_that_side_only() -> None:
    heat = BayHeat(Range(90, 80, 100), Range(10, 8, 12), Range(0, 0, 0), "a model", "door")
    times = BayTimes("north", 700.0, np.full(20 * DAY, 18.0), np.full(20 * DAY, -2.0), None, 0, ())
    outdoor_c = np.linspace(-10, 6, 20)
    line = signature(outdoor_c, 60 - 2.5 * outdoor_c + np.cos(np.arange(20)))
    held = [
        Stretch(0, 5 * DAY, line, modelled=False, when="before"),
        Stretch(5 * DAY, 20 * DAY, line, when="after"),
    ]
    found = where_heat_went(times, heat, held)
    assert found is not None
    assert [part.what for part in found.parts] == ["losses", "rest"]
    # 20 K over 5 and 15 days; 100 W/K by the model.
    assert found.parts[0].kwh == pytest.approx(2.4 * line.loss_w_k + 7.2 * 100)
    assert found.parts[0].rests == (
        "the energy signature of 20 days before and a model after, less what follows"
    )


@pytest.mark.parametrize(
    ("learned_days", "holds"),
    [((25, 53), [False, True]), ((0, 15), [True, False]), ((10, 38), [False, False])],
)
def test_a_model_holds_on_the_side_it_was_learned_on(
    learned_days: tuple[int, int], holds: list[bool]
) -> None:
    """Something changed after day 20; a model learned across that holds on neither side."""
    story = Story(FIRST, 60)
    on = np.full(story.minutes, 0.3)
    outdoor_c = np.sin(np.arange(story.minutes) / 2000) * 6
    bay = BayMinutes(story.flat(18.0), on, on * 12_000.0)
    winter = story.winter({"north": bay}, outdoor_c=outdoor_c)
    days = days_between(winter, HeatingInfo(), [])
    edges_us = days.local.edges_us
    heat = HeatBy(HeatingInfo(), [], days.runs)
    scene = Scene(winter, heat, edges_us, np.ones(60), {}, (change(FIRST + timedelta(days=20)),))
    since, until = (int(edges_us[place]) for place in learned_days)
    model = USUAL._replace(learned_us=(since, until))
    found = [_holds(model, scene, edges_us[list(ends)]) for ends in ((0, 20), (20, 60))]
    assert found == holds
    assert _holds(model, scene._replace(changes=()), edges_us[[0, 60]])


@pytest.mark.parametrize(
    ("losses", "half", "says"),
    [
        (95.0, 10.0, ""),
        (112.0, 15.0, "The parts come to 112 % of what the heaters gave; within their ranges"),
        (119.0, 5.0, "The parts come to 119 % of what the heaters gave, and their ranges do not"),
        (70.0, 5.0, "30 % (25 to 35 %) is explained by none of the parts"),
    ],
)
def test_more_than_all_or_more_than_the_range_is_said(
    losses: float, half: float, says: str
) -> None:
    left = 100 - losses
    parts = (
        Part("losses", losses, (losses - half, losses + half), "a line"),
        Part("rest", left, (left - half, left + half), "what is left"),
    )
    caution = Waterfall("north", 100.0, 1.0, parts).caution
    assert caution.startswith(says)
    assert bool(caution) == bool(says)
