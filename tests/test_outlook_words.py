"""One line for a wall: no finer than it is known, counts down, and does not flicker."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import MINUTE_US, SECOND_US
from envmon.outlook.model import Said, Span
from envmon.outlook.words import rounded, said_of, text_of
from tests.outlook_support import START_US


@pytest.mark.parametrize(
    ("turns", "span", "text"),
    [
        ("enters", (35.0, 31.0, 41.0), "fit in about 35 min"),
        ("enters", (33.0, 22.0, 51.0), "fit in 20–50 min"),
        ("enters", (2.0, 0.0, 9.0), "fit in a few minutes"),
        ("enters", (60.0, 31.0, 92.0), "fit in 30–90 min"),
        ("enters", (100.0, 48.0, 170.0), "fit in 50 min to 3 h"),
        ("enters", (70.0, 40.0, None), "fit in 70 min or later"),
        ("enters", (None, 50.0, None), "not fit before 50 min, perhaps much later"),
        ("enters", (None, 5.0, None), "not fit yet, perhaps for long"),
        ("enters", (None, 130.0, None), "not fit within 3 h"),
        ("enters", (None, None, None), "not fit within 3 h"),
        ("leaves", (25.0, 20.0, 30.0), "closing in about 25 min"),
        ("leaves", (25.0, 18.0, 32.0), "closing in 20–30 min"),
        ("leaves", (1.0, 0.0, 3.0), "closing in a few minutes"),
        ("leaves", (150.0, 100.0, 170.0), "fit for about 2½ h"),
        ("leaves", (None, 61.0, None), "fit for 1 h at least"),
        ("leaves", (None, 5.0, None), "fit now"),
        ("leaves", (None, 29.0, None), "fit now"),
        ("leaves", (None, 125.0, None), "fit for 2 h and more"),
        ("leaves", (None, None, None), "fit for 2 h and more"),
        ("", (None, None, None), ""),
    ],
)
def test_lines(turns: str, span: tuple[float | None, ...], text: str) -> None:
    assert text_of(turns, *span) == text  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("span", "text"),
    [
        ((None, 5.0, None), "fit now"),
        ((None, 61.0, None), "fit now"),
        ((None, None, None), "fit now"),
        ((70.0, 10.0, None), "fit now"),
        ((25.0, 10.0, 90.0), "closing in 10–90 min"),
    ],
)
def test_a_guess_promises_no_least_time(span: tuple[float | None, ...], text: str) -> None:
    assert text_of("leaves", *span, guessing=True) == text
    said = said_of("leaves", Span(*span), START_US, None, guessing=True)
    assert said.text == text


def test_a_guess_that_knows_no_middle_says_nothing_of_when_it_will_be_fit() -> None:
    assert said_of("enters", Span(None, 5.0, None), START_US, None, guessing=True) == Said()
    assert said_of("enters", Span(40.0, 5.0, 90.0), START_US, None, guessing=True).text


@given(st.floats(0, 180))
def test_no_false_precision(minutes: float) -> None:
    text = rounded(minutes)
    found = re.fullmatch(r"(\d+) min|(\d)(½?) h", text)
    assert found
    if found[1]:
        assert int(found[1]) % 5 == 0
    said = float(found[1] or 60 * (int(found[2]) + (0.5 if found[3] else 0)))
    assert abs(said - max(minutes, 5)) <= (2.6 if said < 60 else 5.1 if said < 115 else 15.1)


def shown(middles: list[float], every_s: int = 30, before: Said | None = None) -> list[str]:
    """Return what a wall shows when a fresh outlook comes every half minute."""
    texts = []
    for n, middle in enumerate(middles):
        span = Span(middle, middle * 0.8, middle * 1.2)
        before = said_of("enters", span, START_US + n * every_s * SECOND_US, before)
        texts.append(before.text)
    return texts


def test_noise_in_the_outlook_does_not_flicker() -> None:
    """An hour's wait, outlooks wandering by two minutes to and fro: each time is said once."""
    draw = np.random.default_rng(5)
    true = 60 - 0.5 * np.arange(120)
    texts = shown(np.maximum(true + draw.uniform(-2, 2, 120), 0).tolist())
    turns = [n for n in range(1, len(texts)) if texts[n] != texts[n - 1]]
    assert len(turns) == len(set(texts)) - 1, "no line comes back once it has gone"
    assert len(turns) <= 20, "one line for three minutes and more"


def test_without_hysteresis_the_same_noise_would_flicker() -> None:
    draw = np.random.default_rng(5)
    true = np.maximum(60 - 0.5 * np.arange(120) + draw.uniform(-2, 2, 120), 0)
    texts = [text_of("enters", m, 0.8 * m, 1.2 * m) for m in true.tolist()]
    turns = [n for n in range(1, len(texts)) if texts[n] != texts[n - 1]]
    assert len(turns) > len(set(texts)) + 5


def test_an_outlook_that_has_moved_is_said() -> None:
    texts = shown([60.0, 60.0, 30.0])
    assert texts[0] == "fit in about 1 h"
    assert texts[2] == "fit in about 30 min"


def test_a_turn_the_other_way_waits_two_minutes() -> None:
    said = said_of("leaves", Span(50.0, 40.0, 60.0), START_US, None)
    for n in range(1, 5):
        said = said_of("enters", Span(3.0, 1.0, 5.0), START_US + n * 30 * SECOND_US, said)
        assert said.turns == "leaves", n
    said = said_of("enters", Span(3.0, 1.0, 5.0), START_US + 151 * SECOND_US, said)
    assert said.text == "fit in a few minutes"


def test_a_short_turn_to_and_fro_is_not_said() -> None:
    said = said_of("leaves", Span(50.0, 40.0, 60.0), START_US, None)
    for n in range(1, 20):
        turns = "enters" if n % 3 == 0 else "leaves"
        span = Span(3.0, 1.0, 5.0) if turns == "enters" else Span(50.0, 40.0, 60.0)
        said = said_of(turns, span, START_US + n * MINUTE_US, said)  # type: ignore[arg-type]
        assert said.turns == "leaves"


def test_what_is_not_known_says_nothing() -> None:
    before = said_of("leaves", Span(50.0, 40.0, 60.0), START_US, None)
    assert said_of("", None, START_US, before) == Said()
