"""Contrast of what the history board adds, computed from the style sheets' own colours.

Source: WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (shapes 3:1).
"""

from __future__ import annotations

import re

import pytest

from envmon_boards.app import ASSETS
from tests.test_wall_contrast import contrast, themes

TEXT = [
    *[(f"line-{name}", ground) for name in ("air", "panel", "dew", "water", "outdoor")
      for ground in ("panel", "lane")],
    *[("ink", ground) for ground in ("lane", "key", "line", "band")],
    *[(kind, "panel") for kind in ("unknown", "unfit")],
    ("soft", "panel"), ("soft", "lane"), ("ground", "ink"),
]  # fmt: skip
SHAPES = [
    *[(f"line-{name}", "band") for name in ("air", "panel", "dew", "water", "outdoor")],
    ("unfit", "lane"), ("unknown", "lane"), ("edge", "key"),
]  # fmt: skip


def colours_of(theme: str) -> dict[str, str]:
    css = (ASSETS / "look_e_history.css").read_text(encoding="utf-8")
    found = dict(themes()[theme])
    for head, body in re.findall(r"(:root[^{]*)\{([^}]*)\}", css):
        if ("light" in head) == (theme == "light"):
            found |= dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", body))
    return found


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize(("front", "back"), TEXT)
def test_text_is_at_least_aa(theme: str, front: str, back: str) -> None:
    colours = colours_of(theme)
    assert contrast(colours[front], colours[back]) >= 4.5


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize(("front", "back"), SHAPES)
def test_marks_stand_out(theme: str, front: str, back: str) -> None:
    colours = colours_of(theme)
    assert contrast(colours[front], colours[back]) >= 3.0
