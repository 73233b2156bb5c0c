"""The log's days as CSV: SI units, a row a day, empty where nothing is known."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

COLUMNS = (
    "day", "hours", "outdoor_mean_c", "outdoor_low_c", "outdoor_h", "indoor_mean_c",
    "indoor_low_c", "run_h", "run_kind", "fuel", "energy_kwh", "heat_kwh", "energy_kind", "cost",
    "degree_days", "partial", "washes", "jobs", "notes", "faults",
)  # fmt: skip
_MOST_DECIMALS = 4
"""No currency has more; other numbers come with three."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet would take for a formula at the beginning of a text (OWASP, from memory)."""


def days_csv(document: Mapping[str, Any]) -> str:
    """Return the days of a log's document as CSV; ``fuel`` and ``cost`` name their units.

    Args:
        document: The document.
    """
    fuel = document["fuel"]
    named = {"fuel": f"fuel_{fuel['unit']}" if fuel["unit"] else "fuel",
             "cost": f"cost_{fuel['currency'].casefold()}"}  # fmt: skip
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([named.get(name, name) for name in COLUMNS])
    for day in document["days"]:
        writer.writerow([_cell(day[name]) for name in COLUMNS])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.{_MOST_DECIMALS}f}".rstrip("0").rstrip(".")
    if isinstance(value, list | tuple):
        value = "; ".join(str(each) for each in value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text
