"""Estimates are said with no more digits than they deserve.

Two figures that count are common practice for estimates.
"""

from __future__ import annotations

from datetime import date

import pytest

from envmon.heating.changes import Change, said
from envmon.heating.signature import Interval
from envmon.heating.words import Words, about


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (878.65, "880"), (21.03, "21"), (3.24, "3.2"), (9.97, "10"), (0.4321, "0.4"), (0.0, "0"),
        (0.00004, "0"), (99.6, "100"), (14_930.0, "15\u202f000"), (-21.4, "−21"),
    ],
)  # fmt: skip
def test_an_estimate_has_two_figures_that_count(value: float, text: str) -> None:
    assert about(value) == text


def test_estimated_money_has_no_cents_it_cannot_know() -> None:
    assert Words("metric", "NOK").about_money(878.65) == "NOK 880"
    assert Words("us", "USD").about_money(3.246) == "USD 3.2"
    assert Words("metric", "JPY", 0).about_money(3.246) == "JPY 3"


def test_a_change_known_to_the_day_names_one_day() -> None:
    day = date(2026, 1, 12)
    one = Change(day, day, day, 0.3, Interval(0.28, 0.31), "slope", 0.0)
    assert said(one).startswith("From about 12 Jan 2026 the same weather takes 30 % more (28 to")
    wide = one._replace(late=date(2026, 1, 14))
    assert said(wide).startswith("From about 12 Jan 2026 (12 Jan to 14 Jan) the same weather")
