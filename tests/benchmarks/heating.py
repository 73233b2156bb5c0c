"""A whole winter's heating log from the archive: reading it, and computing it.

``python tests/benchmarks/heating.py [--folder FOLDER] [--rounds N]`` makes a winter (180 days, two
bays, air and weather every 5 s; see ``heating_season.py``) unless the folder holds it already, and
prints median and longest of each part, and what share of all of it that is. Then it asks for the
winter as ``envmon heating`` does, with learned bays and the morning to come, each time in a process
of its own that has used nothing yet. The aim is 1 s for either; how many times faster is printed.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import msgspec

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import DAY_US, HOUR_US, iso_from_us  # noqa: E402 - run as a script
from envmon.guard.plan import plan_from_shop  # noqa: E402
from envmon.heating.log import HeatShop, heating_log  # noqa: E402
from envmon.heating.model import Span  # noqa: E402
from envmon.heating.report import document_of, report_of  # noqa: E402
from envmon.service.heating.read import winter_of  # noqa: E402
from envmon.service.outlook.facts import keep_facts  # noqa: E402
from envmon.store.past import Past  # noqa: E402
from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402
from tests.benchmarks.heating_season import SPAN_US, write_winter  # noqa: E402
from tests.test_heating_ahead import learned  # noqa: E402
from tests.winter_shop import shop_of  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.heating.model import Winter
    from envmon.shop.models import Shop

T = TypeVar("T")
AIM_MS = 1_000.0
NOW_US = SPAN_US[1] - 6 * HOUR_US
"""The evening of the winter's last day."""
ASKED = f"""
import json, sys, time
sys.path.insert(0, {str(ROOT)!r})
from pathlib import Path
from envmon.clock import DAY_US
from envmon.guard.plan import plan_from_shop
from envmon.heating.report import document_of
from envmon.service.heating.make import make_report, span_from
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from tests.winter_shop import shop_of
start, busy = time.perf_counter(), time.process_time()
shop, folder = shop_of(), Path(sys.argv[1])
store = SqliteStore(folder)
span = span_from(sys.argv[2], sys.argv[3])
report = make_report(Past(store, folder), shop, plan_from_shop(shop), span, int(sys.argv[4]))
document = document_of(report, shop)
print(json.dumps([1e3 * (time.perf_counter() - start), 1e3 * (time.process_time() - busy),
    len(document["days"]), len(document["ahead"]), "bay model" in str(document["where"])]))
"""
"""Printed: ms from the shop file to the document, ms of the processor, days, mornings, learned."""
MEDIANS: dict[str, float] = {}


def timed(name: str, ask: Callable[[], T], rounds: int) -> T:
    """Print how long something takes the first time and after that [ms], and of the processor."""
    found, cpu = [], []
    for _ in range(rounds + 1):
        start, busy = time.perf_counter(), time.process_time()
        answer = ask()
        found.append((time.perf_counter() - start) * 1e3)
        cpu.append((time.process_time() - busy) * 1e3)
    MEDIANS[name] = statistics.median(found[1:])
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
        whole = MEDIANS.pop("all of it")
        print("shares:", ", ".join(f"{name} {ms / whole:.0%}" for name, ms in MEDIANS.items()))
        print(f"all of it is {AIM_MS / whole:.2f} times as fast as the aim of {AIM_MS:.0f} ms")
    finally:
        past.close()
        store.close()
    asked_anew(folder, shop, rounds)


def asked_anew(folder: Path, shop: Shop, rounds: int) -> None:
    """Print what the winter takes in processes that have used nothing yet."""
    facts = msgspec.structs.replace(learned(), made_us=NOW_US)
    keep_facts(folder, {bay.id: facts for bay in shop.bay})
    days = [iso_from_us(at_us)[:10] for at_us in SPAN_US]
    command = [sys.executable, "-c", ASKED, str(folder), *days, str(NOW_US)]
    found = []
    for _ in range(rounds):
        said = subprocess.run(command, capture_output=True, check=True, text=True)
        wall, cpu, count, mornings, is_learned = json.loads(said.stdout)
        assert (count, mornings, is_learned) == (180, 2, True), said.stdout
        found.append((wall, cpu))
    wall, cpu = (statistics.median(column) for column in zip(*found, strict=True))
    most = max(wall for wall, _ in found)
    print(
        f"in a new process, next morning and learned bays too: {wall:.0f} ms ({most:.0f}), of the"
    )
    print(f"processor {cpu:.0f}; {AIM_MS / wall:.2f} times as fast as the aim")


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
