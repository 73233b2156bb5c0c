"""Contrast of both themes, computed from the style sheet's own colours.

Source: WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (shapes 3:1), and its
definition of relative luminance.
"""

from __future__ import annotations

import re
from functools import cache

import pytest

from envmon_boards.app import ASSETS

KINDS = ("fit", "marginal", "unfit", "notyet", "unknown", "none")
TEXT = [
    *[(name, ground) for name in ("ink", "soft", *KINDS) for ground in ("ground", "panel")],
    *[("on-plate", kind) for kind in KINDS],
    ("on-alarm", "alarm"),
    *[
        (urgent, ground)
        for urgent in ("alarm", "marginal", "notyet")
        for ground in ("ground", "panel")
    ],
    ("ground", "ink"),
    *[(f"line-{name}", "panel") for name in ("air", "panel", "dew")],
]
URGENT = [("alarm", "on-alarm"), ("marginal", "on-plate"), ("notyet", "on-plate")]
SHAPES = [
    *URGENT,
    ("edge", "ground"),
    ("ink", "line"),
    ("edge", "panel"),
    ("line-air", "band"),
    ("ink", "band"),
]


@cache
def themes() -> dict[str, dict[str, str]]:
    css = (ASSETS / "look_a_tokens.css").read_text(encoding="utf-8")
    found = {}
    for head, body in re.findall(r"(:root[^{]*)\{([^}]*)\}", css):
        name = "light" if "light" in head else "dark"
        found[name] = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", body))
    return found


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_against_its_known_ends() -> None:
    """Black on white is 21:1; #767676 on white is the well-known edge of 4.5:1 (WCAG)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert 4.5 <= contrast("#767676", "#ffffff") < 4.6
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize(("front", "back"), TEXT)
def test_text_is_at_least_aa(theme: str, front: str, back: str) -> None:
    colours = themes()[theme]
    assert contrast(colours[front], colours[back]) >= 4.5


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize(("front", "back"), SHAPES)
def test_marks_stand_out(theme: str, front: str, back: str) -> None:
    colours = themes()[theme]
    assert contrast(colours[front], colours[back]) >= 3.0


def test_nothing_is_loaded_from_elsewhere() -> None:
    for sheet in ASSETS.glob("*.css"):
        text = sheet.read_text(encoding="utf-8")
        assert "@import" not in text
        assert all(
            not link.startswith(("http", "//")) for link in re.findall(r'url\("(.*?)"', text)
        )


def test_each_priority_has_a_colour_of_its_own_and_text_to_go_with_it() -> None:
    css = (ASSETS / "look_a_tokens.css").read_text(encoding="utf-8")
    rule = (
        r'\[data-priority="(\w+)"\] \{ --urgent: var\(--([\w-]+)\); --on-urgent: var\(--([\w-]+)\)'
    )
    given = re.findall(rule, css)
    assert [rank for rank, _, _ in given] == ["high", "medium", "low"]
    assert [(urgent, on) for _, urgent, on in given] == URGENT
