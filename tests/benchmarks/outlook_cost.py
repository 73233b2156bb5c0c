"""What the outlook costs: eight bays every half minute, beside a bare solver of the same equations.

Processor time, median of several rounds. Bare: scipy's solve_ivp (LSODA, default tolerance) over
the same three hours for the same three variants of one bay, and nothing else: no filters, no
intervals, no stages. Run as ``python tests/benchmarks/outlook_cost.py``.
"""

from __future__ import annotations

import statistics
import time
from typing import TYPE_CHECKING

import numpy as np
from scipy.integrate import solve_ivp

from envmon.clock import MINUTE_US
from envmon.guard.plan import plan_from_shop
from envmon.outlook.constants import Priors
from envmon.outlook.foresee import Context, outlook
from envmon.outlook.learning import Neighbour, fit_bay, update
from envmon.physics.room import room_rates
from tests.outlook_support import START_US, as_vector, bay, drive, from_vector, lived_frame, state
from tests.year_readings import demo_shop

if TYPE_CHECKING:
    from collections.abc import Callable

BAYS, EVERY_S, ROUNDS, DAYS = 8, 30.0, 9, 4
RECENT_MIN = 720
AIM_PCT = 5.0


def median_s(act: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Return the median processor time of something [s]."""
    took = []
    for _ in range(rounds):
        began = time.process_time()
        act()
        took.append(time.process_time() - began)
    return statistics.median(took)


def bare() -> None:
    """Solve three variants of a bay over three hours, and nothing else."""
    for heater in (0.2, 0.3, 0.4):
        on = drive(heater=heater)
        solve_ivp(
            lambda _t, y, on=on: as_vector(room_rates(bay(), from_vector(y), on)),
            (0, 3), as_vector(state()), method="LSODA", t_eval=np.arange(73) / 24,
        )  # fmt: skip


def main() -> None:
    """Print the report."""
    frame = lived_frame(bay(), 0.55, DAYS, seed=1)
    began = time.process_time()
    facts = fit_bay(frame, Priors(200))
    fit_s = time.process_time() - began
    stages = plan_from_shop(demo_shop()).bays["north"].stages
    last = 2 * 1440 + 520
    recent = frame.rows(last - RECENT_MIN, last)
    now_us = START_US + last * MINUTE_US - 1
    context = Context(neighbours=[Neighbour(facts, recent)])

    def eight() -> None:
        for _ in range(BAYS):
            outlook(facts, recent, stages, now_us, context)

    eight_s, bare_s = median_s(eight), median_s(bare)
    share = 100 * eight_s / EVERY_S
    print(f"outlook of {BAYS} bays with a neighbour each: {1000 * eight_s:.0f} ms, "
          f"{share:.2f} % of a core every {EVERY_S:.0f} s (aim {AIM_PCT} %)")  # fmt: skip
    print(f"one outlook {1000 * eight_s / BAYS:.1f} ms; bare solve_ivp {1000 * bare_s:.1f} ms; "
          f"ratio {eight_s / BAYS / bare_s:.2f}")  # fmt: skip
    print(f"update of half a day: {1000 * median_s(lambda: update(facts, recent), 3):.0f} ms")
    print(f"fit of {DAYS} days: {fit_s:.1f} s; facts as JSON {len(facts.to_json()) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
