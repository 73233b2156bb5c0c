"""A whole winter's heating log from the archive: reading it, and computing it.

``python tests/benchmarks/heating.py [--folder FOLDER] [--rounds N]`` makes a winter (180 days, two
bays, air and weather every 5 s; see ``heating_season.py``) unless the folder holds it already, and
prints median and longest of each part. The aim is 1 s for all of it, in a process that is fresh
(first) and in one that has read before.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.guard.plan import plan_from_shop  # noqa: E402 - run as a script
from envmon.service.heating_read import winter_of  # noqa: E402
from envmon.store.past import Past  # noqa: E402
from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402
from tests.benchmarks.heating_season import SPAN_US, write_winter  # noqa: E402
from tests.winter_shop import shop_of  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable


def timed(name: str, ask: Callable[[], object], rounds: int) -> None:
    """Print how long something takes the first time, and after that [ms]."""
    found = []
    for _ in range(rounds + 1):
        start = time.perf_counter()
        ask()
        found.append((time.perf_counter() - start) * 1e3)
    first, later = found[0], found[1:]
    print(f"{name:34} first {first:7.0f}  then {statistics.median(later):7.0f} ({max(later):.0f})")


def run(folder: Path, rounds: int) -> None:
    """Make the winter unless it is there, and print the table."""
    if not (folder / LIVE_FILE).exists():
        start = time.perf_counter()
        print(f"{write_winter(folder):,} readings made in {time.perf_counter() - start:.0f} s")
    shop = shop_of()
    plan = plan_from_shop(shop)
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        timed("reading, ms", lambda: winter_of(past, shop, plan, SPAN_US), rounds)
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
