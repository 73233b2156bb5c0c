"""How often a bay was warm in time, beside the chance that was stated, in the simulated shop.

Run as ``python -m tests.benchmarks.heating_preheat [--days 84] [--seed 5] [--keep FILE]``; takes
five to fifteen minutes. The bay model is learned from the first six weeks; each later morning is
asked about from the evening before and from two hours before heating began, by the model and by
past mornings alone. ``--fixture FILE`` writes what tests/test_heating_preheat.py goes by.
"""

from __future__ import annotations

import argparse
import pickle
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.heating.mornings import BayPast, mornings_of
from envmon.heating.preheat import start_heating
from envmon.heating.warming import Aim
from envmon.heating.warming_model import BayModel
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fit_hall
from envmon_sensors.scenario import BAYS, TIME_ZONE
from tests import year_readings
from tests.outlook_judging import frames_of
from tests.year_calendar import stays_between
from tests.year_readings import demo_shop, year_of

if TYPE_CHECKING:
    from envmon.heating.mornings import Morning
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts

FIRST, OFFSET_K, LEARN_DAYS = date(2025, 11, 17), -4.0, 42
AIM = Aim(20.0, 14.0)
CHANCES = (0.5, 0.8, 0.9, 0.95)
LEADS_MIN = (120, 480)
WEAK_W = {"north": 8e3, "south": 7e3}
EVERY_MIN = 2


class Kept(NamedTuple):
    """Frames of the bays, and what is learned of them from the first weeks."""

    frames: dict[str, BayFrame]
    facts: dict[str, ModelFacts]


def past_of(frame: BayFrame, last: int) -> BayPast:
    """Return a bay up to a row."""
    air_c, outdoor_c, run = (
        frame[name][:last] for name in ("air_temp_c", "outdoor_temp_c", "heater_on")
    )
    return BayPast(frame.start_us, air_c, outdoor_c, run, TIME_ZONE)


def lived(seed: int, days: int) -> Kept:
    """Live through some weeks and learn the bays."""
    # The demo's heaters lift the air by 2 K a minute; weaker ones make preheating a question.
    for bay, heater_w in WEAK_W.items():
        year_readings._WHOLE[bay] = replace(year_readings._WHOLE[bay], heater_w=heater_w)
    sent, stays = year_of(seed, FIRST, days, OFFSET_K), stays_between(seed, FIRST, days)
    frames = frames_of(sent, stays)
    priors = {bay.id: Priors(bay.volume_m3 or 200.0) for bay in demo_shop().bay}
    first = {bay: frame.rows(0, LEARN_DAYS * 1440) for bay, frame in frames.items()}
    return Kept(frames, fit_hall(first, priors))


def reached(
    frame: BayFrame, morning: Morning, lead_min: int, chance: float, facts: ModelFacts | None
) -> bool | None:
    """Return whether a bay was warm by the earliest time for which the start is the true one."""
    row = morning.row - lead_min
    past = past_of(frame, row + 1)
    model = None
    if facts is not None:
        model = BayModel(facts, frame.rows(0, row + 1), AIM)
    for by_min in range(lead_min + 5, lead_min + 300, 5):
        start = start_heating(past, AIM, by_min, chance, model)
        if start is not None and start.in_time and start.wait_min >= lead_min:
            return morning.minutes <= by_min - lead_min
    return None


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=84)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--fixture", type=Path)
    asked = parser.parse_args()
    if asked.keep and asked.keep.exists():
        kept: Kept = pickle.loads(asked.keep.read_bytes())
    else:
        kept = lived(asked.seed, asked.days)
        if asked.keep:
            asked.keep.write_bytes(pickle.dumps(kept))
    if asked.fixture:
        write_fixture(kept, asked.fixture)
        print("written", flush=True)
    for bay in BAYS:
        judge(kept.frames[bay], kept.facts[bay], bay)


def judge(frame: BayFrame, facts: ModelFacts, bay: str) -> None:
    """Print how often one bay was warm in time."""
    mornings = [
        one for one in mornings_of(past_of(frame, len(frame)), AIM.target_c)
        if one.row >= LEARN_DAYS * 1440
    ]  # fmt: skip
    took = [round(one.minutes) for one in mornings]
    print(bay, len(mornings), "mornings, which took", sorted(took), "min")
    for name, known in (("past mornings", None), ("bay model", facts)):
        for lead_min in LEADS_MIN:
            for chance in CHANCES:
                got = [reached(frame, one, lead_min, chance, known) for one in mornings]
                told = [one for one in got if one is not None]
                print(f"  {name}, {lead_min} min before, {chance:.0%} stated: "
                      f"{np.mean(told):.0%} of {len(told)}", flush=True)  # fmt: skip


def write_fixture(kept: Kept, file: Path) -> None:
    """Write air, outdoors [twentieths of °C] and run [%] every two minutes."""
    start = np.array([kept.frames["north"].start_us], dtype=np.int64)
    found: dict[str, Any] = {"start_us": start}
    for bay, frame in kept.frames.items():
        for name, scale in (("air_temp_c", 20), ("outdoor_temp_c", 20), ("heater_on", 100)):
            values = frame[name][: len(frame) // EVERY_MIN * EVERY_MIN].reshape(-1, EVERY_MIN)
            known = np.isfinite(values).all(axis=1)
            whole = np.where(known, np.nan_to_num(values).mean(axis=1) * scale, -9999)
            found[f"{bay} {name}"] = np.round(whole).astype(np.int16)
    np.savez_compressed(file, **found)


if __name__ == "__main__":
    main()
