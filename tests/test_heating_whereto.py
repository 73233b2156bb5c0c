"""Where the heat went: parts add up to the whole, and agree with what the simulated shop booked.

Truth: the accounts of the simulated hall over whole winters (fixtures/heating/winters.csv).
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pytest

from envmon.heating.bay_heat import USUAL, BayHeat, Range
from envmon.heating.signature import signature
from envmon.heating.whereto import BayTimes, Part, Stretch, Waterfall, priced, where_heat_went
from tests.heating_cases import winters

if TYPE_CHECKING:
    from typing import Any

    from tests.heating_cases import ShopWinter

KNOWN = BayHeat(
    Range(90.0, 80.0, 100.0), Range(15.0, 10.0, 22.0), Range(700.0, 500.0, 900.0), "a model", "door"
)
DAY = 1440
BOOKED = ("fabric", "glazing", "outdoor", "vehicle", "spray", "people", "blower", "heater")


def times(**other: Any) -> BayTimes:
    """Return ten days at 18 °C inside and -2 °C outside, some of it changed."""
    n = 10 * DAY
    found = BayTimes(
        "north", 700.0, np.full(n, 18.0), np.full(n, -2.0), np.zeros(n), 4, (-4.0, 0.0), 2.5
    )
    return found._replace(**other)


def part(found: Any, what: str) -> float:
    return float(next(one.kwh for one in found.parts if one.what == what))


def test_losses_worked_by_hand() -> None:
    found = where_heat_went(times(), KNOWN)
    assert found is not None
    # 20 K over 240 h are 4 800 K·h.
    assert part(found, "fabric") == pytest.approx(4.8 * 90)
    assert part(found, "leaks") == pytest.approx(4.8 * 15)
    assert part(found, "door") == 0.0
    # 8 kg of water a wash at 2.45 MJ/kg; 0.9 MJ/K for a vehicle, 22 K and 18 K.
    assert part(found, "wet work") == pytest.approx(4 * 8 * 2.45 / 3.6)
    assert part(found, "vehicles") == pytest.approx(0.9 / 3.6 * 40)
    assert part(found, "stored") == 0.0


def test_parts_add_up_to_what_the_heater_gave() -> None:
    found = where_heat_went(times(), KNOWN)
    assert found is not None
    assert sum(one.kwh for one in found.parts) == pytest.approx(700.0, abs=1e-9)
    assert [one.what for one in found.parts][-1] == "rest"
    for one in found.parts:
        assert one.within[0] <= one.kwh <= one.within[1]
        assert one.rests


def test_an_open_door_is_a_part_of_its_own() -> None:
    is_open = np.zeros(10 * DAY)
    is_open[500:560] = 1.0
    found = where_heat_went(times(door_open=is_open), KNOWN)
    assert found is not None
    assert part(found, "door") == pytest.approx(0.7 * 20**1.5)


def test_a_part_is_said_no_finer_than_it_is_known() -> None:
    """Two digits that count, none finer than two of the range (JCGM 100:2008, 7.2.6)."""
    said = [
        Part("losses", 1_234.0, (934.0, 1_534.0), "").text(8_123.0),
        Part("door", 30.4, (-769.6, 830.4), "").text(8_123.0),
        Part("wet work", 32.0, (-8_000.0, 8_064.0), "").text(8_123.0),
        Part("rest", -961.0, (-1_300.0, -622.0), "").text(8_123.0),
    ]
    assert said == ["1\u202f200 kWh, 15 %", "30 kWh, 0 %", "0 kWh, 0 %", "−960 kWh, −12 %"]


def test_the_caution_says_the_figures_of_the_parts() -> None:
    parts = (Part("losses", 9_084.0, (9_000.0, 9_168.0), ""),
             Part("rest", -961.0, (-1_045.0, -877.0), ""))  # fmt: skip
    caution = Waterfall("", 8_123.0, 1.0, parts).caution
    assert caution.startswith("The parts come to 112 % of what the heaters gave")
    left = (Part("losses", 6_000.0, (5_900.0, 6_100.0), ""),
            Part("rest", 2_123.0, (2_023.0, 2_223.0), ""))  # fmt: skip
    assert Waterfall("", 8_123.0, 1.0, left).caution.startswith("26 % (25 to 27 %) is explained")


def test_money_adds_up_to_the_last_digit() -> None:
    found = where_heat_went(times(), KNOWN)
    assert found is not None
    shown = priced(found, Decimal("123.45"), "EUR")
    assert sum(one.cost for one in shown.parts if one.cost is not None) == Decimal("123.45")
    assert all(one.cost is not None for one in shown.parts)


def test_temperatures_that_are_half_known_are_drawn_on() -> None:
    air_c = np.full(10 * DAY, 18.0)
    air_c[: 3 * DAY] = np.nan
    found = where_heat_went(times(air_c=air_c, storage_kwh_k=None), KNOWN)
    assert found is not None
    assert found.known_share == pytest.approx(0.7)
    assert part(found, "fabric") == pytest.approx(4.8 * 90)


@pytest.mark.parametrize("other", [{"heat_kwh": None}, {"air_c": np.full(10 * DAY, np.nan)}])
def test_what_is_hardly_known_gives_no_waterfall(other: dict[str, Any]) -> None:
    assert where_heat_went(times(**other), KNOWN) is None


def test_without_a_model_losses_go_by_the_signature_or_stay_in_the_rest() -> None:
    bare = where_heat_went(times(), USUAL)
    assert bare is not None
    assert [one.what for one in bare.parts] == ["door", "wet work", "vehicles", "stored", "rest"]
    outdoor_c = np.linspace(-10, 6, 20)
    line = signature(outdoor_c, 60 - 2.5 * outdoor_c + np.cos(np.arange(20)))
    found = where_heat_went(times(), USUAL, [Stretch(0, 10 * DAY, line)])
    assert found is not None
    vehicles = part(found, "vehicles")
    assert part(found, "losses") == pytest.approx(4.8 * line.loss_w_k - vehicles)


def _as_minutes(one: ShopWinter) -> BayTimes:
    air_c, outdoor_c = (np.repeat(values, DAY) for values in (one.indoor_c, one.outdoor_c))
    came = one.columns["arrivals_kwh"] > 0
    return BayTimes(
        one.bay, float(one.energy_kwh.sum()), air_c, outdoor_c, None, int(one.washes.sum()),
        tuple(one.outdoor_c[came]), 2.5,
    )  # fmt: skip


@pytest.mark.parametrize(
    "one", [w for w in winters() if w.changed is None], ids=lambda w: f"{w.name}-{w.bay}"
)
def test_against_what_the_simulated_shop_booked(one: ShopWinter) -> None:
    """Losses within a sixth of the truth, what is left within a seventh of the heat."""
    line = signature(one.outdoor_c, one.energy_kwh, indoor_c=one.indoor_c)
    found = where_heat_went(_as_minutes(one), USUAL, [Stretch(0, DAY * len(one.days), line)])
    assert found is not None
    booked = {name: float(one.columns[f"{name}_kwh"].sum()) for name in BOOKED}
    lost = -(booked["fabric"] + booked["glazing"] + booked["outdoor"])
    assert part(found, "losses") == pytest.approx(lost, rel=1 / 6)
    assert abs(part(found, "rest")) < booked["heater"] / 7
