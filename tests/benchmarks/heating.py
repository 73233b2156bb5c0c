"""A whole winter's heating log from the archive: reading it, and computing it.

``python tests/benchmarks/heating.py [--folder FOLDER] [--rounds N]`` makes a winter (180 days, two
bays, air and weather every 5 s; see ``heating_season.py``) unless the folder holds it already, and
prints median and longest of each part. The aim is 1 s for all of it.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import DAY_US, HOUR_US  # noqa: E402 - run as a script
from envmon.guard.plan import plan_from_shop  # noqa: E402
from envmon.heating.log import HeatShop, heating_log  # noqa: E402
from envmon.heating.model import Span  # noqa: E402
from envmon.heating.report import document_of, report_of  # noqa: E402
from envmon.service.heating_read import winter_of  # noqa: E402
from envmon.store.past import Past  # noqa: E402
from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402
from tests.benchmarks.heating_season import SPAN_US, write_winter  # noqa: E402
from tests.winter_shop import shop_of  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.heating.model import Winter

T = TypeVar("T")


def timed(name: str, ask: Callable[[], T], rounds: int) -> T:
    """Print how long something takes the first time and after that [ms], and of the processor."""
    found, cpu = [], []
    for _ in range(rounds + 1):
        start, busy = time.perf_counter(), time.process_time()
        answer = ask()
        found.append((time.perf_counter() - start) * 1e3)
        cpu.append((time.process_time() - busy) * 1e3)
    later = f"{statistics.median(found[1:]):7.0f} ({max(found[1:]):.0f})"
    processor = f"{cpu[0]:7.0f}, then {statistics.median(cpu[1:]):5.0f}"
    print(f"{name:28} first {found[0]:7.0f}  then {later:>14}  processor first {processor}")
    return answer


def run(folder: Path, rounds: int) -> None:
    """Make the winter unless it is there, and print the table."""
    if not (folder / LIVE_FILE).exists():
        start = time.perf_counter()
        print(f"{write_winter(folder):,} readings made in {time.perf_counter() - start:.0f} s")
    shop = shop_of()
    plan = plan_from_shop(shop)
    heat = HeatShop(shop.heating, shop.heater, shop.tariff)
    store = SqliteStore(folder)
    past = Past(store, folder)

    def read() -> Winter:
        """Read the winter; the archive has no jobs, so a day's one in every two is put in."""
        jobs = tuple(
            Span(bay, f"{bay}-{day}", start + 9 * HOUR_US, start + 15 * HOUR_US)
            for bay in ("north", "south")
            for day, start in enumerate(range(*SPAN_US, 2 * DAY_US))
        )
        return winter_of(past, shop, plan, SPAN_US)._replace(jobs=jobs)

    def all_of_it() -> object:
        log = heating_log(read(), heat)
        return document_of(report_of(log, None, shop.heating), shop)

    try:
        print("ms; first: in a process that has imported everything but not yet used it")
        winter = timed("reading", read, rounds)
        log = timed("the log", lambda: heating_log(winter, heat), rounds)
        report = timed("comparison, changes", lambda: report_of(log, None, shop.heating), rounds)
        timed("the document", lambda: document_of(report, shop), rounds)
        timed("all of it", all_of_it, rounds)
    finally:
        past.close()
        store.close()


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="keep the winter here")
    parser.add_argument("--rounds", type=int, default=9)
    asked = parser.parse_args()
    if asked.folder:
        run(asked.folder, asked.rounds)
    else:
        with tempfile.TemporaryDirectory() as folder:
            run(Path(folder), asked.rounds)


if __name__ == "__main__":
    main()
