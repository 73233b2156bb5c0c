"""Vapour of a work in a bay: the closed form against integration, textbook formulas and laws."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.physics.carriers import carrier_of
from envmon.physics.solvent import (
    CAUTIONS,
    MIXING,
    PANEL_FLOW_M3_S,
    BayAir,
    Spread,
    Vapour,
    ensure_workable,
    falling_root,
    vapour_volume_m3,
)
from envmon.physics.solvent_limits import SOLVENTS, WINDOW_S

TABLE = Path(__file__).parents[1] / "fixtures" / "check" / "handbook_values.json"
WIPE = Spread("2-propanol", 0.05, 1_200)
BAY = BayAir(200, 3)

changes = st.one_of(st.just(0.0), st.floats(1e-6, 60))
spreads = st.builds(Spread, st.sampled_from(SOLVENTS), st.floats(1e-3, 2), st.floats(30, 28_800))
airs = st.builds(
    BayAir, st.floats(20, 2_000), changes, st.floats(1, 10), st.floats(0, 45),
    st.floats(65_000, 105_000),
)  # fmt: skip
works = st.builds(Vapour, spreads, airs)
OVERS: Any = st.sampled_from(sorted(WINDOW_S))


def integrated(vapour: Vapour, until_s: float, steps: int = 4_000) -> tuple[float, float]:
    """Return the bay's vapour [ppm] and the integral of it [ppm s], by Runge and Kutta.

    The balance itself is integrated: what evaporates comes in, the ventilation takes out.
    """
    air, end_s = vapour.air, vapour.spread.spread_s
    source = vapour_volume_m3(*vapour) / end_s / air.volume_m3
    loss = air.changes_per_h / 3600 / air.mixing

    def rate(x: float, *, spreading: bool) -> float:
        return (source if spreading else 0.0) - loss * x

    x = total = 0.0
    for begin, end in ((0.0, min(end_s, until_s)), (end_s, until_s)):
        step = (end - begin) / steps
        for _ in range(steps if step > 0 else 0):
            on = begin < end_s
            k1 = rate(x, spreading=on)
            k2 = rate(x + step / 2 * k1, spreading=on)
            k3 = rate(x + step / 2 * k2, spreading=on)
            k4 = rate(x + step * k3, spreading=on)
            later = x + step / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
            middle = x + step / 24 * (5 * k1 + 4 * k2 + 4 * k3 - k4)
            total += step / 6 * (x + 4 * middle + later)
            x = later
    return 1e6 * x, 1e6 * total


@pytest.mark.parametrize("changes", [0.0, 1e-4, 0.5, 3.0, 60.0])
@pytest.mark.parametrize("until_s", [300.0, 1_200.0, 5_000.0, 28_800.0])
def test_closed_form_is_the_integrated_balance(changes: float, until_s: float) -> None:
    """No outside library: the differential equation, step by step."""
    vapour = Vapour(WIPE, BAY._replace(changes_per_h=changes))
    ppm, total = integrated(vapour, until_s)
    assert vapour.bay_ppm(until_s) == pytest.approx(ppm, rel=1e-6, abs=1e-9)
    near = vapour.near_ppm * min(until_s, WIPE.spread_s)
    assert vapour.mean_ppm(0, until_s) * until_s == pytest.approx(total + near, rel=1e-5)


@given(works)
def test_nothing_is_lost(vapour: Vapour) -> None:
    """What is in the bay and what the ventilation has taken out is what evaporated."""
    until_s = 3 * vapour.spread.spread_s
    near = vapour.near_ppm * vapour.spread.spread_s
    taken_out = vapour.renewal_per_s * (vapour.mean_ppm(0, until_s) * until_s - near)
    whole = 1e6 * vapour_volume_m3(*vapour) / vapour.air.volume_m3
    assert vapour.bay_ppm(until_s) + taken_out == pytest.approx(whole, rel=1e-6)


def test_without_ventilation_all_of_it_stays() -> None:
    """2.458 mg/m³ per ppm at 25 °C: row of the check collection, with 24.45 l/mol rounded."""
    rows = json.loads(TABLE.read_text())
    (mg_per_ppm,) = [r["value"] for r in rows if r["quantity"] == "ppm to mg/m3 2-propanol"]
    still = Vapour(WIPE, BayAir(200, 0, temp_c=25))
    for t_s in (1_200.0, 9_999.0):
        assert still.bay_ppm(t_s) == pytest.approx(50_000 / 200 / mg_per_ppm, rel=1e-3)
    assert still.flush_s == math.inf


def test_steady_state_is_the_dilution_formula_of_industrial_ventilation() -> None:
    """Q [cfm] = 403 · SG · ER [pint/min] · K · 1e6/(M · C), at 70 °F: ACGIH (from memory)."""
    pint_l, foot_m = 0.473176473, 0.3048
    for name in SOLVENTS:
        carrier, pints_min, mixing = carrier_of(name), 0.02, 4.0
        mass_kg = pints_min * pint_l * carrier.density_kg_l * 8 * 60
        air = BayAir(60, 40, mixing, temp_c=(70 - 32) / 1.8)
        found = Vapour(Spread(name, mass_kg, 8 * 3600), air).bay_ppm(8 * 3600)
        cfm = air.volume_m3 * air.changes_per_h / 60 / foot_m**3
        specific = carrier.density_kg_l / 0.998
        said = 403 * specific * pints_min * mixing * 1e6 / (1000 * carrier.molar_mass * cfm)
        assert found == pytest.approx(said, rel=0.005), name


def test_air_at_the_panel_is_richer_only_while_it_is_spread() -> None:
    """Near field: flow of vapour over flow of air (Nicas 1996, from memory)."""
    vapour = Vapour(WIPE, BAY)
    litres_min = 60_000 * vapour_volume_m3(WIPE, BAY) / WIPE.spread_s
    assert vapour.near_ppm == pytest.approx(1e6 * litres_min / 1000 / 7, rel=1e-9)
    half_surface, speed_m_s = math.pi * 0.8**2, 0.06
    assert pytest.approx(half_surface * speed_m_s, rel=0.05) == PANEL_FLOW_M3_S
    for t_s, there in ((600.0, True), (1_200.0, True), (1_200.1, False)):
        richer = vapour.panel_ppm(t_s) - vapour.bay_ppm(t_s)
        assert richer == pytest.approx(vapour.near_ppm if there else 0, abs=1e-9)


@given(works, OVERS)
def test_the_worst_mean_is_worse_than_any_other(vapour: Vapour, over: Any) -> None:
    window_s = WINDOW_S[over]
    worst = vapour.worst_ppm(over)
    starts = np.linspace(0, 2 * vapour.spread.spread_s, 60)
    if window_s:
        others = [vapour.mean_ppm(float(s), float(s) + window_s) for s in starts]
    else:
        others = [vapour.panel_ppm(float(s)) for s in starts]
    assert worst >= max(others) * (1 - 1e-9)
    assert worst <= vapour.panel_ppm(vapour.spread.spread_s) * (1 + 1e-9)


@given(works, OVERS, st.floats(1.1, 3))
def test_what_helps_helps(vapour: Vapour, over: Any, more: float) -> None:
    """More air, a larger bay, less solvent, better mixing: never worse."""
    worst = vapour.worst_ppm(over) * (1 + 1e-9)
    spread, air = vapour
    better = [
        air._replace(changes_per_h=air.changes_per_h * more),
        air._replace(volume_m3=air.volume_m3 * more),
        air._replace(mixing=max(1.0, air.mixing / more)),
    ]
    assert all(Vapour(spread, other).worst_ppm(over) <= worst for other in better)
    less = spread._replace(mass_kg=spread.mass_kg / more)
    assert Vapour(less, air).worst_ppm(over) == pytest.approx(worst / more, rel=1e-6)


@given(st.floats(30, 28_800), st.floats(0, 40_000))
def test_hardly_any_ventilation_is_none(spread_s: float, t_s: float) -> None:
    """The series where differences would cancel meets the formula on both sides."""
    spread = Spread("ethanol", 0.1, spread_s)
    none, hardly = (Vapour(spread, BayAir(100, n)) for n in (0.0, 1e-9))
    assert hardly.bay_ppm(t_s) == pytest.approx(none.bay_ppm(t_s), rel=1e-6)
    for n in (3.59, 3.61):  # λ·3000 s just under and over a thousandth, with mixing 3
        near_joint = Vapour(spread._replace(spread_s=3_000), BayAir(100, n * 1e-3, 3))
        ppm, total = integrated(near_joint, 3_000, 500)
        assert near_joint.bay_ppm(3_000) == pytest.approx(ppm, rel=1e-9)
        sum_ppm_s = (near_joint.mean_ppm(0, 3_000) - near_joint.near_ppm) * 3_000
        assert sum_ppm_s == pytest.approx(total, rel=1e-7)


def test_flush_leaves_a_tenth() -> None:
    vapour = Vapour(WIPE, BAY)
    end_s = WIPE.spread_s
    assert vapour.bay_ppm(end_s + vapour.flush_s) == pytest.approx(vapour.bay_ppm(end_s) / 10)


def test_the_air_holds_no_more_than_its_saturation() -> None:
    """4.2 to 4.4 kPa at 20 °C: six correlations, rows of the check collection."""
    assert 41_500 < Vapour(WIPE, BAY).saturated_ppm < 43_700
    drowned = Vapour(Spread("2-propanol", 2.0, 600), BayAir(10, 0))
    assert drowned.bay_ppm(600) > drowned.saturated_ppm


def test_root_of_a_falling_function() -> None:
    """Put back: −x³ + 2 at the found place is 0 to the last digits, and not above."""
    found = falling_root(lambda x: 2 - x**3, 0.0, 60.0)
    assert 2 - found**3 == pytest.approx(0, abs=1e-14)
    assert 2 - found**3 <= 0
    assert falling_root(lambda x: -1 - x, 0.0, 60.0) == 0.0
    assert falling_root(lambda x: 99 - x, 0.0, 60.0) == 60.0


@pytest.mark.parametrize(
    ("spread", "air", "said"),
    [
        ({"mass_kg": 0.0}, {}, "mass of the carrier is 0 kg; allowed is 0.1 g to 20 kg"),
        ({"mass_kg": math.nan}, {}, "mass of the carrier is nan kg"),
        ({"spread_s": 0.0}, {}, "time of spreading is 0 s; allowed is 10 s to 8 h"),
        ({"spread_s": 40_000.0}, {}, "time of spreading is 40000 s"),
        ({}, {"volume_m3": 2.0}, "volume of the bay is 2 m³; allowed is 5 to 20 000 m³"),
        ({}, {"changes_per_h": -1.0}, "air changes is -1 1/h; allowed is 0 to 60 in an hour"),
        ({}, {"mixing": 0.5}, "mixing factor is 0.5; allowed is 1"),
        ({}, {"temp_c": 80.0}, "bay temperature is 80 °C; allowed is 0 to 45 °C"),
        ({}, {"pressure_pa": 1.0}, "air pressure is 1 Pa"),
        ({"carrier": "water"}, {}, "'water', which has no vapour limits; allowed: 2-propanol"),
        ({"carrier": "petrol"}, {}, "carrier is 'petrol'; there are values for"),
    ],
)
def test_what_cannot_be_worked_out_says_so(
    spread: dict[str, Any], air: dict[str, Any], said: str
) -> None:
    with pytest.raises(InputError) as refused:
        ensure_workable(WIPE._replace(**spread), BAY._replace(**air))
    assert said in str(refused.value)


def test_it_is_conservative_unless_told_otherwise() -> None:
    """ACGIH, Industrial Ventilation: mixing factors of 1 to 10 (from memory)."""
    assert MIXING >= 3
    full = Vapour(WIPE, BAY._replace(mixing=1.0))
    assert Vapour(WIPE, BAY).worst_ppm("shift") > full.worst_ppm("shift")


def test_the_cautions_are_there() -> None:
    """Common practice, deferring to the safety data sheet."""
    text = " ".join(CAUTIONS)
    for words in ("no gas detector", "Ventilate", "flame", "spark", "safety data sheet", "codes"):
        assert words in text
