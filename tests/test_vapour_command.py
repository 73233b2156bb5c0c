"""``envmon vapour``: what scripts rely on. Every run is a process of its own, as for a user."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

from envmon.physics.solvent import BayAir, Spread, Vapour
from envmon.physics.solvent_limits import limits_of

WIPE = ("--over", "20 min", "--volume", "200", "--air", "3")


def envmon_vapour(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "envmon.cli", "vapour", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def answer(*arguments: str, code: int = 0) -> dict[str, Any]:
    """Run with ``--json`` and return the one document that stdout has to be, all of it."""
    ran = envmon_vapour(*arguments, "--json")
    assert (ran.returncode, ran.stderr) == (code, "")
    document = json.loads(ran.stdout)
    assert isinstance(document, dict)
    return document


def test_json_is_si_and_says_what_physics_says() -> None:
    """The physics is held to integration and textbook formulas in tests/test_solvent_vapour.py."""
    found = answer("50 g", *WIPE, "--outdoor", "-10")
    vapour = Vapour(Spread("2-propanol", 0.05, 1_200), BayAir(200, 3))
    assert found["mass_kg"] == pytest.approx(0.05)
    assert found["spread_s"] == 1_200
    assert found["flow_m3_s"] == pytest.approx(600 / 3600)
    assert found["bay_ppm"] == pytest.approx(vapour.bay_ppm(1_200))
    assert found["panel_ppm"] == pytest.approx(vapour.worst_ppm("moment"))
    for said, limit in zip(found["limits"], limits_of("2-propanol"), strict=True):
        assert (said["name"], said["limit_ppm"], said["source"]) == (
            limit.name, limit.ppm, limit.source
        )  # fmt: skip
        assert said["vapour_ppm"] == pytest.approx(vapour.worst_ppm(limit.over))
        assert said["met"] == (said["vapour_ppm"] <= limit.ppm)
    energy_kwh = found["heat_w"] * found["kept_up_s"] / 3.6e6
    assert found["heat_kwh"] == pytest.approx(energy_kwh)
    assert found["heat_w"] == pytest.approx(600 / 3600 * 1.2046 * 1006.1 * 30, rel=0.003)
    course = found["course"]
    assert max(course["bay_ppm"]) == pytest.approx(found["bay_ppm"])
    assert max(course["panel_ppm"]) == pytest.approx(found["panel_ppm"])
    assert course["t_s"] == sorted(course["t_s"])


def test_us_units_in_give_the_same_si_out() -> None:
    """68 °F, 14 °F are 20 and −10 °C; a foot is 0.3048 m, an ounce 28.349523125 g by definition."""
    feet, ounces = 200 / 0.3048**3, 50 / 28.349523125
    us = answer(
        f"{ounces:.9f} oz", "--over", "20", "--volume", f"{feet:.6f}", "--air", "3", "--temp", "68",
        "--outdoor", "14", "--altitude", "1000", "--units", "us",
    )  # fmt: skip
    metric = answer("50 g", *WIPE, "--outdoor", "-10", "--altitude", "304.8")
    assert us.keys() == metric.keys()
    for name, value in metric.items():
        if isinstance(value, float):
            assert us[name] == pytest.approx(value, rel=1e-6), name


def test_over_a_limit_ends_with_1_and_says_what_it_takes() -> None:
    """Put back: with the air it asks for, nothing is over, and a little less air is too little."""
    much = ("200 ml", "--over", "60 min", "--volume", "120", "--share", "100 %")
    found = answer(*much, "--air", "0.5", code=1)
    needed = found["air_changes_needed_per_h"]
    assert needed > 0.5
    assert found["under_all"] is False
    assert answer(*much, "--air", f"{needed:.9f}1")["under_all"] is True
    answer(*much, "--air", f"{0.98 * needed:.6f}", code=1)
    text = envmon_vapour(*much, "--air", "0.5").stdout
    assert "ventilate with" in text.splitlines()[0]
    assert "Spread over longer, or less" in text


def test_what_no_ventilation_can_do_is_said() -> None:
    found = answer("500 ml", *WIPE[:1], "2 min", *WIPE[2:], "--outdoor", "-10", code=1)
    assert found["air_changes_needed_per_h"] is None
    lel = found["limits"][-1]
    assert (lel["air_changes_needed_per_h"], lel["flow_needed_m3_s"], lel["heat_needed_w"]) == (
        None, None, None
    )  # fmt: skip
    assert found["explosive"] is False
    text = envmon_vapour("500 ml", *WIPE[:1], "2 min", *WIPE[2:]).stdout
    assert "no ventilation of the bay is enough" in text
    assert "draw it off there" in text


def test_air_that_can_explode_is_said_first() -> None:
    """2 % by volume, 20 000 ppm: IEC 60079-20-1 and NFPA 497, a row of the check collection."""
    found = answer("1 l", *WIPE[:1], "2 min", *WIPE[2:], code=1)
    assert found["panel_ppm"] > 20_000
    assert found["explosive"] is True
    text = envmon_vapour("4 l", *WIPE[:1], "2 min", *WIPE[2:]).stdout
    assert text.startswith("Can explode at the panel; over OSHA PEL")
    assert "air holds no more than 4" in text


def test_without_outdoor_temperature_no_heat_is_made_up() -> None:
    found = answer("50 g", *WIPE)
    assert (found["outdoor_temp_c"], found["heat_w"], found["heat_kwh"]) == (None, None, None)
    assert "not known without the outdoor temperature" in envmon_vapour("50 g", *WIPE).stdout


def test_lines_to_read_carry_sources_cautions_and_what_is_left_out() -> None:
    ran = envmon_vapour("50 g", *WIPE, "--outdoor", "14 °F")
    assert (ran.returncode, ran.stderr) == (0, "")
    for words in (
        "29 CFR 1910.1000", "NIOSH", "ACGIH TLVs (from memory)", "IEC 60079-20-1:2010",
        "no gas detector", "safety data sheet", "no flame", "Left out", "Sensible heat",
        "600 m³/h", "−10 °C outdoors",
    ):  # fmt: skip
        assert words in ran.stdout, words


def test_us_lines_are_in_us_units() -> None:
    ran = envmon_vapour(
        "2 fl oz", "--over", "20", "--volume", "7000", "--air", "3", "--outdoor", "14",
        "--units", "us",
    )  # fmt: skip
    assert (ran.returncode, ran.stderr) == (0, "")
    for words in ("1.64 oz 2-propanol", "350 cfm", "14 °F", "BTU/h"):
        assert words in ran.stdout, words
    assert "°C" not in ran.stdout
    assert "m³" not in ran.stdout


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (("2 ells", *WIPE), ("amount is '2 ells'", "60 ml, 2 fl oz, 50 g")),
        (("50 g", *WIPE[:4], "--air", "900"), ("air changes is 900", "0 to 60")),
        (("-5 ml", *WIPE), ("No such option",)),
        (("50 g", *WIPE, "--units", "ells"), ("--units", "ells")),
        (("50 g", *WIPE[:4]), ("--air",)),
        (WIPE, ("Missing argument",)),
    ],
)
def test_bad_input_ends_with_2_and_says_what_is_allowed(
    arguments: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    ran = envmon_vapour(*arguments, "--json")
    assert (ran.returncode, ran.stdout) == (2, "")
    assert "Traceback" not in ran.stderr
    for part in parts:
        assert part in ran.stderr
