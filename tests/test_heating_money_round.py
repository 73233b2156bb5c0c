"""Rounding: parts add up to the rounded whole, whatever they are. Reference: decimal's half up."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.heating.money_round import apportioned, digits_of, exact, half_up

amounts = st.fractions(min_value=-10_000, max_value=10_000, max_denominator=10_000)


@given(st.decimals(-1_000_000, 1_000_000, places=6), st.integers(0, 3))
def test_half_up_as_the_decimal_module_does(value: Decimal, digits: int) -> None:
    wanted = value.quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
    assert half_up(Fraction(value), digits) == wanted


@given(st.lists(amounts, max_size=40), st.integers(0, 3))
def test_parts_add_up_and_none_is_off_by_a_smallest_unit(
    parts: list[Fraction], digits: int
) -> None:
    found = apportioned(parts, digits)
    assert sum(found, Decimal(0)) == half_up(sum(parts, Fraction(0)), digits)
    for one, part in zip(found, parts, strict=True):
        assert abs(Fraction(one) - part) <= Fraction(1, 10**digits)


@given(st.lists(st.fractions(0, 100, max_denominator=1_000), max_size=40))
def test_what_costs_something_never_comes_out_below_nothing(parts: list[Fraction]) -> None:
    assert all(one >= 0 for one in apportioned(parts, 2))


def test_a_price_is_the_decimal_number_that_was_written() -> None:
    assert exact(0.1) == Fraction(1, 10)
    assert exact(1e-5) == Fraction(1, 100_000)


@pytest.mark.parametrize(("currency", "digits"), [("EUR", 2), ("JPY", 0), ("KWD", 3), ("NOK", 2)])
def test_digits_of_currencies(currency: str, digits: int) -> None:
    # ISO 4217, from memory; the code reads them from the agency's table.
    assert digits_of(currency) == digits
