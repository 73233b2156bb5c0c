"""Numbers of a document without the tails that binary arithmetic leaves behind them."""

from __future__ import annotations

import math
from typing import Any

DECIMALS = 3
"""Of days and their sums: a gram of propane, a watt-hour, four seconds of run time."""
_SIGNIFICANT = 6
_AS_WRITTEN = frozenset({"amount", "price"})
"""What stands in a bill or a tariff stays as a person wrote it."""


def to_decimals(value: float) -> float:
    """Return a number of a day to the decimals days have, so that sums are sums of them."""
    return round(value, DECIMALS)


def tidy(value: Any) -> Any:
    """Return JSON types with every float to six digits that count, and at least to three decimals.

    Args:
        value: A number, text, list, or a mapping of such.
    """
    if isinstance(value, float):
        return _tidy(value)
    if isinstance(value, dict):
        return {name: each if name in _AS_WRITTEN else tidy(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(each) for each in value]
    return value


def _tidy(value: float) -> float:
    if value == 0 or not math.isfinite(value):
        return value
    before = math.floor(math.log10(abs(value))) + 1
    return round(value, max(DECIMALS, _SIGNIFICANT - before))
