"""Hot and cold water together.

Sources: enthalpy and density of liquid water from IAPWS-95 as CoolProp computes it, and from the
iapws package (IAPWS-IF97); the trade's (Σ m·c·T)/(Σ m·c) with one c (common practice).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.physics.water import (
    Portion,
    blend_temp_c,
    can_reach,
    portion_to_reach,
    portions_for_total,
    water_density_kg_m3,
    water_enthalpy_j_kg,
)
from envmon.sums.mix_blend import BlendQuestion

TEMPS = st.floats(0, 99)
VOLUMES = st.floats(0.01, 1000)
GRID = (1.0, 4.0, 10.0, 20.0, 35.0, 50.0, 65.0, 80.0, 95.0)
SEA_LEVEL_PA = 101_325


def reference(name: str, temp_c: float) -> float:
    """Return what CoolProp says: ``H`` [J/kg] or ``D`` [kg/m³]."""
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI(name, "T", temp_c + 273.15, "P", SEA_LEVEL_PA, "Water"))


@pytest.mark.parametrize("temp_c", GRID)
def test_heat_and_density_are_those_of_coolprop(temp_c: float) -> None:
    heat = reference("H", temp_c) - reference("H", 0.01)
    assert water_enthalpy_j_kg(temp_c) - water_enthalpy_j_kg(0.01) == pytest.approx(heat, abs=0.5)
    assert water_density_kg_m3(temp_c) == pytest.approx(reference("D", temp_c), rel=2e-5)


@pytest.mark.parametrize("temp_c", GRID)
def test_heat_and_density_are_those_of_the_industrial_formulation(temp_c: float) -> None:
    """IAPWS-IF97 as the iapws package computes it, an implementation and formulation apart."""
    from iapws import IAPWS97

    water = IAPWS97(T=temp_c + 273.15, P=SEA_LEVEL_PA / 1e6)
    ice_cold = IAPWS97(T=273.16, P=SEA_LEVEL_PA / 1e6)
    heat = 1000 * (water.h - ice_cold.h)
    assert water_enthalpy_j_kg(temp_c) - water_enthalpy_j_kg(0.01) == pytest.approx(
        heat, rel=2.5e-4
    )
    assert water_density_kg_m3(temp_c) == pytest.approx(water.rho, rel=1e-4)


@pytest.mark.parametrize("parts", [((10, 60), (10, 10)), ((3, 80), (17, 5)), ((1, 45), (2, 8))])
def test_a_blend_closes_the_balance_of_coolprop(parts: tuple[tuple[float, float], ...]) -> None:
    """The enthalpy before is the enthalpy after, both from CoolProp alone."""
    kg = [litres / 1000 * reference("D", temp_c) for litres, temp_c in parts]
    before = sum(m * reference("H", t) for m, (_, t) in zip(kg, parts, strict=True))
    blended = blend_temp_c([Portion(*part) for part in parts])
    after = sum(kg) * reference("H", blended)
    assert after == pytest.approx(before, abs=4 * sum(kg))  # 4 J/kg is a thousandth of a kelvin


@given(st.floats(0.01, 100), TEMPS, st.floats(0.01, 100), TEMPS)
def test_one_heat_capacity_for_all_is_within_a_quarter_kelvin(
    hot_kg: float, hot_c: float, cold_kg: float, cold_c: float
) -> None:
    """(Σ m·c·T)/(Σ m·c) with one c is ΣmT/Σm (common practice)."""
    kg, temps = (hot_kg, cold_kg), (hot_c, cold_c)
    portions = [
        Portion(1000 * m / float(water_density_kg_m3(t)), t) for m, t in zip(kg, temps, strict=True)
    ]
    simple = sum(m * t for m, t in zip(kg, temps, strict=True)) / sum(kg)
    assert blend_temp_c(portions) == pytest.approx(simple, abs=0.25)


@given(TEMPS, TEMPS, st.floats(0, 1), VOLUMES)
def test_what_fills_the_bucket_gives_the_wanted_temperature(
    hot_c: float, cold_c: float, place: float, total_l: float
) -> None:
    """Put back: poured together they have the temperature, and mass and volume asked for."""
    want_c = cold_c + place * (hot_c - cold_c)
    assume(can_reach(hot_c, cold_c, want_c))
    hot, cold = portions_for_total(hot_c, cold_c, want_c, total_l)
    assert hot.volume_l >= 0
    assert cold.volume_l >= 0
    assert blend_temp_c((hot, cold)) == pytest.approx(want_c, abs=1e-6)
    wanted_kg = Portion(total_l, want_c).mass_kg
    assert hot.mass_kg + cold.mass_kg == pytest.approx(wanted_kg, rel=1e-9)


@given(VOLUMES, TEMPS, TEMPS, st.floats(0.01, 1))
def test_what_is_added_gives_the_wanted_temperature(
    have_l: float, have_c: float, other_c: float, place: float
) -> None:
    want_c = other_c + place * (have_c - other_c)
    assume(can_reach(have_c, other_c, want_c))
    assume(abs(want_c - other_c) > 1e-3 or want_c == have_c)
    have = Portion(have_l, have_c)
    added = portion_to_reach(have, other_c, want_c)
    assert added.volume_l >= 0
    assume(added.volume_l <= 100_000)
    assert blend_temp_c((have, added)) == pytest.approx(want_c, abs=1e-6)


@given(st.lists(st.tuples(VOLUMES, TEMPS), min_size=1, max_size=5))
def test_a_blend_lies_between_its_portions_in_any_order(parts: list[tuple[float, float]]) -> None:
    portions = [Portion(*part) for part in parts]
    temp_c = blend_temp_c(portions)
    assert min(t for _, t in parts) <= temp_c <= max(t for _, t in parts)
    assert blend_temp_c(portions[::-1]) == pytest.approx(temp_c, abs=1e-9)


@given(TEMPS, TEMPS, VOLUMES, VOLUMES, st.floats(0.01, 10))
def test_more_hot_water_is_never_colder(
    one_c: float, other_c: float, hot_l: float, cold_l: float, more_l: float
) -> None:
    cold_c, hot_c = sorted((one_c, other_c))
    before = blend_temp_c((Portion(hot_l, hot_c), Portion(cold_l, cold_c)))
    after = blend_temp_c((Portion(hot_l + more_l, hot_c), Portion(cold_l, cold_c)))
    assert after >= before - 1e-9


def test_arrays_are_the_numbers_place_by_place() -> None:
    temps = np.array([0.0, 4.0, 60.0, 99.0, 99.1, math.nan])
    for function in (water_density_kg_m3, water_enthalpy_j_kg):
        found = function(temps)
        assert found[:4].tolist() == pytest.approx([function(t) for t in temps[:4]], rel=1e-15)
        assert np.isnan(found[4:]).all()
        with pytest.raises(InputError, match=r"water temperature is 99\.1"):
            function(99.1)


def test_water_is_heaviest_at_four_degrees() -> None:
    """3.98 °C (from memory)."""
    temps = np.linspace(0, 10, 1001)
    assert temps[np.argmax(water_density_kg_m3(temps))] == pytest.approx(3.98, abs=0.02)


@pytest.mark.parametrize(("want", "word"), [("61", "Heat"), ("7", "colder")])
def test_a_temperature_outside_hot_and_cold_says_so_plainly(want: str, word: str) -> None:
    answer = BlendQuestion("60", "8", want, total="20 l").answer("metric")
    assert not answer.possible
    assert f"{want} °C cannot be blended from water of 8 °C and 60 °C" in answer.why_not
    assert word in answer.why_not
    assert "hot_l" not in answer.values


def test_cold_water_alone_never_reaches_the_hot_tap() -> None:
    """10 l of cold water are there; no amount of hot brings them to the hot water's own heat."""
    answer = BlendQuestion("60", "8", "60", cold_amount="10 l").answer("metric")
    assert not answer.possible
    with pytest.raises(InputError, match="no amount of it"):
        portion_to_reach(Portion(10, 8), 60, 60)


def test_edges_need_one_of_both_only() -> None:
    hot, cold = portions_for_total(60, 8, 60, 20)
    assert (round(hot.volume_l, 9), cold.volume_l) == (20, 0)
    assert portions_for_total(40, 40, 40, 20)[0].volume_l == 20
    assert portion_to_reach(Portion(5, 60), 8, 60).volume_l == 0


def test_us_units_are_the_same_water() -> None:
    """140, 46.4 and 104 °F are 60, 8 and 40 °C; a US gallon is 3.785411784 l by definition."""
    us = BlendQuestion("140", "46.4", "104", total="5 gal").answer("us")
    metric = BlendQuestion("60", "8", "40", total="18.92705892 l").answer("metric")
    assert us.values == pytest.approx(metric.values, rel=1e-9)
    assert us.say.endswith("give 104 °F")
    mixed = BlendQuestion("140 °F", "8", "104 °F", total="5 gal").answer("metric")
    assert mixed.values == pytest.approx(metric.values, rel=1e-9)


@pytest.mark.parametrize(
    ("question", "words"),
    [
        (BlendQuestion("60", "8", "55", total="20 l"), ("Over 50 °C", "scald", "dries on")),
        (BlendQuestion("60", "8", "40", total="20 l"), ("hot water is over 50 °C", "scalds")),
        (BlendQuestion("140", "46", "104", total="5 gal"), ("over 122 °F",)),
        (BlendQuestion("45", "8", "40", total="20 l"), ("Measure it before a hand goes in",)),
    ],
)
def test_cautions_of_hot_water(question: BlendQuestion, words: tuple[str, ...]) -> None:
    """50 °C (common practice)."""
    said = " ".join(question.answer("us" if "gal" in question.total else "metric").cautions)
    for word in words:
        assert word in said
    assert ("over 50" in said.lower()) == (question.hot == "60")


@pytest.mark.parametrize(
    ("want", "foam", "wash"),
    [("29", "too cold", "too cold"), ("30", "suits", "suits"), ("40", "suits", "suits"),
     ("42", "suits", "too hot"), ("46", "too hot", "too hot")],
)  # fmt: skip
def test_which_stage_the_water_suits(want: str, foam: str, wash: str) -> None:
    """Foam 30 to 45 °C, contact wash 30 to 40 °C (common practice)."""
    lines = dict(BlendQuestion("60", "8", want, total="20 l").answer("metric").lines)
    assert lines["Foam pre-wash"].startswith(foam)
    assert lines["Contact wash"].startswith(wash)


@pytest.mark.parametrize(
    ("question", "part"),
    [
        (BlendQuestion("", "8", "40", total="20 l"), "temperature of the hot"),
        (BlendQuestion("60", "8", "40"), "give one volume"),
        (BlendQuestion("60", "8", "40", "20 l", "5 l"), "give one volume"),
        (BlendQuestion("60", "8", total="20 l"), "wanted temperature, or"),
        (BlendQuestion("60", "8", hot_amount="2 l"), "wanted temperature, or"),
        (BlendQuestion("120", "8", "40", total="20 l"), "water temperature is 120"),
        (BlendQuestion("60", "-4", "40", total="20 l"), "water temperature is -4"),
        (BlendQuestion("hot", "8", "40", total="20 l"), "value is 'hot'"),
        (BlendQuestion("8", "60", "40", total="20 l"), "exchange them"),
        (BlendQuestion("8", "60", hot_amount="2 l", cold_amount="2 l"), "exchange them"),
        (BlendQuestion("60", "8", "40", total="20"), "with its unit"),
    ],
)
def test_what_cannot_be_answered_says_what_is_allowed(question: BlendQuestion, part: str) -> None:
    with pytest.raises(InputError) as refused:
        question.answer("metric")
    assert part in str(refused.value)


def test_no_water_is_no_blend() -> None:
    with pytest.raises(InputError, match="no water to blend"):
        blend_temp_c([Portion(0, 20)])
    for bad in (-1.0, math.nan, math.inf):
        with pytest.raises(InputError, match="volume is"):
            blend_temp_c([Portion(bad, 20)])
