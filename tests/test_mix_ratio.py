"""Ratio, share, panel impact ratio and what to pour.

Sources: worked values of the trade (common practice); units from pint, which takes its definitions
from NIST and CODATA; each balance is closed by putting the answer back.
"""

from __future__ import annotations

import math
from functools import partial

import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.physics.mixing import (
    Mix,
    bottle_share,
    impact_ratio,
    lance_dilution,
    lance_dilution_from_flows,
    mix_into_water,
    mix_of_amounts,
    mix_of_total,
    share_from_water_parts,
    water_parts_from_share,
)
from envmon.sums.mix_report import ImpactQuestion, RatioQuestion
from envmon.sums.mix_texts import US_FL_OZ_L, US_GALLON_L, digits, litres_from_text, volume_text

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()
PARTS = st.floats(0.01, 99_000)
SHARES = st.floats(1e-4, 1)
VOLUMES = st.floats(0.001, 1000)
DILUTIONS = st.floats(1, 200)


@pytest.mark.parametrize(
    ("water_parts", "share"), [(0, 1), (1, 0.5), (9, 0.1), (10, 1 / 11), (49, 0.02)]
)
def test_a_ratio_is_one_part_to_n_parts_of_water(water_parts: float, share: float) -> None:
    """Share = 1/(1+n) (common practice)."""
    assert share_from_water_parts(water_parts) == pytest.approx(share, rel=1e-15)


def test_five_fl_oz_in_four_gallons_is_1_to_102_4() -> None:
    """The trade's worked value; the amounts from pint."""
    concentrate = UNITS.Quantity(5, "US_fluid_ounce").to("litre").magnitude
    water = UNITS.Quantity(4, "US_liquid_gallon").to("litre").magnitude
    assert mix_of_amounts(concentrate, water).water_parts == pytest.approx(102.4, rel=1e-12)
    asked = RatioQuestion(concentrate="5 fl oz", water="4 gal").answer("us")
    assert asked.values["water_parts"] == pytest.approx(102.4, rel=1e-12)
    assert asked.values["share_pct"] == pytest.approx(100 / 103.4, rel=1e-12)
    assert dict(asked.lines)["ratio"] == "1:102.4"


def test_five_percent_on_the_panel_through_one_to_nine_is_half_the_bottle() -> None:
    """The trade's worked value: 10 in all for 1 drawn, so the bottle holds 50 %."""
    assert bottle_share(0.05, lance_dilution(9)) == pytest.approx(0.5, rel=1e-15)
    asked = ImpactQuestion(aim="5 %", lance="9", bottle="1 l").answer("metric")
    assert asked.possible
    assert asked.values["bottle_share_pct"] == pytest.approx(50)
    assert asked.say == "500 ml water, then 500 ml concentrate"


def test_an_aim_above_100_percent_in_the_bottle_says_so_plainly() -> None:
    asked = ImpactQuestion(aim="15 %", lance="9", bottle="1 l").answer("metric")
    assert not asked.possible
    assert asked.values["bottle_share_pct"] == pytest.approx(150)
    assert asked.values["highest_impact_ratio_pct"] == pytest.approx(10)
    for part in ("cannot be reached", "150 %", "10 %", "5.67 parts"):
        assert part in asked.why_not
    assert "concentrate_l" not in asked.values


def test_an_aim_of_just_pure_concentrate_is_reached() -> None:
    """10 % through 1:9 needs exactly 100 %, and 1/3 through 1:2 too, whatever rounding does."""
    for aim, lance in (("10 %", "9"), ("1:2", "2"), ("1:6", "6")):
        asked = ImpactQuestion(aim=aim, lance=lance, bottle="1 l").answer("metric")
        assert asked.possible, asked.why_not
        assert asked.say == "1 l concentrate, no water"


@pytest.mark.parametrize("unit", ["ml", "cl", "dl", "l", "fl oz", "pt", "qt", "gal"])
def test_volumes_are_those_of_pint(unit: str) -> None:
    name = {
        "fl oz": "US_fluid_ounce", "pt": "US_pint", "qt": "US_liquid_quart",
        "gal": "US_liquid_gallon",
    }.get(unit, unit)  # fmt: skip
    wanted = UNITS.Quantity(3.5, name).to("litre").magnitude
    assert litres_from_text(f"3.5 {unit}", "x") == pytest.approx(wanted, rel=1e-12)
    assert litres_from_text(f" 3.5{unit.upper()} ", "x") == pytest.approx(wanted, rel=1e-12)


def test_us_units_agree_with_pint() -> None:
    for ours, name in ((US_FL_OZ_L, "US_fluid_ounce"), (US_GALLON_L, "US_liquid_gallon")):
        assert ours == pytest.approx(UNITS.Quantity(1, name).to("litre").magnitude, rel=1e-12)


@given(PARTS)
def test_ratio_to_share_and_back(water_parts: float) -> None:
    back = water_parts_from_share(share_from_water_parts(water_parts))
    assert back == pytest.approx(water_parts, rel=1e-9, abs=1e-9)


@given(PARTS, PARTS)
def test_more_water_is_a_smaller_share(one: float, other: float) -> None:
    assume(one < other)
    assert share_from_water_parts(one) >= share_from_water_parts(other)


@given(SHARES, VOLUMES)
def test_what_is_poured_closes_the_balance(share: float, volume_l: float) -> None:
    """Put back: the poured concentrate over the whole is the share; nothing appears or is lost."""
    mix = mix_of_total(share, volume_l)
    assert mix.total_l == pytest.approx(volume_l, rel=1e-12)
    assert mix.concentrate_l / (mix.concentrate_l + mix.water_l) == pytest.approx(share, rel=1e-12)
    assume(share < 0.999)
    into = mix_into_water(share, volume_l)
    assert into.water_l == volume_l
    assume(1e-6 <= into.concentrate_l <= 100_000)
    assert mix_of_amounts(into.concentrate_l, into.water_l).share == pytest.approx(share, rel=1e-9)


@given(SHARES, DILUTIONS)
def test_the_lance_loses_no_concentrate(share: float, dilution: float) -> None:
    """Put back: litre for litre, what is drawn is what lands on the panel."""
    landed = impact_ratio(share, dilution)
    drawn_l, total_l = 1.0, dilution
    assert landed * total_l == pytest.approx(share * drawn_l, rel=1e-12)
    assume(landed >= 1.1e-5)
    assert bottle_share(landed, dilution) == pytest.approx(share, rel=1e-12)


@given(st.floats(0.1, 50), DILUTIONS)
def test_a_lance_by_its_flows_is_a_lance_by_its_parts(drawn: float, dilution: float) -> None:
    by_flows = lance_dilution_from_flows(drawn * dilution, drawn)
    assert by_flows == pytest.approx(lance_dilution(dilution - 1), rel=1e-9)


@given(st.floats(1e-4, 1e6))
def test_a_volume_read_aloud_is_within_half_a_percent(volume_l: float) -> None:
    """Three digits: read the text with pint, in both systems of units."""
    for units in ("metric", "us"):
        number, unit = volume_text(volume_l, units).split(" ", 1)
        name = {"fl oz": "US_fluid_ounce", "gal": "US_liquid_gallon"}.get(unit, unit)
        read_l = UNITS.Quantity(float(number), name).to("litre").magnitude
        assert read_l == pytest.approx(volume_l, rel=0.0051)


@pytest.mark.parametrize(
    ("number", "text"),
    [(0.0, "0"), (1, "1"), (9.996, "10"), (0.09996, "0.1"), (102.4, "102"), (12345.6, "12346")],
)
def test_three_digits_count(number: float, text: str) -> None:
    assert digits(number) == text


@pytest.mark.parametrize("bad", [-1, math.nan, math.inf, 100_001])
def test_parts_outside_their_range_are_refused(bad: float) -> None:
    with pytest.raises(InputError, match="parts of water are"):
        share_from_water_parts(bad)


@pytest.mark.parametrize("bad", [0, -0.1, 1.0001, math.nan, math.inf, 1e-6])
def test_shares_outside_their_range_are_refused(bad: float) -> None:
    for refused in (
        partial(water_parts_from_share, bad),
        partial(bottle_share, bad, 10),
        partial(impact_ratio, bad, 10),
        partial(mix_of_total, bad, 1),
        partial(mix_into_water, bad, 1),
    ):
        with pytest.raises(InputError, match="; allowed is above"):
            refused()


@pytest.mark.parametrize("bad", [0, 0.5, math.nan, math.inf])
def test_a_lance_that_gives_less_than_it_draws_is_refused(bad: float) -> None:
    with pytest.raises(InputError, match="total flow over drawn flow"):
        bottle_share(0.05, bad)
    with pytest.raises(InputError, match="is drawn of a total flow"):
        lance_dilution_from_flows(bad, 1)


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
def test_volumes_that_cannot_be_poured_are_refused(bad: float) -> None:
    for refused in (
        partial(mix_of_total, 0.1, bad),
        partial(mix_into_water, 0.1, bad),
        partial(mix_of_amounts, bad, 1),
    ):
        with pytest.raises(InputError, match=r"allowed is 0\.001 ml"):
            refused()


def test_pure_concentrate_goes_into_no_bucket() -> None:
    with pytest.raises(InputError, match="no room for water"):
        mix_into_water(1, 5)
    assert mix_of_total(1, 5) == Mix(5, 0)
    assert mix_of_amounts(5, 0).share == 1


@pytest.mark.parametrize(
    ("question", "part"),
    [
        (RatioQuestion(), "give a ratio"),
        (RatioQuestion("ten"), "mix is 'ten'"),
        (RatioQuestion("0:3"), "mix is '0:3'"),
        (RatioQuestion("1:-3"), "mix is '1:-3'"),
        (RatioQuestion("150 %"), "mix is 150 %"),
        (RatioQuestion("1:10", total="5"), "with its unit"),
        (RatioQuestion("1:10", total="5 ells"), "with its unit"),
        (RatioQuestion("1:10", total="1 l", water="1 l"), "one of them"),
        (RatioQuestion(concentrate="5 ml"), "give a ratio"),
        (ImpactQuestion(aim="5 %"), "give how the lance draws"),
        (ImpactQuestion(aim="5 %", lance="9", draw="1"), "give how the lance draws"),
        (ImpactQuestion(lance="9"), "either the aim"),
        (ImpactQuestion(aim="5 %", in_bottle="1:4", lance="9"), "either the aim"),
        (ImpactQuestion(aim="5 %", lance="nine"), "lance is 'nine'"),
        (ImpactQuestion(aim="5 %", flow="1", draw="8"), "8 is drawn"),
    ],
)
def test_what_cannot_be_answered_says_what_is_allowed(
    question: RatioQuestion | ImpactQuestion, part: str
) -> None:
    with pytest.raises(InputError) as refused:
        question.answer("metric")
    assert part in str(refused.value)


def test_cautions_go_with_everything_strong() -> None:
    """Alkali, acid, never mix products, gloves, the safety data sheet (common practice)."""
    asked = [
        RatioQuestion("1:10", total="1 l").answer("metric"),
        ImpactQuestion(aim="5 %", lance="9").answer("us"),
        ImpactQuestion(aim="50 %", lance="9").answer("us"),
    ]
    for answer in asked:
        said = " ".join(answer.cautions)
        for word in (
            "Alkaline",
            "acid",
            "never mix products",
            "Gloves",
            "safety data sheet",
            "dry",
        ):
            assert word in said
            assert word in "\n".join(answer.text_lines())
