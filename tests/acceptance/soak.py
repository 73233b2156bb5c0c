"""The soak: a simulated month at high speed while everything that can fail does, again and again.

``python tests/acceptance/soak.py [--days 30] [--speed 1500] [--seed 1] [--json FILE]`` as root
(it makes network namespaces), with Debian's mosquitto and Chromium. Real Mosquitto, real
supervisor, watch, keeper, notice, outlook and boards, nodes that buffer, and a Chromium on the
wall. What is stored is held against what the nodes noted, by plain SQLite and DuckDB.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from tests.acceptance import soak_acts, soak_checks  # noqa: E402 - run as a script
from tests.acceptance.soak_eye import BEHIND_S, Eye  # noqa: E402
from tests.acceptance.soak_faults import Fault, Hands  # noqa: E402
from tests.acceptance.soak_memory import is_flat, memory, memory_line  # noqa: E402
from tests.acceptance.soak_person import Worker  # noqa: E402
from tests.acceptance.soak_phone import Phone  # noqa: E402
from tests.acceptance.soak_stage import MODULES, Stage, may_cut  # noqa: E402
from tests.acceptance.soak_story import BEGIN_US, WATCHED, conditions  # noqa: E402
from tests.acceptance.soak_wall import Wall  # noqa: E402
from tests.mosquitto_support import wait_until  # noqa: E402

START_S = 90.0
KEEPER_S = 75.0
"""The keeper turns once a minute; what a kill left behind is gone after its next turn."""
BACK_WITHIN_S = 60.0
"""The wall shows numbers again so soon after a fault's cause is gone."""
LAST_JOB_S = 60.0


class Asked(NamedTuple):
    """What the soak is asked for: clock days, clock seconds a real second, seed."""

    days: float = 30.0
    speed: float = 1500.0
    seed: int = 1


class Times(NamedTuple):
    """When the clocks were started, and the nodes' first and last reading [s, Unix]."""

    real_start: float
    first: float
    end: float

    def first_us(self, speed: float) -> int:
        """Return the first on the shop's clock [µs]."""
        return BEGIN_US + round((self.first - self.real_start) * speed * 1e6)


def run(folder: Path, asked: Asked) -> dict[str, Any]:
    """Run the soak and return its report.

    Args:
        folder: Empty folder.
        asked: How long, how fast, which faults.
    """
    phone = Phone()
    with Stage(folder, asked.speed, phone.server_port) as stage:
        stage.start_broker()
        real_start = time.time()
        real_us = round(real_start * 1e6)

        def start_shop() -> None:
            stage.start_shop(real_us, BEGIN_US)

        start_shop()
        eye = Eye(stage, real_start)
        eye.start()
        wait_until(lambda: answers(stage), "the boards", START_S)
        wall = Wall(f"http://127.0.0.1:{stage.boards_port}/")
        wall.start()
        wait_until(wall.opened.is_set, "the wall", START_S)
        worker = Worker(f"http://127.0.0.1:{stage.boards_port}")
        for bay in WATCHED:
            wait_until(lambda: worker.begin_work(bay), "the stage to be set", START_S)  # noqa: B023
        # From here on all is listening: what the nodes send now must be kept.
        first = time.time()
        times = Times(real_start, first, first + asked.days * 86_400 / asked.speed)
        first_us = times.first_us(asked.speed)
        stage.start_nodes(real_us, first_us, asked.seed, asked.days)
        wait_until(lambda: eye.behind_s < BEHIND_S, "the first readings", START_S)
        worker.start()
        hands = Hands(stage, start_shop, lambda: works(stage, eye))
        hands.run(asked.seed, first, times.end)
        report = finish(stage, Seers(eye, wall, worker), hands, asked, times)
    phone.shutdown()
    phone.server_close()
    return {**report, "messages_to_people": phone.count}


class Seers(NamedTuple):
    """Who was there the whole time."""

    eye: Eye
    wall: Wall
    worker: Worker


def finish(stage: Stage, seers: Seers, hands: Hands, asked: Asked, times: Times) -> dict[str, Any]:
    """Let the rest arrive, stop everything, and hold it against the truth."""
    eye, wall, worker = seers
    nodes = stage.processes.pop("nodes").wait(max(0.0, times.end - time.time()) + 180)
    last = max((f.back or f.over for f in hands.faults), default=0.0)
    threading.Event().wait(max(0.0, last + KEEPER_S - time.time()) if asked.days >= 1 else 2.0)
    worker.finish()
    last_closed = worker.done.wait(LAST_JOB_S)
    worker.end()
    eye.end()
    shown = wall.end()
    # When the nodes have ended their readings grow stale, which is no fault's doing.
    shown["turns"] = [turn for turn in shown.get("turns", []) if turn[0] / 1000 < times.end]
    stopped = stage.stop("supervisor")
    broker = stage.stop("broker")
    noted, faults = eye.noted, hands.faults
    found = conditions(asked.seed, asked.speed, asked.days, times.first_us(asked.speed))
    return {
        "days": asked.days,
        "speed": asked.speed,
        "seed": asked.seed,
        "exit": {"nodes": nodes, "supervisor": stopped, "broker": broker},
        "faults": dict(sorted(Counter(fault.what for fault in faults).items())),
        "not_back": [fault.as_dict() for fault in faults if not fault.back],
        "longest_back": longest_back(faults),
        "supervisor_starts": stage.supervisor_starts,
        "readings": soak_checks.readings(stage.folder),
        "alarms": soak_checks.alarms(found, noted, faults, times.real_start, asked.speed),
        "behind_without_fault": soak_checks.slow_spans(noted, faults, (times.first + 5, times.end)),
        "acts": soak_acts.acts(stage.data, worker.asked, worker.hand.log_ins),
        "last_job_closed": last_closed,
        "memory": memory(noted.memory, asked.speed),
        "wall": soak_checks.wall(shown, faults) | {"fault": wall.fault},
        "broker_file_kb": {
            "largest": max((kb for _, kb in noted.broker_kb), default=0),
            "last": noted.broker_kb[-1][1] if noted.broker_kb else 0,
        },
        "memory_samples": noted.memory[::3],
        "all_faults": [fault.as_dict() for fault in faults],
        "turns": shown.get("turns", []),
    }


def longest_back(faults: list[Fault]) -> dict[str, float]:
    """Return for each kind of fault the longest from the end of its cause to all working [s]."""
    longest: dict[str, float] = {}
    for fault in faults:
        if fault.back:
            longest[fault.what] = max(
                longest.get(fault.what, 0.0), round(fault.back - fault.over, 1)
            )
    return dict(sorted(longest.items()))


def answers(stage: Stage) -> bool:
    """Tell whether the boards answer."""
    try:
        with urllib.request.urlopen(
            f"http://127.0.0.1:{stage.boards_port}/healthz", timeout=2
        ) as said:
            return bool(said.status == 200)
    except (OSError, urllib.error.URLError):
        return False


def works(stage: Stage, eye: Eye) -> bool:
    """Tell whether every process runs, the boards answer and the store keeps up."""
    return eye.behind_s < BEHIND_S and MODULES.keys() <= stage.pids().keys() and answers(stage)


def verdicts(report: dict[str, Any]) -> dict[str, bool]:
    """Return what was promised, and whether it held."""
    kept, wall = report["readings"], report["wall"]
    return {
        "readings lost 0": kept["lost"] == 0 and kept["made"] > 0,
        "readings doubled 0, changed 0": not kept["doubled"] + kept["changed"] + kept["not_made"],
        "alarms missed 0": not report["alarms"]["missed"] and report["alarms"]["judged"] > 0,
        "alarms in time": not report["alarms"]["late"],
        "silence of cut nodes said": report["alarms"]["silence"]["cuts"]
        == report["alarms"]["silence"]["said"],
        "everything back after each fault": not report["not_back"],
        "acts lost 0": not report["acts"]["lost"] and not report["acts"]["waiting"],
        "acts doubled 0": not report["acts"]["doubled"],
        "chain verifies": report["acts"]["chain_breaks_at"] is None,
        "jobs worked, last one closed": bool(report["acts"]["jobs_closed"])
        and report["last_job_closed"],
        "memory flat": all(is_flat(row) for row in report["memory"]),
        "wall back after each fault": not wall["never_back"]
        and wall["longest_back_s"] is not None
        and wall["longest_back_s"] <= BACK_WITHIN_S,
        "wall never shows old numbers": not wall["old_numbers_shown"] and not wall["fault"],
        "wall blank while nothing is known": not wall["not_blank"],
    }


def text_of(report: dict[str, Any]) -> str:
    """Return the report as lines."""
    kept, alarms, wall = report["readings"], report["alarms"], report["wall"]
    said, acts = alarms["silence"], report["acts"]
    lines = [
        f"{report['days']} clock days at {report['speed']:g} times real speed,",
        f"  seed {report['seed']}; {sum(report['faults'].values())} faults: {report['faults']}",
        f"readings: made {kept['made']}, stored {kept['stored']}, archived {kept['archived']};",
        f"  lost {kept['lost']}, doubled {kept['doubled']}, changed {kept['changed']}, stored and",
        f"  not made {kept['not_made']}; behind without a fault:",
        f"  {len(report['behind_without_fault'])} times; waiting in the broker",
        f"  (its file) at most {report['broker_file_kb']['largest']} kB, at the end",
        f"  {report['broker_file_kb']['last']} kB",
        f"alarms: {alarms['conditions']} conditions, {alarms['judged']} judged,",
        f"  {alarms['covered_by_outage']} covered by an outage, missed {len(alarms['missed'])};",
        f"  late {alarms['late']}, latest {alarms['latest_s']} s after its delay;",
        f"  silence said {said['said']} of",
        f"  {said['cuts']}; messages to people {report['messages_to_people']}",
        f"person: {acts['log_ins']} log-ins, asked {acts['asked']} times, answers",
        f"  {acts['answers']}; jobs opened {acts['jobs_opened']}, closed {acts['jobs_closed']},",
        f"  refused {acts['refused']}, alarms acknowledged {acts['acknowledged']};",
        f"  lost {acts['lost']}, doubled {acts['doubled']}, never taken up {acts['waiting']};",
        f"  chain of {acts['events']} events breaks at {acts['chain_breaks_at']}",
        f"wall: {wall['streams_opened']} streams opened, {wall['messages']} messages,",
        f"  old numbers shown {wall['old_numbers_shown']}, not blank {wall['not_blank']},",
        f"  longest back {wall['longest_back_s']} s after {wall['longest_back_after']}",
        f"longest until all works [s]: {report['longest_back']}",
        f"{'memory':<12}{'lives':>6}{'days':>7}{'first MB':>10}{'last MB':>9}{'at rest':>14}",
    ]
    lines += [memory_line(row) for row in report["memory"]]
    lines += [f"{'PASS' if ok else 'FAIL'}  {what}" for what, ok in verdicts(report).items()]
    return "\n".join(lines)


def main() -> int:
    """Run it and print the report; return 0 when all is as promised, 2 where it cannot run."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=float, default=30.0, help="clock days")
    options.add_argument("--speed", type=float, default=1500.0, help="clock seconds a second")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--json", type=Path, help="write the whole report here")
    options.add_argument("--keep", type=Path, help="an empty folder to work in and leave")
    given = options.parse_args()
    why_not = may_cut()
    if why_not:
        print(why_not, file=sys.stderr)
        return 2
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    asked = Asked(given.days, given.speed, given.seed)
    with tempfile.TemporaryDirectory(prefix="envmon-soak-") as temporary:
        report = run(given.keep or Path(temporary), asked)
    report["verdicts"] = verdicts(report)
    if given.json:
        given.json.write_text(json.dumps(report, indent=1, default=str), encoding="utf-8")
    print(text_of(report))
    return 0 if all(report["verdicts"].values()) else 1


if __name__ == "__main__":
    sys.exit(main())
