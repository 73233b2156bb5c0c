"""Makes fixtures/heating/split.npz: which way the simulated shop truly lost its heat, and what is
learned of it.

Run from the project's folder: ``python -m tests.benchmarks.heating_split OUT.npz [SEED …]``. Each
seed is four weeks of both bays and takes about four minutes on a busy machine; the outlook learns
from what the nodes sent, as in a shop. Truth is
booked by the hall in each step: sensible heat through fabric and glazing, through cracks, fan and
door, what drying took out of floor, vehicle and gully, and what vehicles carried away.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import patch

import msgspec
import numpy as np

from envmon.clock import DAY_US, MINUTE_US
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fit_hall
from envmon_sensors import hall as hall_module
from envmon_sensors.hall import STEP_S, Hall
from envmon_sensors.room import (
    PERSON_KG_S,
    AirFlow,
    add_spray,
    bay_flows,
    outdoor_air_m3_s,
)
from envmon_sensors.scenario import BAYS, local_us
from envmon_sensors.stores import AIR_DENSITY_KG_M3, AIR_HEAT_J_KG_K, EVAPORATION_HEAT_J_KG, Flows
from envmon_sensors.weather import outdoor
from tests.outlook_judging import frames_of
from tests.year_calendar import mishaps_between, stays_between
from tests.year_readings import Sent, YearShop, _measured

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.model import ModelFacts
    from envmon_sensors.stores import Bay, BayControls, BayState
    from envmon_sensors.weather import Outdoor
    from tests.year_calendar import Stay
    from tests.year_readings import Values

DAYS = 28
CASES = {41: (date(2026, 1, 5), -4.0), 42: (date(2026, 11, 2), -2.0), 43: (date(2027, 2, 1), -6.0)}
"""Seed -> first day, a Monday, and shift of the weather [K]."""
UNKNOWN = -32_768
WAYS = ("fabric", "leaks", "fan", "door", "wet work", "neighbour")


@dataclass(slots=True)
class SplitHall(Hall):
    """The hall that books by which way heat leaves.

    Attributes:
        lost_j: Bay -> way -> heat [J].
    """

    lost_j: dict[str, defaultdict[str, float]] = field(
        default_factory=lambda: {bay: defaultdict(float) for bay in BAYS}
    )

    def step(self, controls: dict[str, BayControls], outside: Outdoor, step_s: float = 5) -> None:
        """Move on by a step and book."""
        names = iter(self.bays)

        def booked(bay: Bay, state: BayState, acts: BayControls, outdoor_c: float) -> Flows:
            flows = bay_flows(bay, state, acts, outdoor_c)
            self._book(next(names), flows, _given(bay, state, acts), step_s)
            return flows

        with patch.object(hall_module, "bay_flows", booked):
            Hall.step(self, controls, outside, step_s)

    def _book(self, name: str, flows: Flows, given_w: float, step_s: float) -> None:
        lost = self.lost_j[name]
        lost["fabric"] += (flows.heat["fabric"] + flows.heat["glazing"]) * step_s
        lost["wet work"] += (flows.heat["latent"] - given_w) * step_s
        lost["given"] += given_w * step_s

    def _streams(
        self, name: str, controls: BayControls, outside: Outdoor,
        before: tuple[dict[str, float], dict[str, float]],
    ) -> list[AirFlow]:  # fmt: skip
        bay, state = self.bays[name], self.states[name]
        shut = outdoor_air_m3_s(bay, state, replace(controls, door_open=False), outside.temp_c)
        whole = outdoor_air_m3_s(bay, state, controls, outside.temp_c)
        fan = bay.fan_m3_s if state.fan_on else 0.0
        watts = AIR_DENSITY_KG_M3 * AIR_HEAT_J_KG_K * (before[1][name] - outside.temp_c)
        for way, flow in (("leaks", shut - fan), ("fan", fan), ("door", whole - shut)):
            self.lost_j[name][way] += STEP_S * watts * flow
        carries_w_k = AIR_DENSITY_KG_M3 * AIR_HEAT_J_KG_K * self.gap_m3_s
        for other in self.bays.keys() - {name}:
            apart_k = before[1][name] - before[1][other]
            self.lost_j[name]["neighbour"] += STEP_S * carries_w_k * apart_k
        return Hall._streams(self, name, controls, outside, before)


def _given(bay: Bay, state: BayState, controls: BayControls) -> float:
    """Return the vapour's heat that water in use and people bring with them [W]."""
    own = Flows()
    add_spray(own, bay, state, controls)
    return own.heat["latent"] + PERSON_KG_S * controls.people * EVAPORATION_HEAT_J_KG


def lived(seed: int) -> tuple[Sent, dict[str, list[Stay]], dict[str, dict[str, float]]]:
    """Return what the nodes sent in four weeks, who stood where, and the truth [kWh]."""
    first, offset_k = CASES[seed]
    start_us = local_us(first, "00:00")
    hall = SplitHall()
    shop = YearShop(
        seed, start_us - DAY_US, outdoor(start_us - DAY_US, offset_k), hall=hall,
        stays=stays_between(seed, first, DAYS), mishaps=mishaps_between(seed, first, DAYS),
        offset_k=offset_k,
    )  # fmt: skip
    while shop.at_us < start_us:
        shop.minute()
    before = _books(hall)
    values = _measured(shop, seed, DAYS * DAY_US // MINUTE_US)
    after = _books(hall)
    truth = {
        bay: {name: (after[bay][name] - before[bay].get(name, 0.0)) / 3.6e6 for name in after[bay]}
        for bay in BAYS
    }
    return Sent(start_us, values, ()), stays_between(seed, first, DAYS), truth


def _books(hall: SplitHall) -> dict[str, dict[str, float]]:
    found = {}
    for bay, account in hall.accounts.items():
        heat = account.heat_j
        ways = {way: hall.lost_j[bay][way] for way in WAYS}
        given = heat["people"] + heat["blower"] + heat["spray"] - hall.lost_j[bay]["given"]
        found[bay] = {
            **ways, "heater": heat["heater"], "vehicles": -heat["vehicle"], "gains": given
        }  # fmt: skip
    return found


def rows_of(seed: int) -> dict[str, object]:
    """Return the fixture's columns of a seed."""
    sent, stays, truth = lived(seed)
    learned = fit_hall(frames_of(sent, stays), {bay: Priors(220) for bay in BAYS})
    found: dict[str, object] = {}
    for bay in BAYS:
        nodes = sent.values
        air = np.nanmean([nodes[f"{bay}/{node}"]["temp"] for node in ("air", "air2")], axis=0)
        columns = lean(air, nodes["outdoor/air"]["temp"], nodes[f"{bay}/door"]["open"])
        came = [(s.from_us - sent.start_us) // MINUTE_US for s in stays[bay]]
        kinds = [stage for s in stays[bay] for stage, _, _ in s.job.stages]
        said = {
            "facts": msgspec.to_builtins(_told(learned[bay])),
            "truth": {name: round(kwh, 3) for name, kwh in truth[bay].items()},
            "arrivals": [int(at) for at in came if 0 <= at < DAYS * 1440],
            "stages": {kind: kinds.count(kind) for kind in sorted(set(kinds))},
        }
        found |= {f"{seed}_{bay}_{name}": column for name, column in columns.items()}
        found[f"{seed}_{bay}_said"] = np.frombuffer(msgspec.json.encode(said), np.uint8)
    return found


def lean(air_c: Values, outdoor_c: Values, door: Values) -> dict[str, npt.NDArray[np.integer]]:
    """Return temperatures by the quarter of an hour, and by the minute while the door is open.

    Args:
        air_c: By the minute [°C] (n,).
        outdoor_c: Likewise.
        door: Whether the door is open, likewise.
    """
    is_open = np.flatnonzero(np.nan_to_num(door) > 0)
    temps = {"air_c": air_c, "outdoor_c": outdoor_c}
    quarters = {name: np.nanmean(values.reshape(-1, 15), axis=1) for name, values in temps.items()}
    minutes = {f"{name}_open": values[is_open] for name, values in temps.items()}
    hundredths = {
        name: np.where(np.isfinite(values), np.round(100 * values), UNKNOWN).astype(np.int16)
        for name, values in {**quarters, **minutes}.items()
    }
    return {**hundredths, "open": is_open.astype(np.uint16)}


def _told(facts: ModelFacts) -> ModelFacts:
    return msgspec.structs.replace(facts, trust={}, errors={})


def main() -> None:
    """Write the seeds named, or all of them."""
    out = Path(sys.argv[1])
    seeds = [int(text) for text in sys.argv[2:]] or list(CASES)
    columns: dict[str, object] = {}
    for seed in seeds:
        columns |= rows_of(seed)
        print(seed, "done", flush=True)
    np.savez_compressed(out, **columns)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
