"""Published limits, the ventilation that stays under them, and what its heat is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.physics.solvent import (
    MOST_CHANGES,
    BayAir,
    Spread,
    Vapour,
    changes_needed,
    ventilation_heat_w,
)
from envmon.physics.solvent_limits import PART_OF_LEL, SOLVENTS, VapourLimit, limits_of

TABLE = Path(__file__).parents[1] / "fixtures" / "check" / "handbook_values.json"
CAS = {"2-propanol": "67-63-0", "ethanol": "64-17-5", "acetone": "67-64-1"}
ROWS = {
    "OSHA PEL": "2-propanol OSHA PEL", "NIOSH REL": "2-propanol NIOSH REL TWA",
    "NIOSH STEL": "2-propanol NIOSH REL STEL", "ACGIH TLV": "2-propanol ACGIH TLV",
    "ACGIH STEL": "2-propanol ACGIH STEL",
}  # fmt: skip


def row(quantity: str) -> dict[str, Any]:
    (found,) = [r for r in json.loads(TABLE.read_text()) if r["quantity"] == quantity]
    assert isinstance(found, dict)
    return found


def limit(carrier: str, name: str) -> VapourLimit:
    (found,) = [each for each in limits_of(carrier) if each.name == name]
    return found


@pytest.mark.parametrize("name", ROWS)
def test_limits_of_2_propanol_are_the_collection_s(name: str) -> None:
    """Rows of the check collection, each with its source and who confirmed it."""
    found, said = limit("2-propanol", name), row(ROWS[name])
    assert found.ppm == said["value"]
    assert ("memory" in found.source) == ("memory" in said["source"])
    assert ("15 min" in said["conditions"]) == (found.over == "quarter")


def test_a_tenth_of_the_explosive_limit_is_what_harms_life_at_once() -> None:
    """2.0 % by IEC 60079-20-1 and NFPA 497; NIOSH's IDLH is a tenth: rows of the collection."""
    found = limit("2-propanol", "10 % of the LEL")
    assert found.ppm == PART_OF_LEL * 1e4 * row("2-propanol LEL")["value"]
    assert found.ppm == row("2-propanol IDLH")["value"]


@pytest.mark.parametrize("carrier", SOLVENTS)
def test_explosive_limits_are_the_lower_ones_of_two_standards(carrier: str) -> None:
    """IEC 60079-20-1:2010 and NFPA 497:2008, as tabulated in the library chemicals."""
    safety = pytest.importorskip("chemicals", reason="reference tables; a test extra").safety
    standards = ("IEC 60079-20-1 (2010)", "NFPA 497 (2008)")
    lowest = min(safety.LFL(CASRN=CAS[carrier], method=method) for method in standards)
    assert limit(carrier, "10 % of the LEL").ppm == pytest.approx(1e5 * lowest)


@pytest.mark.parametrize("carrier", SOLVENTS)
def test_no_limit_from_memory_is_laxer_than_ontario_s(carrier: str) -> None:
    """Ontario's limits as tabulated in chemicals follow ACGIH, in part older ones."""
    safety = pytest.importorskip("chemicals", reason="reference tables; a test extra").safety
    strictest = {
        over: min((each.ppm for each in limits_of(carrier) if each.over == over), default=0)
        for over in ("shift", "quarter")
    }
    mean, short = safety.TWA(CAS[carrier]), safety.STEL(CAS[carrier])
    assert mean is None or strictest["shift"] <= mean[0]
    assert short is None or strictest["quarter"] <= short[0]


def test_every_limit_names_its_source_and_its_place_in_order() -> None:
    for carrier in SOLVENTS:
        for each in limits_of(carrier):
            assert len(each.source) > 8
            assert each.over != "moment" or each.ppm >= 1_000


def test_water_has_no_limits() -> None:
    with pytest.raises(InputError, match="no vapour limits; allowed: 2-propanol, ethanol, acetone"):
        limits_of("water")


@given(
    st.sampled_from(SOLVENTS), st.floats(0.001, 3), st.floats(60, 28_800), st.floats(20, 1_000),
    st.floats(1, 10), st.data(),
)  # fmt: skip
def test_the_ventilation_found_keeps_it_just_under(
    carrier: str, mass_kg: float, spread_s: float, volume_m3: float, mixing: float, data: Any
) -> None:
    """Put back into the model: the limit to 1e-9, never above; none needed, or none is enough."""
    which = data.draw(st.sampled_from(limits_of(carrier)))
    vapour = Vapour(Spread(carrier, mass_kg, spread_s), BayAir(volume_m3, 7, mixing))
    needed = changes_needed(vapour, which.over, which.ppm)

    def at(changes: float) -> float:
        air = vapour.air._replace(changes_per_h=changes)
        return vapour._replace(air=air).worst_ppm(which.over)

    assert at(MOST_CHANGES) >= vapour.near_mean_ppm(which.over) * (1 - 1e-9)
    if needed is None:
        assert at(MOST_CHANGES) > which.ppm
    elif needed == 0:
        assert at(0) <= which.ppm
    else:
        assert at(needed) <= which.ppm
        assert at(needed) == pytest.approx(which.ppm, rel=1e-9)
        assert at(needed * 0.99) > which.ppm


def test_where_the_panel_alone_is_over_no_bay_ventilation_helps() -> None:
    """Half a litre in five minutes: the near field is over 10 % of the LEL by itself."""
    vapour = Vapour(Spread("2-propanol", 0.4, 300), BayAir(20_000, 0))
    assert vapour.near_ppm > 2_000
    assert changes_needed(vapour, "moment", 2_000) is None


def test_heat_of_a_known_flow() -> None:
    """Density and heat capacity of dry air at 20 °C: rows of the collection (Lemmon, CoolProp)."""
    bay = BayAir(200, 3)
    mass_kg_s = 600 / 3600 * row("density dry air")["value"]
    said = mass_kg_s * row("cp dry air")["value"] * 30
    assert ventilation_heat_w(bay, -10) == pytest.approx(said, rel=0.003)
    assert ventilation_heat_w(bay, 20) == 0
    assert ventilation_heat_w(bay, 31) == 0
    assert ventilation_heat_w(bay._replace(changes_per_h=0), -30) == 0


def test_heat_is_the_enthalpy_difference_of_a_reference_library() -> None:
    """psychrolib: dry-air enthalpy and density, bay at 18 °C, outdoors −25 °C, 1000 m up."""
    psychrolib = pytest.importorskip("psychrolib", reason="reference library; a test extra")
    psychrolib.SetUnitSystem(psychrolib.SI)
    bay = BayAir(260, 4, temp_c=18, pressure_pa=89_875)
    density = psychrolib.GetDryAirDensity(18, 89_875)
    enthalpy = psychrolib.GetDryAirEnthalpy(18) - psychrolib.GetDryAirEnthalpy(-25)
    said = 260 * 4 / 3600 * density * enthalpy
    assert ventilation_heat_w(bay, -25) == pytest.approx(said, rel=1e-3)


@pytest.mark.parametrize("outdoor_c", [-61.0, 61.0, float("nan")])
def test_no_heat_for_weather_that_is_none(outdoor_c: float) -> None:
    with pytest.raises(InputError, match=r"outdoor temperature is .*allowed is −60 to 60 °C"):
        ventilation_heat_w(BayAir(200, 3), outdoor_c)
