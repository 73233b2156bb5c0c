"""*About to leave its window* on the simulated shop: by the trail, and by the outlook's words.

The guard lives through weeks of a damp autumn and early winter as in ``alarm_year.py``, but busier:
the south bay begins four hours later, so that one washes while the other coats, a door is forgotten
twice a week, and from November on a heater fails every nine days; in the calendar as it is, hardly
a stage leaves its window at all. The guard turns every minute. The outlook learns from four weeks,
is judged on those after them, looks ahead every two minutes while a stage is worked whose window is
to be kept, and knows nothing of what is to come; its words become events as ``outlook_process``
asks for them, the rise beside a wetter bay among them. What counts as an exit and as told of: see
``outlook_leaving_score``. Run as
``python tests/benchmarks/outlook_leaving.py [--days 56] [--seed 1] [--leads 20] [--keep FOLDER]``;
takes ten to twenty minutes, of which a folder saves most the next time.
"""

from __future__ import annotations

import argparse
import pickle
from dataclasses import replace
from datetime import date
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import OUTLOOK_SAID
from envmon.guard.plan import plan_from_shop
from envmon.outlook.constants import Priors
from envmon.outlook.crossing import FORESEEN, changes, room_left
from envmon.outlook.experts import FORECAST, Bay
from envmon.outlook.foresee import Expected
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import expected_of, judge
from envmon.service.outlook.alarm import NEVER, Looked, Teller
from envmon.service.outlook.beside import SWING_MIN, leaves_beside
from tests import year_calendar, year_readings, year_support
from tests.outlook_judging import DAY, frames_of, rolling
from tests.outlook_leaving_score import Score, alarms_of, causes_of, exits_of, runs_of
from tests.year_calendar import Stay, stays_between
from tests.year_person import Act, Keeper
from tests.year_readings import Sent, demo_shop, year_of
from tests.year_support import run_year

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from envmon.facts import Event
    from envmon.guard.plan import GuardPlan, StagePlan
    from envmon.guard.state import Finding, GuardState
    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.model import ModelFacts, Span
    from envmon.outlook.trust import Judged
    from tests.outlook_judging import Turn
    from tests.outlook_leaving_score import Run

FIRST, LEARN_DAYS, OFFSET_K = date(2026, 9, 28), 28, 0.0
LATER_US, LEAST_STAY_US = 4 * HOUR_US, 3 * HOUR_US
A_YEAR = {"door": 100, "heater": 40}
"""How often a door is forgotten and a heater fails; heaters fail in winter only."""
EVERY_MIN, LEAD_MIN = 2, 20.0


class Said(NamedTuple):
    """What the outlook said at the end of a minute."""

    minute: int
    leaves: Span | None
    beside_min: float | None = None


def busy_stays(seed: int, first: date, days: int) -> dict[str, list[Stay]]:
    """Return the usual stays, those of the south bay begun later."""
    usual = stays_between(seed, first, days)
    later = [stay._replace(from_us=stay.from_us + LATER_US) for stay in usual["south"]]
    return {**usual, "south": [s for s in later if s.to_us - s.from_us >= LEAST_STAY_US]}


def make_busy() -> None:
    """Have the simulated year lived by the busy calendar, and the guard turn every minute."""
    vars(year_readings)["stays_between"] = busy_stays
    vars(year_support)["TURN_US"] = MINUTE_US
    vars(year_calendar)["RATES"] = tuple(
        replace(rate, a_year=A_YEAR.get(rate.kind, rate.a_year)) for rate in year_calendar.RATES
    )


class Kept:
    """What takes long, worked out once for a seed, kept in a folder where there is one."""

    def __init__(self, folder: Path | None, seed: int) -> None:
        self._folder, self._seed = folder, seed

    def get(self, name: str, make: Callable[[], Any]) -> Any:
        """Return what was kept under a name, else what is made now."""
        path = self._folder and self._folder / f"{name}{self._seed}.pkl"
        if path is not None and path.exists():
            return pickle.loads(path.read_bytes())
        made = make()
        if path is not None:
            path.write_bytes(pickle.dumps(made))
        return made


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
    """Yield what the outlook says in a run, look by look."""
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
        lately = frame.rows(int(row) + 1 - SWING_MIN, int(row) + 1)
        yield Said(
            first + int(row),
            _leaves(facts, judged, place, frame, int(row), stage),
            leaves_beside(lately, stage, LEAD_MIN),
        )


def _leaves(
    facts: ModelFacts, judged: Judged, place: int, frame: BayFrame, row: int, stage: StagePlan
) -> Span | None:
    situation = SITUATIONS[int(judged.situation[place])]
    trust = facts.trust[situation]
    mixture = expected_of(judged, trust.weights, trust.lean)[:, :, place]
    now = [_mean(frame[name][row - 1 : row + 1]) for name in FORECAST]
    expected = Expected(situation, mixture, trust, judged.marks[place])
    courses = expected.courses(now, stretched=False)
    held = [limit for limit in stage.limits if limit.quantity in FORESEEN]
    room = [room_left(courses, limit) for limit in held]
    if not held or not all(np.isfinite(left).all() for left in room):
        return None
    left = np.minimum.reduce(room)
    return changes(left, courses.weights, inside=True) if left[0, 0] >= 0 else NEVER


def _mean(values: Values) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


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


def words_of(said: dict[Run, list[Said]], lead_us: int, start_us: int) -> list[tuple[int, Act]]:
    """Return what the outlook process would have asked for, each with its time [µs]."""
    found = []
    for run, looked in said.items():
        teller = Teller(lead_us)
        for one in looked:
            at_us = start_us + (one.minute + 1) * MINUTE_US
            data = teller.look(Looked(run.stage, one.leaves, "", one.beside_min), at_us)
            if data is not None:
                found.append((at_us, Act(OUTLOOK_SAID, run.bay, data)))
    return found


def with_lead(plan: GuardPlan, lead_us: int) -> GuardPlan:
    """Return a plan that looks so far ahead for a stage that is about to leave its window."""
    bays = {
        bay: replace(one, rules=replace(one.rules, leaving_lead_us=lead_us))
        for bay, one in plan.bays.items()
    }
    return replace(plan, bays=bays)


def later(sent: Sent, days: int) -> Sent:
    """Return what was sent from so many days on."""
    values = {
        node: {name: column[days * DAY :] for name, column in measures.items()}
        for node, measures in sent.values.items()
    }
    return sent._replace(start_us=sent.start_us + days * DAY * MINUTE_US, values=values)


class Weeks:
    """The weeks of a seed: what was sent, what the guard found alone, what the outlook said."""

    def __init__(self, seed: int, days: int, folder: Path | None) -> None:
        total = LEARN_DAYS + days
        self._seed, self._total = seed, total
        self._kept, self._days = Kept(folder, seed), (LEARN_DAYS, total - 1)
        self.plan = plan_from_shop(demo_shop())
        self.sent: Sent = self._kept.get("sent", lambda: year_of(seed, FIRST, total, OFFSET_K))
        self._to_us = self.sent.start_us + total * DAY * MINUTE_US
        self.alone: list[Event] = self._kept.get("alone", lambda: self.lived(self.plan, []))
        self.said: dict[Run, list[Said]] = self._kept.get("said", self._outlook)
        self.causes = causes_of(self.sent, self._stays())

    def _stays(self) -> dict[str, list[Stay]]:
        return busy_stays(self._seed, FIRST, self._total)

    def lived(self, plan: GuardPlan, words: list[tuple[int, Act]]) -> list[Event]:
        """Return the events of the weeks under a plan, with words of the outlook.

        With words the guard begins two days before the first of them: what it remembers of the
        weeks before has no say in whether a stage is about to leave its window.
        """
        sent = later(self.sent, LEARN_DAYS - 2) if words else self.sent
        stays = {
            bay: [stay for stay in some if stay.from_us >= sent.start_us]
            for bay, some in self._stays().items()
        }
        return run_year(sent, stays, self._to_us, Telling(words), plan).events

    def heard(self, lead_min: int, words: list[tuple[int, Act]]) -> list[Event]:
        """Return the events of the weeks with words of the outlook that look so far ahead."""
        plan = with_lead(self.plan, lead_min * MINUTE_US)
        found: list[Event] = self._kept.get(f"heard{lead_min}_", lambda: self.lived(plan, words))
        return found

    def _outlook(self) -> dict[Run, list[Said]]:
        frames = with_stages(frames_of(self.sent, self._stays()), self.alone)
        runs = runs_of(self.alone, self.plan, self.sent.start_us, self._days[1] * DAY)
        priors = {bay.id: Priors(bay.volume_m3 or 200.0) for bay in demo_shop().bay}
        said = {}
        for turn in rolling(frames, priors, self._days, refit=28):
            for run in runs:
                if turn.from_day * DAY <= run.first < turn.to_day * DAY:
                    stage = next(s for s in self.plan.bays[run.bay].stages if s.id == run.stage)
                    said[run] = list(looks(frames, turn, run, stage))
        return said

    def score(self, events: Sequence[Event]) -> Score:
        """Return how the alarms among events did."""
        score, start_us = Score(self.causes), self.sent.start_us
        for run in self.said:
            score.add(run, exits_of(events, run, start_us), alarms_of(events, run, start_us))
        return score


def main() -> None:
    """Live through the weeks without and with the outlook's words, and print how alarms did."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=56)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--leads", type=int, nargs="+", default=[20], help="[min]")
    parser.add_argument("--keep", type=Path, help="folder in which what takes long is kept")
    options = parser.parse_args()
    make_busy()
    weeks = Weeks(options.seed, options.days, options.keep)
    print("\n".join(weeks.score(weeks.alone).lines("the trail alone, 20 min")))
    for lead_min in options.leads:
        words = words_of(weeks.said, lead_min * MINUTE_US, weeks.sent.start_us)
        events = weeks.heard(lead_min, words)
        lines = weeks.score(events).lines(f"with the outlook's words, {lead_min} min")
        print("\n".join(lines), f"\n    {len(words)} words", flush=True)


if __name__ == "__main__":
    main()
