"""Whether an alarm told of a stage leaving its window: exits, what they came of, alarms, the score.

An exit is a stage being worked whose verdict turns unfit for five minutes and more, after as long
inside. It is told of when the alarm stands between forty and three minutes before it; an alarm is
false when no exit follows within forty minutes while the stage is still worked. An exit is sudden
when a door of the hall was opened, a wash was begun in the other bay, or the stage itself was begun
less than ten minutes before it: nobody could have told of it in time. All others could be foreseen.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from tests.year_calendar import SPRAYS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Event
    from envmon.guard.plan import GuardPlan
    from tests.year_calendar import Stay
    from tests.year_readings import Sent

TOLD_MIN, LATEST_MIN, STAYS_MIN, SUDDEN_MIN = 40, 3, 5, 10

Standing = list[tuple[float, float]]
"""From when to when an alarm stood [minutes of the run]."""


class Run(NamedTuple):
    """A time in which a stage was worked whose window is to be kept [minutes from the start]."""

    bay: str
    stage: str
    first: int
    last: int


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
    found: list[int] = []
    inside_since: float | None = None
    for (at, fitness), (end, _) in pairwise([*turns, (float(run.last), "")]):
        if fitness in {"fit", "marginal"}:
            inside_since = at if inside_since is None else inside_since
            continue
        if fitness == "unfit" and inside_since is not None and end - at >= STAYS_MIN:
            if at - inside_since >= STAYS_MIN:
                found.append(int(at))
            inside_since = None
    return found


def alarms_of(events: Sequence[Event], run: Run, start_us: int) -> Standing:
    """Return from when to when the guard's alarm stood that was raised in a run."""
    found: Standing = []
    since = None
    for event in events:
        if event.data.get("alarm") != f"{run.bay}-leaving":
            continue
        at = (event.at_us - start_us) / MINUTE_US
        if event.kind == "alarm_raised":
            since = at
        elif event.kind == "alarm_cleared" and since is not None:
            found.append((since, at))
            since = None
    return [one for one in found if run.first <= one[0] <= run.last]


def causes_of(sent: Sent, stays: dict[str, list[Stay]]) -> dict[str, list[int]]:
    """Return bay -> minutes at which a door of the hall opened, or a wash began beside the bay."""
    doors: list[int] = []
    for bay in stays:
        is_open = np.nan_to_num(sent.values[f"{bay}/door"]["open"]) > 0.5
        doors += (np.flatnonzero(is_open[1:] & ~is_open[:-1]) + 1).tolist()
    water = {bay: [_first_water(stay, sent.start_us) for stay in stays[bay]] for bay in stays}
    return {bay: [*doors, *(m for b in stays if b != bay for m in water[b])] for bay in stays}


def _first_water(stay: Stay, start_us: int) -> int:
    first = min(doing.start for doing in stay.job.doings if doing.kind in SPRAYS)
    return int((stay.from_us - start_us) / MINUTE_US + first)


class Share(NamedTuple):
    """So many of so many."""

    some: int = 0
    all: int = 0

    def plus(self, *, counts: bool) -> Share:
        """Return it with one more."""
        return Share(self.some + counts, self.all + 1)

    def __str__(self) -> str:
        return f"{self.some:3} of {self.all:3}"


class Score:
    """Exits missed and alarms false.

    Args:
        causes: What ``causes_of`` returns.
    """

    def __init__(self, causes: dict[str, list[int]]) -> None:
        self._causes = causes
        self.missed = {"foreseeable": Share(), "sudden": Share()}
        self.false = Share()
        self.open = 0
        """Alarms after which the stage was not worked for long enough to tell."""
        self.ahead: list[float] = []
        self.by_stage: defaultdict[str, list[Share]] = defaultdict(lambda: [Share(), Share()])

    def add(self, run: Run, exits: list[int], alarms: Standing) -> None:
        """Take in one run."""
        row = self.by_stage[run.stage]
        for at in exits:
            before = [a for a in alarms if a[0] <= at - LATEST_MIN and a[1] >= at - TOLD_MIN]
            kind = "sudden" if self._is_sudden(run, at) else "foreseeable"
            self.missed[kind] = self.missed[kind].plus(counts=not before)
            row[0] = row[0].plus(counts=not before)
            self.ahead += [at - max(a[0] for a in before)] if before else []
        for since, _ in alarms:
            follows = any(since - 1 <= at <= since + TOLD_MIN for at in exits)
            if not follows and since + TOLD_MIN > run.last:
                self.open += 1
                continue
            self.false = self.false.plus(counts=not follows)
            row[1] = row[1].plus(counts=not follows)

    def _is_sudden(self, run: Run, at: int) -> bool:
        begun = [run.first, *self._causes[run.bay]]
        return any(at - SUDDEN_MIN < minute <= at for minute in begun)

    def lines(self, name: str) -> list[str]:
        """Return the rows of the report."""
        ahead = f"{np.median(self.ahead):.0f}" if self.ahead else "-"
        kinds = ", ".join(f"{kind} {share}" for kind, share in self.missed.items())
        stages = [
            f"    {stage:12} missed {row[0]}  false {row[1]}"
            for stage, row in self.by_stage.items()
            if row[0].all or row[1].all
        ]
        false = f"false {self.false} ({self.open} open)"
        return [f"{name}: missed {kinds}; {false}; told {ahead} min before", *stages]
