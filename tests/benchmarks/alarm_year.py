"""Alarms of a simulated year of work, beside the figures of ISA-18.2 and IEC 62682.

Run as ``python tests/benchmarks/alarm_year.py [--offset K] [--days N] [--keep FILE]``; takes eight
to twenty minutes; ``--cure-fan 100`` leaves the fan off while a coating cures. Weather: a typical
year of a cold coast (Sand Point, Alaska; TMY3, NREL), as it is or shifted by some kelvins.
Everything about alarms as it comes: the demo's shop file says nothing.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter, defaultdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.guard.figures import counts_of
from envmon.guard.figures_judged import figures_of
from envmon.guard.occurrences import log_of
from envmon_sensors.scenario import local_day
from tests import year_calendar
from tests.year_calendar import stays_between, works_on
from tests.year_person import Keeper, at_work
from tests.year_readings import Sent, year_of
from tests.year_support import run_year

if TYPE_CHECKING:
    from envmon.facts import Event

SEED, FIRST = 1, date(2026, 1, 1)


def sent_in(keep: Path | None, days: int, offset_k: float) -> Sent:
    """Return what the nodes sent, from a file where it is kept, else lived through."""
    if keep is not None and keep.exists():
        kept: Sent = pickle.loads(keep.read_bytes())
        return kept
    sent = year_of(SEED, FIRST, days, offset_k)
    if keep is not None:
        keep.write_bytes(pickle.dumps(sent))
    return sent


def report(events: list[Event], from_us: int, days: int) -> None:
    """Print the figures, the alarms by kind, and the ten that came most often with examples."""
    log = log_of(events)
    counts = counts_of(log, from_us, from_us + days * DAY_US)
    for figure in figures_of(counts):
        print(f"{figure.name:36} {figure.text:>10}   {figure.standard:50} {figure.verdict}")
    print(f"\nfleeting: {counts.fleeting}\nfloods: {counts.floods}, following: {counts.following}")
    calls: Counter[tuple[str, str]] = Counter()
    for one in log.past:
        calls[one.what, one.stage or "-"] += 1 + len(one.again_us)
    again = sum(len(one.again_us) for one in log.past)
    work = sum(works_on(local_day(from_us + n * DAY_US + DAY_US // 2)) for n in range(days))
    there = sum(at_work(one.raised_us) for one in log.past)
    print(
        f"raised {len(log.past)}, again {again}; in working hours {there / work:.1f} a working day"
    )
    woken = [one for one in log.past if one.priority == "high" and not at_work(one.raised_us)]
    print(f"priority high outside working hours: {len(woken)}\n")
    for (what, stage), count in calls.most_common(25):
        print(f"{count:6}  {what:12} {stage}")
    print("\nthe ten most frequent, with texts of some:")
    texts: defaultdict[str, list[str]] = defaultdict(list)
    for event in events:
        if event.kind == "alarm_raised":
            texts[event.data["alarm"]].append(f"{event.data['priority']}: {event.data['text']}")
    for leader in counts.top:
        some = texts[leader.alarm][:: max(1, len(texts[leader.alarm]) // 3)][:3]
        print(f"{leader.count:6} {leader.share_pct:5.1f} %  {leader.alarm}")
        print("".join(f"            {text}\n" for text in some), end="")


def main() -> None:
    """Live through the year, run it through the guard, print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--offset", type=float, default=0.0, help="shift of the weather [K]")
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--keep", type=Path, help="file in which the readings are kept")
    parser.add_argument("--ack-only", action="store_true", help="nobody sets a sensor aside")
    parser.add_argument("--cure-fan", type=float, help="humidity the fan holds in a cure [%%]")
    options = parser.parse_args()
    if options.cure_fan is not None:
        year_calendar.CURE_FAN_PCT = options.cure_fan
    sent = sent_in(options.keep, options.days, options.offset)
    stays = stays_between(SEED, FIRST, options.days)
    end_us = sent.start_us + options.days * DAY_US
    year = run_year(sent, stays, end_us, Keeper(sets_aside=not options.ack_only))
    report(year.events, sent.start_us, options.days)


if __name__ == "__main__":
    main()
