"""Run time inferred from the curve on days that none of its settings was chosen on.

Run from the project's folder: ``python -m tests.benchmarks.heating_fresh [DAYS] [OUT.npz]``; four
times 28 days take a quarter of an hour on a busy machine. The simulated shop lives through other
seeds than any setting was chosen on, twice in the demo's weather and twice in that of another
station: hourly TMY3 of Greensboro in the wheel of pvlib (NREL). With ``OUT.npz`` Greensboro's
January is kept by the minute, for ``tests/test_heating_fresh.py``.
"""

from __future__ import annotations

import csv
import sys
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.heating.curve import inferred_share
from envmon_sensors import weather
from envmon_sensors.scenario import BAYS
from tests.heating_support import truth_of

if TYPE_CHECKING:
    from tests.heating_support import Floats, Truth

GREENSBORO = "723170TYA.CSV"
KEPT = "Greensboro, January"
HALF_H = 0.5


class Case(NamedTuple):
    """Days of the shop: what draws them, when they begin, how the weather is shifted [K]."""

    name: str
    seed: int
    first: date
    offset_k: float
    greensboro: bool


CASES = (
    Case("demo weather, November", 4711, date(2027, 11, 1), -1.0, greensboro=False),
    Case("Greensboro, January", 9012, date(2028, 1, 3), 0.0, greensboro=True),
    Case("demo weather, February", 1203, date(2029, 2, 5), -5.0, greensboro=False),
    Case("Greensboro, March", 5566, date(2030, 3, 4), 0.0, greensboro=True),
)


def greensboro_year() -> tuple[tuple[float, float, float], ...]:
    """Return 8760 hours of dry bulb [°C], humidity over water [%] and pressure [Pa]."""
    text = files("pvlib").joinpath("data", GREENSBORO).read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()[1:]))
    names = ("Dry-bulb (C)", "RHum (%)", "Pressure (mbar)")
    return tuple((float(r[names[0]]), float(r[names[1]]), 100 * float(r[names[2]])) for r in rows)


def lived(case: Case, days: int) -> Truth:
    """Return the days of a case."""
    if not case.greensboro:
        return truth_of(case.seed, case.first, days, case.offset_k)
    demo, year = weather.weather_year, greensboro_year()
    weather.weather_year = lambda: year  # type: ignore[assignment]
    try:
        return truth_of(case.seed, case.first, days, case.offset_k)
    finally:
        weather.weather_year = demo


def daily_h(share: Floats) -> Floats:
    """Return hours of each whole day."""
    hours: Floats = share[: len(share) // 1440 * 1440].reshape(-1, 1440).sum(axis=1) / 60
    return hours


def errors(truth: Truth, *, door: bool) -> dict[str, tuple[Floats, Floats]]:
    """Return the relative error of each day with its true hours, by bay; NaN where not inferred."""
    found = {}
    for bay in BAYS:
        minutes = truth.bays[bay]
        got = inferred_share(minutes.air_c, minutes.door if door else None)
        hours = daily_h(minutes.run)
        said = np.full(len(hours), np.nan) if got is None else daily_h(got.share)
        with np.errstate(divide="ignore", invalid="ignore"):
            found[bay] = (said / hours - 1, hours)
    return found


def report(case: Case, truth: Truth) -> None:
    """Print how many days are how near; a day without heat has no share, and is left out."""
    print(f"{case.name}, seed {case.seed}, outdoors {truth.outdoor_c.mean():.1f} °C", flush=True)
    for door in (True, False):
        for bay, (error, hours) in errors(truth, door=door).items():
            off = np.abs(error[hours > 0])
            half = off[hours[hours > 0] >= HALF_H]
            print(
                f"  {bay:6} door {'known' if door else 'not known':9} within 10 %: "
                f"{int((off < 0.1).sum())} of {len(off)} days with heat, "
                f"{int((half < 0.1).sum())} of {len(half)} with half an hour of it; median "
                f"{100 * np.nanmedian(off):.1f} %, worst {100 * np.nanmax(off):.1f} %",
                flush=True,
            )


def kept(truth: Truth, out: Path) -> None:
    """Write days by the minute: thousandths of a degree, twelfths of a minute."""
    columns: dict[str, Any] = {}
    for bay, minutes in truth.bays.items():
        columns |= {
            f"{bay}_air_c": np.round(1000 * minutes.air_c).astype(np.int16),
            f"{bay}_run": np.round(12 * minutes.run).astype(np.uint8),
            f"{bay}_door": np.round(12 * minutes.door).astype(np.uint8),
        }
    np.savez_compressed(out, **columns)


def main() -> None:
    """Live through the cases and print."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 28
    for case in CASES:
        truth = lived(case, days)
        report(case, truth)
        if len(sys.argv) > 2 and case.name == KEPT:
            kept(truth, Path(sys.argv[2]))


if __name__ == "__main__":
    main()
