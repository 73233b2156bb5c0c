from __future__ import annotations

import json
from pathlib import Path

import pytest

from envmon_sensors.vapour import (
    condensing_below_c,
    film_saturation_pa,
    load_kg_kg,
    rel_hum_pct,
    saturation_over_ice_pa,
    saturation_over_water_pa,
    vapour_mass_kg,
    vapour_pressure_pa,
)

CHECK = Path(__file__).parent.parent / "fixtures" / "check"


def cited(quantity: str) -> list[tuple[float, float]]:
    """Return temperature [°C] and value [Pa] of the cited rows of a quantity."""
    rows = json.loads((CHECK / "handbook_values.json").read_text(encoding="utf-8"))
    return [
        (float(row["conditions"].removesuffix(" C")), row["value"])
        for row in rows
        if row["quantity"] == quantity
    ]


@pytest.mark.parametrize(
    ("quantity", "ours"),
    [
        ("saturation vapour pressure over liquid water", saturation_over_water_pa),
        ("saturation vapour pressure over supercooled water", saturation_over_water_pa),
        ("saturation vapour pressure over ice", saturation_over_ice_pa),
    ],
)
def test_saturation_against_cited_values(quantity: str, ours: object) -> None:
    """Source: IAPWS-95, IAPWS R14-08, Murphy and Koop 2005 as in handbook_values.json.

    The Magnus fit is good to 0.4 % from −40 to 50 °C (its authors' claim, from memory).
    """
    assert callable(ours)
    rows = [(temp_c, value) for temp_c, value in cited(quantity) if temp_c <= 50]
    assert len(rows) >= 4
    for temp_c, value in rows:
        assert ours(temp_c) == pytest.approx(value, rel=0.007 if temp_c < -20 else 0.004)


def test_saturated_humidity_ratio_against_ashrae() -> None:
    """Source: ASHRAE Fundamentals 2017 ch. 1 table 2, as in handbook_values.json.

    0.8 % is the gap between ideal gas and a real-gas enhancement factor.
    """
    rows = json.loads((CHECK / "handbook_values.json").read_text(encoding="utf-8"))
    checked = 0
    for row in rows:
        if row["quantity"] == "saturation humidity ratio":
            temp_c = float(row["conditions"].split(" C")[0])
            if temp_c < 50:
                ours = load_kg_kg(film_saturation_pa(temp_c), 101_325)
                assert ours == pytest.approx(row["value"], rel=0.008)
                checked += 1
    assert checked == 4


def test_dew_point_of_the_trade_s_own_example() -> None:
    """20 °C and 45 %RH has a dew point of 7.7 °C (common practice)."""
    vapour_pa = 0.45 * saturation_over_water_pa(20)
    assert condensing_below_c(vapour_pa) == pytest.approx(7.7, abs=0.05)


@pytest.mark.parametrize("temp_c", [-20.0, 0.0, 20.0, 40.0])
def test_mass_and_pressure_are_each_other_s_inverse(temp_c: float) -> None:
    mass_kg = vapour_mass_kg(800.0, 240.0, temp_c)
    assert vapour_pressure_pa(mass_kg, 240.0, temp_c) == pytest.approx(800.0, rel=1e-12)


def test_winter_air_heated_is_very_dry() -> None:
    """−10 °C and 80 %RH heated to 20 °C is at about 10 %RH (common practice)."""
    assert rel_hum_pct(0.8 * saturation_over_water_pa(-10), 20) == pytest.approx(10, abs=0.5)
