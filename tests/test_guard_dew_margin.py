"""The guard's dew margin held against values from outside the project.

Sources: fixtures/check/moist_air_grid.csv, columns Tsat_pl_C (psychrolib 2.5.0) and Tsat_ref_C
(IAPWS); above 0.01 °C air temperature its RH is over liquid water, and its saturation
temperature is the dew point at 0 °C and above, the frost point below. Tolerance 0.03 K (between
good libraries). 20 °C and 45 % give 7.7 °C: common practice. 3 K rule: ISO 12944-7 and
ISO 8502-4 (from memory).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from envmon.facts import Flag
from tests.guard_support import Bench, reading

GRID = Path(__file__).parent.parent / "fixtures" / "check" / "moist_air_grid.csv"


def grid() -> list[dict[str, float]]:
    """Return air temperature, RH and saturation temperature of the states over 0 °C."""
    with GRID.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if float(row["T_C"]) > 0.01]
    assert {row["RH_basis"] for row in rows} == {"water"}
    names = ("T_C", "RH_pct", "Tsat_pl_C", "Tsat_ref_C")
    return [{name: float(row[name]) for name in names} for row in rows]


def margin_of(air_c: float, rh_pct: float, panel_c: float) -> float:
    bench = Bench()
    bench.air(air_c, 0, rh_pct)
    bench.panel(panel_c, 0)
    margin = bench.live().conditions["dew_margin_k"].value
    assert margin is not None
    return margin


def test_margin_over_the_dew_point_follows_two_references_over_the_grid() -> None:
    rows = [row for row in grid() if row["Tsat_pl_C"] > 0.01]
    assert len(rows) > 50
    for row in rows:
        got = margin_of(row["T_C"], row["RH_pct"], row["Tsat_pl_C"] + 5)
        assert got == pytest.approx(5.0, abs=0.03), row
        reference = row["Tsat_pl_C"] + 5 - row["Tsat_ref_C"]
        assert got == pytest.approx(reference, abs=0.03), row


def test_frozen_panel_is_held_against_the_frost_point_over_the_grid() -> None:
    rows = [row for row in grid() if row["Tsat_pl_C"] < -0.5]
    assert len(rows) > 10
    for row in rows:
        got = margin_of(row["T_C"], row["RH_pct"], row["Tsat_pl_C"] + 0.25)
        assert got == pytest.approx(0.25, abs=0.03), row


@pytest.mark.parametrize(
    ("panel_c", "expected"),
    [(7.5, "unfit"), (10.6, "unfit"), (10.8, "marginal"), (11.6, "marginal"), (11.9, "fit")],
)
def test_three_kelvin_rule_at_20_c_and_45_pct(panel_c: float, expected: str) -> None:
    """Dew point 7.7 °C: 3 K above is 10.7 °C, and the margin of 1 K ends at 11.7 °C."""
    bench = Bench()
    bench.air(20, 0, 45)
    bench.panel(20, 0)
    bench.panel(panel_c, 1)
    assert bench.reason("early_cure", "dew_margin_k").fitness == expected


def test_cold_car_in_a_warm_bay_is_wet_until_it_passes_the_dew_point() -> None:
    """Common practice: a car from −15 °C in a bay at 20 °C and 45 % is under 7.7 °C for long."""
    bench = Bench()
    bench.air(20, 0, 45)
    said = {}
    for at_s, panel_c in enumerate((-15.0, 0.0, 7.6, 7.8, 9.1)):
        bench.panel(panel_c, at_s)
        said[panel_c] = bench.reason("drying", "dew_margin_k").fitness
    # 7.8 is back by 0.1 K only (deadband 0.3 K); 9.1 is 1.4 K above, past margin and deadband.
    assert said == {-15.0: "unfit", 0.0: "unfit", 7.6: "unfit", 7.8: "unfit", 9.1: "fit"}


@pytest.mark.parametrize("rh_pct", [0.0, 1e-200])
def test_air_without_any_water_is_a_broken_sensor(rh_pct: float) -> None:
    bench = Bench()
    bench.air(20, 0, rh_pct)
    bench.panel(20, 0)
    conditions = bench.live().conditions
    assert (conditions["dew_point_c"].value, conditions["dew_point_c"].quality) == (None, "suspect")
    assert bench.reason("early_cure", "dew_margin_k").fitness == "unknown"
    assert bench.reason("early_cure", "dew_margin_k").text == (
        "panel above dew point: not known without humidity"
    )


def test_margin_is_unknown_without_any_one_of_its_three_sources() -> None:
    everything = {"air_temp_c": 20.0, "rel_hum_pct": 45.0, "panel_temp_c": 15.0}
    for missing, label in (
        ("air_temp_c", "air"), ("rel_hum_pct", "humidity"), ("panel_temp_c", "panel"),
    ):  # fmt: skip
        bench = Bench()
        for quantity, value in everything.items():
            point = "panel" if quantity == "panel_temp_c" else "air-a"
            flag = Flag.RANGE if quantity == missing else Flag.GOOD
            bench.take([reading(point, quantity, value, 0, flag=flag)])
        reason = bench.reason("early_cure", "dew_margin_k")
        assert (reason.fitness, reason.value) == ("unknown", None)
        assert reason.text == f"panel above dew point: not known without {label}"


def test_disagreeing_air_makes_the_margin_marginal_at_best() -> None:
    bench = Bench()
    bench.air(18, 0, 45)
    bench.take([reading("air-b", "air_temp_c", 24, 0)])
    bench.panel(20, 0)
    assert bench.reason("early_cure", "dew_margin_k").fitness == "marginal"
