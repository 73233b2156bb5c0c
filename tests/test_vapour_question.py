"""What a person writes about a work with solvent: read as it is meant, or refused with words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.errors import InputError
from envmon.physics.solvent import MIXING
from envmon.sums.vapour_question import VapourQuestion

if TYPE_CHECKING:
    from envmon.units import UnitSystem

WIPE = {"amount": "50 g", "over": "20 min", "volume": "200 m3", "air": "3"}


def asked(units: UnitSystem = "metric", /, **texts: str) -> VapourQuestion:
    question = VapourQuestion.from_texts({**WIPE, **texts})
    question.work(units)
    return question


@pytest.mark.parametrize("flow", ["600 m3/h", "600 m³/h", "353.1467 cfm", "166.6667 l/s", "3 /h"])
def test_flow_instead_of_air_changes(flow: str) -> None:
    """353.147 ft³/min are 10 m³/min, 600 m³/h; by definition of the foot."""
    air = asked(air=flow).work("metric").vapour.air
    assert air.changes_per_h == pytest.approx(3, rel=1e-6)


@pytest.mark.parametrize(
    ("amount", "share", "mass_kg"),
    [
        ("100 ml", "70 %", 0.05495), ("70", "", 0.05495), ("50 g", "50", 0.025),
        ("50 g", "1:1", 0.025), ("0.05 kg", "", 0.05), ("1 oz", "", 0.028349523125),
        ("2 fl oz", "100", 0.05914706 * 0.785), ("0.1 l", "70", 0.05495),
    ],
)  # fmt: skip
def test_volume_and_share_give_the_mass(amount: str, share: str, mass_kg: float) -> None:
    """0.785 kg/l at 20 °C: CRC Handbook (from memory). Ounces by definition."""
    spread = asked(amount=amount, share=share).work("metric").vapour.spread
    assert spread.mass_kg == pytest.approx(mass_kg, rel=1e-6)


def test_bare_numbers_are_in_the_units_in_use() -> None:
    """A US fluid ounce is 29.5735 ml, a foot 0.3048 m, 68 °F are 20 °C; by definition."""
    bare = {"amount": "2", "volume": "7000", "temp": "68", "outdoor": "14", "altitude": "1000"}
    us = asked("us", **bare).work("us")
    spread, air = us.vapour
    assert spread.mass_kg == pytest.approx(2 * 0.02957353 * 0.785, rel=1e-6)
    assert air.volume_m3 == pytest.approx(7000 * 0.3048**3)
    assert air.temp_c == pytest.approx(20)
    assert us.outdoor_c == pytest.approx(-10)
    metric = asked(amount="2", volume="7000", temp="20", outdoor="-10").work("metric")
    assert metric.vapour.spread.mass_kg == pytest.approx(0.002 * 0.785)
    assert metric.vapour.air.volume_m3 == 7000
    assert metric.outdoor_c == -10


def test_height_thins_the_air() -> None:
    """89 875 Pa at 1000 m: ASHRAE Fundamentals 2017, ch. 1, Table 1."""
    air = asked(altitude="1000 m").work("metric").vapour.air
    assert air.pressure_pa == pytest.approx(89_875, abs=1)


def test_what_is_not_given() -> None:
    work = asked().work("metric")
    assert work.outdoor_c is None
    assert work.vapour.air.mixing == MIXING
    assert work.vapour.air.temp_c == 20


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        ({"amount": ""}, "amount is missing; allowed is a number with its unit, such as 60 ml"),
        ({"amount": "2 ells"}, "amount is '2 ells'; allowed is such as 60 ml, 2 fl oz, 50 g"),
        ({"amount": "-5 ml"}, "amount is '-5 ml'"),
        ({"amount": "0 g"}, "mass of the carrier is 0 kg; allowed is 0.1 g to 20 kg"),
        ({"amount": "90 l"}, "mass of the carrier is 70.65 kg"),
        ({"over": "soon"}, "time of spreading is 'soon'; allowed is a number with its unit"),
        ({"over": "2 days"}, "time of spreading is '2 days'; allowed is such as 20 min, 1 h"),
        ({"volume": "2"}, "volume of the bay is 2 m³; allowed is 5 to 20 000 m³"),
        ({"volume": "200 l"}, "volume of the bay is '200 l'"),
        ({"air": "3 gusts"}, "ventilation is '3 gusts'; allowed is such as 3 (air changes"),
        ({"mixing": "0.5"}, "mixing factor is 0.5; allowed is 1 (mixes fully) to 10 (hardly)"),
        ({"temp": "90"}, "bay temperature is 90 °C; allowed is 0 to 45 °C (32 to 113 °F)"),
        ({"temp": "warm"}, "warm"),
        ({"outdoor": "-99"}, "outdoor temperature is -99 °C; allowed is −60 to 60 °C"),
        ({"share": "140"}, "share of the solvent is 140 %"),
        ({"carrier": "water"}, "no vapour limits; allowed: 2-propanol, ethanol, acetone"),
        ({"carrier": "petrol"}, "carrier is 'petrol'; there are values for"),
        ({"altitude": "9000"}, "altitude is 9000 m; allowed is −500 to 4000 m"),
        ({"colour": "red"}, "field is 'colour'; allowed: carrier, amount"),
    ],
)
def test_what_cannot_be_read_or_worked_out(texts: dict[str, str], said: str) -> None:
    with pytest.raises(InputError) as refused:
        asked(**texts)
    assert said in str(refused.value)
