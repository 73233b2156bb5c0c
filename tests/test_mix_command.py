"""``envmon mix``: exit codes, and JSON alone on stdout. Every run is a process of its own.

Source of exit codes and streams: the fixed interfaces of the design (ours). Worked values of the
trade are common practice.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest


def envmon_mix(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "envmon.cli", "mix", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def answer(*arguments: str, code: int = 0) -> dict[str, Any]:
    ran = envmon_mix(*arguments, "--json")
    assert (ran.returncode, ran.stderr) == (code, "")
    document = json.loads(ran.stdout)
    assert isinstance(document, dict)
    assert document["possible"] == (code == 0)
    assert document["cautions"]
    return document


def test_ratio_gives_share_and_amounts_in_si() -> None:
    found = answer("ratio", "1:9", "--total", "1 l")
    assert found["share_pct"] == pytest.approx(10)
    assert found["water_parts"] == pytest.approx(9)
    assert (found["concentrate_l"], found["water_l"]) == pytest.approx((0.1, 0.9))


def test_five_fl_oz_in_four_gallons() -> None:
    """1:102.4 (common practice)."""
    found = answer("ratio", "--concentrate", "5 fl oz", "--water", "4 gal", "--units", "us")
    assert found["water_parts"] == pytest.approx(102.4)
    back = answer("ratio", "1:102.4", "--water", "4 gal")
    assert back["concentrate_l"] == pytest.approx(found["concentrate_l"])
    again = answer("ratio", "1:102.4", "--concentrate", "5 fl oz")
    assert again["water_l"] == pytest.approx(found["water_l"])


def test_panel_impact_ratio_both_ways() -> None:
    """5 % through 1:9 is 50 % in the bottle (common practice)."""
    there = answer("pir", "5 %", "--lance", "9", "--bottle", "1 l")
    assert there["bottle_share_pct"] == pytest.approx(50)
    assert there["concentrate_l"] == pytest.approx(0.5)
    back = answer("pir", "--in-bottle", "1:1", "--flow", "10", "--draw", "1")
    assert back["impact_ratio_pct"] == pytest.approx(5)


def test_an_impossible_aim_is_exit_1_with_its_reason_on_stdout() -> None:
    found = answer("pir", "15 %", "--lance", "9", code=1)
    assert found["bottle_share_pct"] == pytest.approx(150)
    assert "cannot be reached" in found["why_not"]
    ran = envmon_mix("pir", "15 %", "--lance", "9")
    assert (ran.returncode, ran.stderr) == (1, "")
    assert ran.stdout.startswith("15 % on the panel cannot be reached with this lance")


def test_blend_and_its_impossible_aim() -> None:
    found = answer("blend", "--hot", "60", "--cold", "8", "--want", "40", "--total", "20 l")
    assert found["water_temp_c"] == pytest.approx(40)
    poured = answer(
        *("blend", "--hot", "60", "--cold", "8", "--hot-amount", f"{found['hot_l']} l"),
        *("--cold-amount", f"{found['cold_l']} l"),
    )
    assert poured["water_temp_c"] == pytest.approx(40)
    nowhere = answer(
        "blend", "--hot", "35", "--cold", "8", "--want", "40", "--total", "20 l", code=1
    )
    assert "cannot be blended" in nowhere["why_not"]


def test_lines_to_read_are_in_the_units_asked_for() -> None:
    us = envmon_mix(
        *("blend", "--hot", "140", "--cold", "46", "--want", "104", "--total", "5 gal"),
        *("--units", "us"),
    )
    assert us.returncode == 0
    assert "°F" in us.stdout
    assert "°C" not in us.stdout
    assert "gal (" in us.stdout
    metric = envmon_mix("ratio", "1:10", "--total", "500 ml")
    assert "45.5 ml (1.54 fl oz)" in metric.stdout


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("ratio", "ten"), "allowed is a ratio such as 1:10"),
        (("ratio", "1:10", "--total", "5"), "with its unit"),
        (("ratio",), "give a ratio"),
        (("pir", "5 %"), "how the lance draws"),
        (("blend", "--hot", "60"), "--cold"),
        (("blend", "--hot", "160", "--cold", "8", "--want", "40", "--total", "5 l"), "0 to 99 °C"),
        (("stir",), "stir"),
        (("ratio", "1:10", "--units", "ells"), "ells"),
        (("resin", "nothing.toml", "--bay", "north"), "nothing.toml"),
    ],
)
def test_bad_use_is_exit_2_and_says_what_is_allowed(arguments: tuple[str, ...], part: str) -> None:
    ran = envmon_mix(*arguments)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert part in ran.stderr
    assert "Traceback" not in ran.stderr


def test_help_names_what_there_is() -> None:
    ran = envmon_mix("--help")
    assert ran.returncode == 0
    for command in ("ratio", "pir", "blend", "resin"):
        assert command in ran.stdout
