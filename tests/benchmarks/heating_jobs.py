"""Heat of jobs above idle, as estimated, beside the same weeks of the simulated shop without jobs.

Run as ``python -m tests.benchmarks.heating_jobs [--days 42] [--seed 6]``; takes two to five
minutes. The weeks are lived through twice, once with nothing in the bays; the difference of the
heat is what the jobs truly took, what they left in slab and walls included.
"""

from __future__ import annotations

import argparse
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US, HOUR_US
from envmon.heating.events_cost import BayHours, job_costs
from envmon.heating.model import Span
from envmon_sensors.scenario import BAYS, TIME_ZONE, local_us
from envmon_sensors.weather import outdoor
from tests.year_calendar import stays_between
from tests.year_readings import YearShop

if TYPE_CHECKING:
    import numpy.typing as npt

    from tests.year_calendar import Stay

    Floats = npt.NDArray[np.float64]

FIRST, OFFSET_K = date(2026, 1, 5), -4.0


class Lived(NamedTuple):
    """Outdoors [°C] and heat of each bay [kWh], by the hour."""

    outdoor_c: Floats
    kwh: dict[str, Floats]


def lived(seed: int, days: int, stays: dict[str, list[Stay]]) -> Lived:
    """Live through some weeks."""
    start_us = local_us(FIRST, "00:00")
    shop = YearShop(
        seed, start_us - DAY_US, outdoor(start_us - DAY_US, OFFSET_K), stays=stays,
        offset_k=OFFSET_K,
    )  # fmt: skip
    while shop.at_us < start_us:
        shop.minute()
    cold: list[float] = []
    kwh: dict[str, list[float]] = {bay: [] for bay in BAYS}
    for _ in range(days * 24):
        before = {bay: shop.hall.accounts[bay].heat_j["heater"] for bay in BAYS}
        minutes = []
        for _ in range(60):
            shop.minute()
            minutes.append(shop.outside.temp_c)
        cold.append(float(np.mean(minutes)))
        for bay in BAYS:
            kwh[bay].append((shop.hall.accounts[bay].heat_j["heater"] - before[bay]) / 3.6e6)
    return Lived(np.array(cold), {bay: np.array(rows) for bay, rows in kwh.items()})


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=42)
    parser.add_argument("--seed", type=int, default=6)
    asked = parser.parse_args()
    start_us = local_us(FIRST, "00:00")
    spans = [
        Span(bay, f"{bay}-{number}", stay.from_us, min(stay.to_us, start_us + asked.days * DAY_US))
        for bay, stays in stays_between(asked.seed, FIRST, asked.days).items()
        for number, stay in enumerate(stays)
    ]
    full = lived(asked.seed, asked.days, stays_between(asked.seed, FIRST, asked.days))
    bare = lived(asked.seed, asked.days, {bay: [] for bay in BAYS})
    for bay in BAYS:
        none = np.full(asked.days * 24, np.nan)
        hours = BayHours(bay, start_us, full.kwh[bay], full.outdoor_c, none, TIME_ZONE, "USD")
        found = job_costs(hours, spans)
        above = sum(one.above or 0.0 for one in found)
        true = float((full.kwh[bay] - bare.kwh[bay]).sum())
        held = sum(
            float((full.kwh[bay] - bare.kwh[bay])[_hours(one, start_us)].sum())
            for one in spans if one.bay == bay
        )  # fmt: skip
        print(f"{bay}: {len(found)} jobs, {above:.0f} kWh above idle; truly {held:.0f} while they "
              f"held the bay, {true:.0f} with what they left behind")  # fmt: skip


def _hours(one: Span, start_us: int) -> slice:
    assert one.to_us is not None
    return slice((one.from_us - start_us) // HOUR_US, -((start_us - one.to_us) // HOUR_US))


if __name__ == "__main__":
    main()
