"""*About to leave its window* on the simulated shop: by the trail alone, and with the outlook.

The guard lives through weeks of a damp autumn as in ``alarm_year.py``, but busier: the south bay
begins four hours later, so that one washes while the other coats, and a door is forgotten twice a
week; in the calendar as it is, hardly a stage leaves its window at all. The outlook learns from
four weeks, is judged on those after them, looks ahead every five minutes while a stage is worked
whose window is to be kept, and knows nothing of what is to come. An exit is a stage being worked
whose verdict turns unfit for five minutes and more, after as long inside. It is told of when the
alarm stands between forty and three minutes before it; an alarm is false when none follows within
forty minutes while the stage is still worked. Run as ``python tests/benchmarks/outlook_leaving.py
[--days 42] [--seed 1] [--keep FILE]``; takes five to twenty minutes.
"""

from __future__ import annotations

import argparse
import pickle
from collections import defaultdict
from dataclasses import replace
from datetime import date
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import OUTLOOK_SAID
from envmon.guard.plan import plan_from_shop
from envmon.outlook.constants import Priors
from envmon.outlook.crossing import FORESEEN, changes, courses_from, room_left
from envmon.outlook.experts import FORECAST, Bay
from envmon.outlook.likeness import voices
from envmon.outlook.mixing import mixed
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import Judged, judge, paths_of
from envmon.service.outlook_alarm import Looked, Teller
from tests import year_calendar, year_readings
from tests.outlook_judging import DAY, Turn, frames_of, rolling
from tests.year_calendar import Stay, stays_between
from tests.year_person import Act, Keeper
from tests.year_readings import Sent, demo_shop, year_of
from tests.year_support import Year, run_year

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from envmon.facts import Event
    from envmon.guard.plan import GuardPlan, StagePlan
    from envmon.guard.state import Finding, GuardState
    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.model import ModelFacts, Span

FIRST, LEARN_DAYS, OFFSET_K = date(2026, 9, 7), 28, 0.0
LATER_US, LEAST_STAY_US = 4 * HOUR_US, 3 * HOUR_US
DOORS_A_YEAR = 100
EVERY_MIN = 5
TOLD_MIN, LATEST_MIN, STAYS_MIN = 40, 3, 5
ON_MIN, OFF_MIN = 6, 30
"""Delays of the alarm, both ways [min]; see ``alarm_kinds``."""


class Run(NamedTuple):
    """A time in which a stage was worked whose window is to be kept [minutes of the run]."""

    bay: str
    stage: str
    first: int
    last: int


class Said(NamedTuple):
    """What the outlook said at a minute."""

    minute: int
    leaves: Span


def busy_stays(seed: int, first: date, days: int) -> dict[str, list[Stay]]:
    """Return the usual stays, those of the south bay begun later."""
    usual = stays_between(seed, first, days)
    later = [stay._replace(from_us=stay.from_us + LATER_US) for stay in usual["south"]]
    return {**usual, "south": [s for s in later if s.to_us - s.from_us >= LEAST_STAY_US]}


def stays_of(seed: int, days: int) -> dict[str, list[Stay]]:
    """Return the stays of all the weeks."""
    return busy_stays(seed, FIRST, days)


def make_busy() -> None:
    """Have the simulated year lived by the busy calendar."""
    vars(year_readings)["stays_between"] = busy_stays
    vars(year_calendar)["RATES"] = tuple(
        replace(rate, a_year=DOORS_A_YEAR) if rate.kind == "door" else rate
        for rate in year_calendar.RATES
    )


def runs_of(events: Sequence[Event], plan: GuardPlan, start_us: int, end: int) -> list[Run]:
    """Return the runs of stages whose window is to be kept."""
    goals = {stage.id for bay in plan.bays.values() for stage in bay.stages if stage.goal}
    found: list[Run] = []
    now: dict[str, tuple[str, int]] = {}
    for event in events:
        if event.kind not in {"stage_started", "stage_ended"}:
            continue
        minute = (event.at_us - start_us) // MINUTE_US
        stage, first = now.pop(event.bay, ("", 0))
        if stage and stage not in goals:
            found.append(Run(event.bay, stage, first, minute))
        if event.kind == "stage_started":
            now[event.bay] = (event.data["stage"], minute)
    return [run for run in found if run.last <= end]


def exits_of(events: Sequence[Event], run: Run, start_us: int) -> list[int]:
    """Return the minutes at which the verdict of a run's stage turned unfit for a while."""
    turns = [
        ((e.at_us - start_us) / MINUTE_US, e.data["fitness"])
        for e in events
        if e.kind == "stage_fitness" and e.bay == run.bay and e.data.get("stage") == run.stage
    ]
    turns = [turn for turn in turns if run.first <= turn[0] <= run.last]
    ends = [at for at, _ in turns[1:]] + [float(run.last)]
    found: list[int] = []
    inside_since: float | None = None
    for (at, fitness), end in zip(turns, ends, strict=True):
        if fitness in {"fit", "marginal"}:
            inside_since = at if inside_since is None else inside_since
            continue
        if fitness == "unfit" and inside_since is not None and end - at >= STAYS_MIN:
            if at - inside_since >= STAYS_MIN:
                found.append(int(at))
            inside_since = None
    return found


def trail_alarms(events: Sequence[Event], bay: str, start_us: int) -> list[tuple[float, float]]:
    """Return from when to when the guard's alarm stood."""
    found, since = [], None
    for event in events:
        if event.data.get("alarm") != f"{bay}-leaving":
            continue
        at = (event.at_us - start_us) / MINUTE_US
        if event.kind == "alarm_raised":
            since = at
        elif event.kind == "alarm_cleared" and since is not None:
            found.append((since, at))
            since = None
    return found


def with_stages(frames: dict[str, BayFrame], events: Sequence[Event]) -> dict[str, BayFrame]:
    """Return frames with the stages as they were worked, not as they had been planned."""
    found = {}
    for bay, frame in frames.items():
        stage = np.full(len(frame), "", dtype="U24")
        for event in events:
            if event.bay == bay and event.kind in {"stage_started", "stage_ended"}:
                row = max(0, -((frame.start_us - event.at_us) // MINUTE_US))
                stage[row:] = event.data.get("stage", "") if event.kind == "stage_started" else ""
        found[bay] = replace(frame, stage=stage)
    return found


def looks(frames: dict[str, BayFrame], turn: Turn, run: Run, stage: StagePlan) -> Iterator[Said]:
    """Yield what the outlook says in a run, minute by minute of its looks."""
    first = max(0, run.first - 2 * DAY)
    part = {b: f.rows(first, run.last + 181) for b, f in frames.items()}
    frame, facts = part[run.bay], turn.facts[run.bay]
    rows = np.arange(run.first - first + 1, run.last - first, EVERY_MIN)
    known = np.isfinite(frame["air_temp_c"]) & np.isfinite(frame["rel_hum_pct"])
    rows = rows[known[rows]]
    if not len(rows):
        return
    others = [
        Bay(part[b], turn.facts[b].constants, turn.facts[b].habits) for b in part if b != run.bay
    ]
    judged = judge(Bay(frame, facts.constants, facts.habits), rows, others)
    for place, row in enumerate(rows):
        span = _leaves(facts, judged, place, frame, int(row), stage)
        if span is not None:
            yield Said(first + int(row), span)


def _leaves(
    facts: ModelFacts, judged: Judged, place: int, frame: BayFrame, row: int, stage: StagePlan
) -> Span | None:
    trust = facts.trust[SITUATIONS[int(judged.situation[place])]]
    mixture = np.stack([mixed(judged.forecasts[n], trust.weights[n])[:, place] for n in FORECAST])
    now = [_mean(frame[name][row - 1 : row + 1]) for name in FORECAST]
    weights = voices(np.array(trust.marks), judged.marks[place], trust.heard)
    courses = courses_from(now, mixture, paths_of(trust), weights)
    held = [limit for limit in stage.limits if limit.quantity in FORESEEN]
    room = [room_left(courses, limit) for limit in held]
    if not held or not all(np.isfinite(left).all() for left in room):
        return None
    left = np.minimum.reduce(room)
    return changes(left, weights, inside=True) if left[0, 0] >= 0 else None


def _mean(values: Values) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def alarms_from(signs: list[tuple[int, bool]], last: int) -> list[tuple[float, float]]:
    """Return from when to when an alarm stands that follows a sign with its delays."""
    found: list[tuple[float, float]] = []
    since: float | None = None
    on_since: float | None = None
    off_since: float | None = None
    for minute, on in [*signs, (last, False)]:
        on_since = (minute if on_since is None else on_since) if on else None
        off_since = None if on else (minute if off_since is None else off_since)
        if since is None and on_since is not None and minute - on_since >= ON_MIN - EVERY_MIN:
            since = on_since + ON_MIN
        if since is not None and off_since is not None and minute - off_since >= OFF_MIN:
            found.append((since, off_since + OFF_MIN))
            since = None
    if since is not None:
        found.append((since, float(last)))
    return found


class Telling(Keeper):
    """The person who answers alarms, and beside them the outlook's words as the process asks."""

    def __init__(self, words: list[tuple[int, Act]]) -> None:
        super().__init__()
        self._words = sorted(words, key=itemgetter(0))

    def act(self, state: GuardState, findings: Iterable[Finding], now_us: int) -> list[Act]:
        """Return what is done and said at a time [µs]."""
        due = [word for at_us, word in self._words if at_us <= now_us]
        del self._words[: len(due)]
        return [*super().act(state, findings, now_us), *due]


def words_of(said: dict[Run, list[Said]], plan: GuardPlan, start_us: int) -> list[tuple[int, Act]]:
    """Return what the outlook process would have asked for, each with its time [µs]."""
    found = []
    for run, looked in said.items():
        teller = Teller(plan.bays[run.bay].rules.leaving_lead_us)
        for one in looked:
            at_us = start_us + one.minute * MINUTE_US
            data = teller.look(Looked(run.stage, one.leaves), at_us)
            if data is not None:
                found.append((at_us, Act(OUTLOOK_SAID, run.bay, data)))
    return found


class Score:
    """Exits told of and missed, alarms true and false."""

    def __init__(self) -> None:
        self.exits = self.told = self.alarms = self.false = self.open = 0
        self.ahead: list[float] = []
        self.by_stage: defaultdict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])

    def add(self, run: Run, exits: list[int], alarms: list[tuple[float, float]]) -> None:
        """Take in one run."""
        row = self.by_stage[run.stage]
        for at in exits:
            self.exits += 1
            row[0] += 1
            before = [a for a in alarms if a[0] <= at - LATEST_MIN and a[1] >= at - TOLD_MIN]
            if before:
                self.told += 1
                row[1] += 1
                self.ahead.append(at - max(a[0] for a in before))
        for since, _ in alarms:
            self.alarms += 1
            row[2] += 1
            if any(since - 1 <= at <= since + TOLD_MIN for at in exits):
                continue
            if since + TOLD_MIN > run.last:
                self.open += 1
                continue
            self.false += 1
            row[3] += 1

    def line(self, name: str) -> str:
        """Return one row of the report."""
        missed = self.exits - self.told
        judged = self.alarms - self.open
        ahead = f"{np.median(self.ahead):4.0f}" if self.ahead else "   -"
        return (
            f"{name:44} exits {self.exits:4} missed {missed:4} "
            f"({100 * missed / max(1, self.exits):3.0f} %)  alarms {judged:4} false {self.false:4} "
            f"({100 * self.false / max(1, judged):3.0f} %)  told {ahead} min before"
        )


def rules() -> dict[str, Callable[[Span], bool]]:
    """Return when the outlook says that a stage is about to leave its window."""

    def middle(minutes: float) -> Callable[[Span], bool]:
        return lambda span: span.middle is not None and span.middle <= minutes

    def late(minutes: float) -> Callable[[Span], bool]:
        return lambda span: span.late is not None and span.late <= minutes

    def early(minutes: float) -> Callable[[Span], bool]:
        return lambda span: span.early is not None and span.early <= minutes

    return {
        "middle within 10 min": middle(10), "middle within 20 min": middle(20),
        "middle within 30 min": middle(30), "late within 60 min": late(60),
        "late within 120 min": late(120), "early within 10 min": early(10),
        "early within 20 min": early(20), "early within 40 min": early(40),
    }  # fmt: skip


def sent_in(keep: Path | None, seed: int, days: int) -> Sent:
    """Return what the nodes sent, from a file where it is kept, else lived through."""
    if keep is not None and keep.exists():
        kept: Sent = pickle.loads(keep.read_bytes())
        return kept
    sent = year_of(seed, FIRST, days, OFFSET_K)
    if keep is not None:
        keep.write_bytes(pickle.dumps(sent))
    return sent


def main() -> None:
    """Live through the weeks and print what each rule would have told."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=42)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    make_busy()
    total = LEARN_DAYS + options.days
    sent, stays = sent_in(options.keep, options.seed, total), stays_of(options.seed, total)
    shop = demo_shop()
    plan = plan_from_shop(shop)
    to_us = sent.start_us + total * DAY * MINUTE_US
    year: Year = run_year(sent, stays, to_us)
    print("lived", flush=True)
    frames = with_stages(frames_of(sent, stays), year.events)
    runs = runs_of(year.events, plan, sent.start_us, (total - 1) * DAY)
    priors = {bay.id: Priors(bay.volume_m3 or 200.0) for bay in shop.bay}
    said: dict[Run, list[Said]] = {}
    for turn in rolling(frames, priors, (LEARN_DAYS, total - 1), refit=14):
        for run in runs:
            if turn.from_day * DAY <= run.first < turn.to_day * DAY:
                stage = next(s for s in plan.bays[run.bay].stages if s.id == run.stage)
                said[run] = list(looks(frames, turn, run, stage))
    words = words_of(said, plan, sent.start_us)
    again = run_year(sent, stays_of(options.seed, total), to_us, Telling(words))
    report((year.events, again.events), said, sent.start_us)
    print(f"words of the outlook: {len(words)}")


def report(
    lived: tuple[Sequence[Event], Sequence[Event]], said: dict[Run, list[Said]], start_us: int
) -> None:
    """Print exits missed and alarms false, of the guard without and with words, and of rules."""
    events = lived[0]
    exits = {run: exits_of(events, run, start_us) for run in said}
    trail = {
        run: [a for a in trail_alarms(events, run.bay, start_us) if run.first <= a[0] <= run.last]
        for run in said
    }
    alone = Score()
    for run in said:
        alone.add(run, exits[run], trail[run])
    print(alone.line("the guard without the outlook"))
    whole = Score()
    for run in said:
        stood = trail_alarms(lived[1], run.bay, start_us)
        whole.add(run, exits[run], [a for a in stood if run.first <= a[0] <= run.last])
    print(whole.line("the guard with the outlook's words"))
    for name, rule in rules().items():
        own, either, both = Score(), Score(), Score()
        for run, looked in said.items():
            signs = [(one.minute, rule(one.leaves)) for one in looked]
            alarms = alarms_from(signs, run.last)
            own.add(run, exits[run], alarms)
            either.add(run, exits[run], _either(trail[run], alarms))
            both.add(run, exits[run], [a for a in trail[run] if _meets(a, signs)])
        print(own.line(f"outlook alone, {name}"))
        print(either.line(f"trail or outlook, {name}"))
        print(both.line(f"trail and outlook, {name}"))
    print("\nby stage (the trail alone): exits, told of, alarms, false")
    for stage, row in alone.by_stage.items():
        print(f"  {stage:12} {row}")


def _either(
    one: list[tuple[float, float]], other: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for since, until in sorted([*one, *other]):
        if found and since <= found[-1][1]:
            found[-1] = (found[-1][0], max(until, found[-1][1]))
        else:
            found.append((since, until))
    return found


def _meets(alarm: tuple[float, float], signs: list[tuple[int, bool]]) -> bool:
    """Return whether the outlook said so in the minutes before an alarm was raised."""
    return any(on for minute, on in signs if alarm[0] - ON_MIN - EVERY_MIN <= minute <= alarm[0])


if __name__ == "__main__":
    main()
