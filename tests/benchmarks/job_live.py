"""What the live state of a job costs, beside writing the same state as JSON.

Run as ``python tests/benchmarks/job_live.py``. Processor time, best of several rounds; a vehicle
of 22 panels in a procedure of 11 steps, at several moments of its work. It is made once a second
and at each news, so 1 ms is allowed. The bare baseline is ``msgspec.json.encode`` of the state.
"""

from __future__ import annotations

import sys
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

sys.path.insert(0, str(Path(__file__).parents[2]))

from envmon.job.bodies import BODIES
from envmon.job.describe import describe_job
from envmon.shop.work import BenchInfo
from tests.job_story import Story, us, view

if TYPE_CHECKING:
    from collections.abc import Callable

STAGES = (
    "warm_up", "foam", "wash", "decontamination", "rinse", "drying", "polish", "wipe", "coating",
    "early_cure", "cure",
)  # fmt: skip
PANELS = [panel.name for panel in BODIES["van"].panels]
BENCH = BenchInfo(in_flight=4)


def story(covered: int, flying: int) -> tuple[Story, float]:
    """Return a job with so many panels done and so many in flight, and the moment."""
    told = Story(panels=PANELS, stages=STAGES, in_flight=4)
    told.window(0, "fit")
    told.through("coating")
    at_s = 1_000.0
    for n, panel in enumerate(told.job().panels[: covered + flying]):
        at_s += 150
        told.apply(at_s, panel.id)
        if n < covered:
            told.level(at_s + 120, panel.id)
            told.wipe(at_s + 125, panel.id)
            told.inspect(at_s + 130, panel.id)
    if covered == len(PANELS):
        told.start(at_s + 200, "early_cure")
    return told, at_s + 250


def micros(call: Callable[[], object], times: int = 300, rounds: int = 7) -> float:
    """Return the processor time of one call, best of several rounds [µs]."""
    best = float("inf")
    for _ in range(rounds):
        start = time.process_time()
        for _ in range(times):
            call()
        best = min(best, time.process_time() - start)
    return best / times * 1e6


def main() -> None:
    """Print the table."""
    print(f"{'moment':32} {'describe_job':>13} {'JSON alone':>11} {'ratio':>6}")
    moments = {
        "nothing covered": (0, 0),
        "the first in flight": (0, 1),
        "first four in flight": (0, 4),
        "half done, four in flight": (11, 4),
        "last four in flight": (18, 4),
        "all done, curing": (22, 0),
    }
    for name, (covered, flying) in moments.items():
        told, at_s = story(covered, flying)
        job, seen, now_us = told.job(), view(), us(at_s)
        state = describe_job(job, seen, now_us, BENCH)
        ours = micros(partial(describe_job, job, seen, now_us, BENCH))
        bare = micros(partial(msgspec.json.encode, state))
        print(f"{name:32} {ours:10.0f} µs {bare:8.1f} µs {ours / bare:6.1f}")


if __name__ == "__main__":
    main()
