"""Currencies of ISO 4217: which codes there are, and into how many digits one is divided."""

from __future__ import annotations

from functools import cache

from envmon.errors import InputError
from envmon.shop.words import show


@cache
def currencies() -> dict[str, int]:
    """Return code -> digits behind the point, of what goods are paid with.

    Metals, units of account and the codes for tests are left out: they have no smallest unit.

    Source: the table of ISO 4217's maintenance agency, as the ``iso4217`` package carries it.
    """
    from iso4217 import Currency  # noqa: PLC0415 - reads its table as it is imported

    return {one.code: one.exponent for one in Currency if one.exponent is not None}


def ensure_currency(code: str) -> str:
    """Return a code that is one.

    Raises:
        InputError: It is none.
    """
    if code not in currencies():
        raise InputError(
            f"currency is {show(code)}; allowed is a code of ISO 4217 that money has, such as "
            "EUR, NOK or USD"
        )
    return code


def digits_of(currency: str) -> int:
    """Return how many digits behind the point a currency has; 2 for what is none."""
    return currencies().get(currency, 2)
