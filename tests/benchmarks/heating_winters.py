"""Makes fixtures/heating/winters.csv: winters of the simulated shop, a row a day and bay.

Run from the project's folder: ``python -m tests.benchmarks.heating_winters OUT.csv [name …]``. A
winter takes about two minutes. The weather is the demo's typical year, shifted for each
winter and with a slow wander of its own, so that no two winters are alike.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US, MINUTE_US
from envmon_sensors.hall import Hall
from envmon_sensors.room import AirFlow
from envmon_sensors.scenario import BAYS, local_day, local_us
from envmon_sensors.stores import AIR_DENSITY_KG_M3
from envmon_sensors.vapour import load_kg_kg
from envmon_sensors.weather import outdoor
from tests.year_calendar import mishaps_between, stays_between
from tests.year_readings import YearShop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon_sensors.stores import Bay, BayControls
    from envmon_sensors.weather import Outdoor

DAYS = 151
WANDER_K, WANDER_KEEPS = 3.0, 0.8
ACCOUNTS = (
    "heater", "fabric", "glazing", "outdoor", "neighbour", "spray", "vehicle", "people", "blower",
)  # fmt: skip


class Case(NamedTuple):
    """A winter: what was done to the shop on which of its days, and the shift of its weather [K].

    Attributes:
        fabric: Factor on fabric and glazing from ``changed`` on.
        leak_m3_s: More air through a broken seal in the north bay at 20 K, from then on [m³/s].
    """

    seed: int
    offset_k: float
    changed: int | None = None
    fabric: float = 1.0
    leak_m3_s: float = 0.0


CASES = {
    "plain1": Case(31, -2.0),
    "insulated1": Case(32, 0.0, 70, fabric=0.75),
    "seal1": Case(33, -4.0, 90, leak_m3_s=0.02),
    "plain2": Case(34, 1.0),
    "plain3": Case(35, -3.0),
    "plain4": Case(36, 0.0),
}


@dataclass(slots=True)
class LeakyHall(Hall):
    """The hall, with a north door that may have lost its seal."""

    leak_m3_s: float = 0.0

    def _streams(
        self, name: str, controls: BayControls, outside: Outdoor,
        before: tuple[dict[str, float], dict[str, float]],
    ) -> list[AirFlow]:  # fmt: skip
        streams = Hall._streams(self, name, controls, outside, before)
        if name == "north" and self.leak_m3_s:
            apart_k = abs(self.states[name].air_c - outside.temp_c)
            kg_s = AIR_DENSITY_KG_M3 * self.leak_m3_s * (apart_k / 20) ** 0.5
            load = load_kg_kg(outside.vapour_pressure_pa, outside.pressure_pa)
            streams.append(AirFlow("outdoor", kg_s, outside.temp_c, load))
        return streams


@dataclass(slots=True)
class ChangedShop(YearShop):
    """The shop whose fabric may be another from a day on."""

    fabric: float = 1.0
    base_k: float = 0.0

    def _heated(self, bay: str, *, works: bool) -> Bay:
        whole = YearShop._heated(self, bay, works=works)
        return replace(
            whole, fabric_w_k=whole.fabric_w_k * self.fabric,
            glazing_w_k=whole.glazing_w_k * self.fabric,
        )  # fmt: skip


def rows_of(case: Case, first: date, days: int) -> Iterator[dict[str, object]]:
    """Yield a row for each day and bay."""
    start_us = local_us(first, "00:00")
    draw = np.random.default_rng([case.seed, 31])
    wander_k = 0.0
    hall = LeakyHall()
    shop = ChangedShop(
        case.seed, start_us - DAY_US, outdoor(start_us - DAY_US, case.offset_k), hall=hall,
        stays=stays_between(case.seed, first, days),
        mishaps=mishaps_between(case.seed, first, days), offset_k=case.offset_k,
        base_k=case.offset_k,
    )  # fmt: skip
    while shop.at_us < start_us:
        shop.minute()
    for number in range(days):
        if number == case.changed:
            shop.fabric, hall.leak_m3_s = case.fabric, case.leak_m3_s
        aim_k = WANDER_KEEPS * wander_k + WANDER_K * (1 - WANDER_KEEPS**2) ** 0.5 * draw.normal()
        yield from _day(shop, number, first + timedelta(days=number), (wander_k, float(aim_k)))
        wander_k = float(aim_k)


def _day(
    shop: ChangedShop, number: int, day: date, wander_k: tuple[float, float]
) -> Iterator[dict[str, object]]:
    """Live through a local day and yield its rows."""
    hall = shop.hall
    before = {bay: dict(hall.accounts[bay].heat_j) for bay in BAYS}
    air: dict[str, list[float]] = {bay: [] for bay in BAYS}
    doors = {bay: [0, 0.0, 0] for bay in BAYS}
    washes, arrivals = dict.fromkeys(BAYS, 0), dict.fromkeys(BAYS, 0.0)
    was = {bay: (hall.states[bay].vehicle, False, False) for bay in BAYS}
    outside: list[float] = []
    base_k = shop.base_k
    end_us = local_us(day + timedelta(days=1), "00:00")
    start_us = shop.at_us
    while shop.at_us < end_us:
        share = (shop.at_us - start_us) / (end_us - start_us)
        shop.offset_k = base_k + wander_k[0] + share * (wander_k[1] - wander_k[0])
        shop.minute()
        outside.append(shop.outside.temp_c)
        for bay in BAYS:
            state, controls = hall.states[bay], shop.controls[bay]
            air[bay].append(state.air_c)
            apart_k = state.air_c - shop.outside.temp_c
            if controls.door_open:
                doors[bay][0] += 1
                doors[bay][1] += max(apart_k, 0.0) ** 1.5 / 60
                doors[bay][2] += not was[bay][1]
            wet = controls.spray is not None
            washes[bay] += wet and not was[bay][2]
            if state.vehicle is not None and state.vehicle is not was[bay][0]:
                heat = state.vehicle.panel_j_k + state.vehicle.core_j_k
                arrivals[bay] += heat * max(apart_k, 0.0) / 3.6e6
            was[bay] = (state.vehicle, controls.door_open, wet)
    assert local_day(shop.at_us - MINUTE_US) == day
    for bay in BAYS:
        heat_j = hall.accounts[bay].heat_j
        gave = {name: (heat_j[name] - before[bay].get(name, 0.0)) / 3.6e6 for name in ACCOUNTS}
        yield {
            "day": day.isoformat(), "number": number, "bay": bay, "hours": len(outside) / 60,
            "outdoor_c": round(float(np.mean(outside)), 3), "outdoor_low_c": round(min(outside), 2),
            "indoor_c": round(float(np.mean(air[bay])), 3), "door_min": doors[bay][0],
            "door_k15_h": round(doors[bay][1], 3), "doors": doors[bay][2], "washes": washes[bay],
            "arrivals_kwh": round(arrivals[bay], 3),
            **{f"{name}_kwh": round(value, 3) for name, value in gave.items()},
        }  # fmt: skip


def main() -> None:
    """Write the winters named, or all of them."""
    out, names = Path(sys.argv[1]), sys.argv[2:] or list(CASES)
    for name in names:
        rows = [{"winter": name, **row} for row in rows_of(CASES[name], date(2025, 11, 1), DAYS)]
        new = not out.exists()
        with out.open("a", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            if new:
                writer.writeheader()
            writer.writerows(rows)
        print(name, "done", flush=True)


if __name__ == "__main__":
    main()
