"""``envmon air``: what scripts rely on. Every run is a process of its own, as for a user."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any, NoReturn

import pytest

WORD_LIST = {
    "dew_point_c",
    "frost_point_c",
    "wet_bulb_c",
    "humidity_ratio_kg_kg",
    "vapour_pressure_pa",
}


def envmon_air(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "envmon.cli", "air", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def _no_constant(name: str) -> NoReturn:
    raise AssertionError(f"{name} is no JSON")


def answer(*arguments: str) -> dict[str, Any]:
    """Run with ``--json`` and return the one document that stdout has to be, all of it."""
    ran = envmon_air(*arguments, "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    document = json.loads(ran.stdout, parse_constant=_no_constant)
    assert isinstance(document, dict)
    return document


def refusal(*arguments: str) -> str:
    """Return what is said on stderr when the command refuses with exit code 2."""
    ran = envmon_air(*arguments)
    assert (ran.returncode, ran.stdout) == (2, "")
    return ran.stderr


def test_json_has_the_word_list_in_si() -> None:
    """20 °C, 60 %, 101 325 Pa: psychrolib 2.5.0 in fixtures/check/moist_air_grid.csv."""
    found = answer("--temp", "20", "--rh", "60")
    assert found.keys() >= WORD_LIST
    assert found["dew_point_c"] == pytest.approx(12.00746989, abs=0.03)
    assert found["frost_point_c"] == found["dew_point_c"]
    assert found["wet_bulb_c"] == pytest.approx(15.1436989, abs=0.05)
    assert found["humidity_ratio_kg_kg"] == pytest.approx(0.008734481149, rel=8e-3)
    assert found["vapour_pressure_pa"] == pytest.approx(1403.28222, rel=8e-3)
    assert found["air_pressure_pa"] == pytest.approx(101_325, abs=1)


def test_bay_air_has_the_trade_s_dew_point() -> None:
    """7.7 °C at 20 °C and 45 % RH (common practice)."""
    assert answer("--temp", "20", "--rh", "45")["dew_point_c"] == pytest.approx(7.7, abs=0.05)


def test_cold_air_has_a_frost_point_above_its_dew_point() -> None:
    """−10 °C frost for −11.23 °C dew: Murphy and Koop, grid row −10 °C, 100 % over ice."""
    rel_hum_over_water = 100 * 259.8738108 / 286.452971
    found = answer("--temp", "-10", "--rh", f"{rel_hum_over_water:.6f}")
    assert found["frost_point_c"] == pytest.approx(-10, abs=0.03)
    assert found["dew_point_c"] == pytest.approx(-11.22588793, abs=0.03)


def test_altitude_sets_the_pressure() -> None:
    """89 875 Pa at 1000 m: ASHRAE Fundamentals 2017, ch. 1, Table 1."""
    low, high = (answer("--temp", "20", "--rh", "60", "--altitude", m) for m in ("0", "1000"))
    assert high["air_pressure_pa"] == pytest.approx(89_875, abs=1)
    assert high["humidity_ratio_kg_kg"] > low["humidity_ratio_kg_kg"]
    assert high["dew_point_c"] == low["dew_point_c"]


def test_us_units_in_give_the_same_si_out() -> None:
    """68 °F, 50 °F and 5000 ft are 20 °C, 10 °C and 1524 m by definition of the units."""
    us = answer(
        *("--temp", "68", "--rh", "45", "--panel", "50", "--altitude", "5000"), "--units", "us"
    )
    metric = answer("--temp", "20", "--rh", "45", "--panel", "10", "--altitude", "1524")
    assert us.keys() == metric.keys()
    for name, value in metric.items():
        assert us[name] == (value if isinstance(value, str) else pytest.approx(value, abs=1e-9))


@pytest.mark.parametrize(
    ("panel", "verdict"), [("15", "dry"), ("9", "at_risk"), ("5", "wet"), ("-5", "frost")]
)
def test_panel_gives_a_margin_and_a_verdict(panel: str, verdict: str) -> None:
    """Air of 20 °C and 45 % has its dew point at 7.7 °C (common practice)."""
    found = answer("--temp", "20", "--rh", "45", "--panel", panel)
    assert found["panel_temp_c"] == float(panel)
    assert found["dew_margin_k"] == pytest.approx(float(panel) - 7.7, abs=0.05)
    assert found["condensation"] == verdict


def test_without_a_panel_nothing_is_said_about_one() -> None:
    found = answer("--temp", "20", "--rh", "45")
    assert found["panel_temp_c"] is None
    assert not {"dew_margin_k", "condensation"} & found.keys()


def test_sensor_reading_over_100_percent_is_answered_as_it_stands() -> None:
    """0.49 K above the air for 103 %: Magnus with WMO's constants, 17.62 and 243.12 °C."""
    found = answer("--temp", "20", "--rh", "103")
    assert found["rel_hum_pct"] == 103
    assert found["dew_point_c"] == pytest.approx(20.48, abs=0.03)


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (("--temp", "85", "--rh", "45"), ("temperature is 85 °C", "−60 to 80 °C")),
        (("--temp", "nan", "--rh", "45"), ("temperature is nan", "−60 to 80 °C")),
        (("--temp", "20", "--rh", "0"), ("relative humidity is 0 %", "above 0 to 100 %")),
        (("--temp", "20", "--rh", "104"), ("relative humidity is 104 %", "103 %")),
        (("--temp", "20", "--rh", "45", "--altitude", "9000"), ("altitude is 9000 m", "4000 m")),
        (("--temp", "20", "--rh", "45", "--panel", "500"), ("500 °C", "allowed is")),
        (
            ("--temp", "500", "--rh", "45", "--units", "us"),
            ("500 °F", "−76 to 176 °F: correct --t"),
        ),
        (
            ("--temp", "68", "--rh", "45", "--units", "us", "--altitude", "20000"),
            ("altitude is 20000 ft", "−1640 to 13123 ft"),
        ),
        (
            ("--temp", "68", "--rh", "45", "--units", "us", "--panel", "400"),
            ("panel is 400 °F", "−76 to 248 °F"),
        ),
        (("--temp", "20"), ("--rh",)),
        (("--temp", "warm", "--rh", "45"), ("--temp", "number")),
        (("--temp", "20", "--rh", "45", "--units", "ells"), ("--units", "ells")),
    ],
)
def test_bad_input_ends_with_2_and_says_what_is_allowed(
    arguments: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    said = refusal(*arguments, "--json")
    assert "Traceback" not in said
    for part in parts:
        assert part in said


@pytest.mark.parametrize(
    ("panel", "words"),
    [("15", "dry"), ("9", "under the 3 K rule"), ("5", "water settles"), ("-5", "frost settles")],
)
def test_every_verdict_has_its_words(panel: str, words: str) -> None:
    """The same four panels as above, for people."""
    ran = envmon_air("--temp", "20", "--rh", "45", "--panel", panel)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert words in ran.stdout


def test_lines_to_read_are_in_the_units_asked_for() -> None:
    """7.7 °C (common practice) is 45.9 °F."""
    metric = envmon_air("--temp", "20", "--rh", "45", "--panel", "15")
    us = envmon_air("--temp", "68", "--rh", "45", "--panel", "59", "--units", "us")
    assert (metric.returncode, us.returncode) == (0, 0)
    assert "7.7 °C" in metric.stdout
    assert "g/kg" in metric.stdout
    assert "45.8 °F" in us.stdout or "45.9 °F" in us.stdout
    assert "gr/lb" in us.stdout
    assert "°C" not in us.stdout
    for ran in (metric, us):
        assert "3 K" in ran.stdout
        assert "ISO 12944-7" in ran.stdout
