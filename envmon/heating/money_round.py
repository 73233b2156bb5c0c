"""Money in whole smallest units, so that parts always add up to the whole.

Rule: amounts are summed exactly. A sum is rounded half up, once; each part of it is what the sum
grows by when the part is added, rounded at each step. So no part is off by a smallest unit or more,
and parts add up to the rounded sum to the last digit.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from envmon.shop.currency import digits_of

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["apportioned", "digits_of", "exact", "half_up"]


def exact(value: float) -> Fraction:
    """Return the decimal number a person wrote: 0.1 is a tenth, not its nearest binary number."""
    return Fraction(repr(float(value)))


def half_up(value: Fraction, digits: int) -> Decimal:
    """Return a value rounded half up, away from zero, to some digits behind the point."""
    scaled = abs(value) * 10**digits
    whole = (2 * scaled.numerator + scaled.denominator) // (2 * scaled.denominator)
    return Decimal(whole if value >= 0 else -whole).scaleb(-digits)


def apportioned(parts: Sequence[Fraction], digits: int) -> list[Decimal]:
    """Return parts in smallest units that add up to their sum, rounded half up.

    Args:
        parts: Exact amounts, in the order in which they are shown.
        digits: Behind the point.
    """
    found, before, total = [], Decimal(0), Fraction(0)
    for part in parts:
        total += part
        now = half_up(total, digits)
        found.append(now - before)
        before = now
    return found
