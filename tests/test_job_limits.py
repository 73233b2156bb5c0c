"""While a job is open its own procedure and products hold in its bay, and its cure is watched.

Source: rule 6 of the design (ours): the maker's sheet wins. The limits without a sheet are common
practice. The streams are those of test_guard_calm.py, with jobs opened and closed in them.
"""

from __future__ import annotations

import hashlib
import random
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from envmon.facts import CURE_FITNESS, JOB_CLOSED, JOB_OPENED, Event
from envmon.guard.engine import fitted_state, fresh_state
from envmon.service.restored import plan_fingerprint
from tests.guard_support import SHOP, START_US, Bench, event, plan_from
from tests.job_support import JOB_SHOP
from tests.test_guard_calm import (
    _bare,
    _cuts,
    _step,
    _time,
    assert_same_meaning,
    stream,
    strict_shop,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Reading
    from envmon.guard.plan import GuardPlan

STRICT = strict_shop().replace('procedure = "work"\n', "")
PLANS = {"plain": plan_from(JOB_SHOP), "strict": plan_from(STRICT)}
NAMES = {"plain": ("coat", "work", "gone"), "strict": ("work", "gone")}
DEFAULT, COAT = (18.0, 24.0), (16.0, 28.0)
"""Air of the coating stage by common practice, and as the invented sheet of the job says."""


class JobBench(Bench):
    """A guard stepped by hand in a shop with jobs."""

    def __init__(self) -> None:
        super().__init__(JOB_SHOP)

    def say(self, kind: str, at_s: float, **data: object) -> None:
        self._seq += 1
        self.take([], [event(self._seq, kind, "one", at_s, dict(data))])

    def open(self, at_s: float, procedure: str = "coat") -> None:
        self.say(JOB_OPENED, at_s, job="260127-1", procedure=procedure)

    def start_in_job(self, stage: str, at_s: float) -> None:
        self.say("stage_started", at_s, job="260127-1", stage=stage, step=1)

    def air_limit(self) -> tuple[float | None, float | None]:
        reason = self.reason("coating", "air_temp_c")
        return reason.low, reason.high

    def told(self) -> list[tuple[float, str, str]]:
        return [
            ((f.at_us - START_US) / 1e6, f.data["stage"], f.data["fitness"])
            for f in self.findings
            if f.kind == CURE_FITNESS
        ]

    def warm(self, temp_c: float, from_s: int, to_s: int) -> None:
        for at_s in range(from_s, to_s, 20):
            self.air(temp_c, at_s)
            self.panel(21.0, at_s)


def test_the_jobs_own_limits_hold_from_its_opening_to_its_close() -> None:
    bench = JobBench()
    bench.all_well(1)
    assert bench.air_limit() == DEFAULT
    bench.open(2)
    assert bench.air_limit() == COAT
    bench.say(JOB_CLOSED, 3, job="260127-1")
    assert bench.air_limit() == DEFAULT
    bench.open(4, "no_such_procedure")
    assert bench.air_limit() == DEFAULT


def test_a_limit_that_changed_settles_anew_and_others_stand_as_they_were() -> None:
    bench = JobBench()
    bench.warm(26.0, 0, 1200)
    assert bench.fitness("coating") == "unfit"
    drying = bench.state.bays["one"].stages["drying"]
    bench.open(1200)
    assert bench.fitness("coating") == "marginal"  # inside 16–28 since now, settling
    assert bench.state.bays["one"].stages["drying"] == drying
    bench.warm(26.0, 1200, 1820)
    assert bench.fitness("coating") == "fit"
    bench.say(JOB_CLOSED, 1820, job="260127-1")
    assert bench.fitness("coating") == "unfit"


def test_alarms_go_by_the_limits_of_the_job() -> None:
    bench = JobBench()
    bench.warm(26.0, 0, 600)
    bench.open(600)
    bench.start_in_job("coating", 601)
    bench.warm(26.0, 620, 2400)
    assert bench.alarms() == set()
    bench.warm(29.0, 2400, 4200)
    assert bench.alarms() == {"window"}
    other = JobBench()
    other.warm(26.0, 0, 600)
    other.start("coating", 601)
    other.warm(26.0, 620, 2400)
    assert other.alarms() == {"window"}


def test_the_cure_window_is_told_from_the_coating_to_the_close_and_at_every_turn() -> None:
    bench = JobBench()
    bench.warm(21.0, 0, 100)
    bench.open(100)
    bench.start_in_job("polish", 101)
    assert bench.told() == []
    bench.start_in_job("coating", 120)
    assert bench.told() == [(120, "early_cure", "fit")]
    bench.warm(21.0, 140, 200)
    bench.start_in_job("early_cure", 200)
    bench.air(29.0, 220)
    bench.panel(29.0, 220)
    assert bench.told()[1:] == [(220, "early_cure", "unfit")]
    bench.start_in_job("cure", 230)  # common practice there: 15 to 25 °C
    bench.air(26.0, 240)
    assert bench.told()[2:] == []
    bench.air(21.0, 260)
    assert bench.told()[2:] == [(260, "cure", "fit")]
    bench.go(400)  # nothing heard for longer than it may be
    assert bench.told()[3][1:] == ("cure", "unknown")
    bench.say(JOB_CLOSED, 410, job="260127-1")
    bench.warm(21.0, 420, 500)
    assert len(bench.told()) == 4


def test_without_a_job_no_cure_is_told() -> None:
    bench = JobBench()
    bench.warm(21.0, 0, 100)
    for stage in ("coating", "early_cure", "cure"):
        bench.start(stage, 100)
        bench.warm(29.0, 120, 400)
    assert bench.told() == []


def test_only_procedures_that_ask_for_something_else_have_a_plan_of_their_own() -> None:
    assert set(plan_from().variants) == {("two", "work")}, "bay one works by it anyway"
    plan = plan_from(SHOP.replace('name = "Bay two"\n', 'name = "Bay two"\nprocedure = "work"\n'))
    assert plan.variants == {}
    # The digest of such a shop is the one it had before there were jobs: replays go on.
    assert plan_fingerprint(plan) == hashlib.sha256(repr(plan).encode()).hexdigest()
    assert "variants" not in repr(plan)
    changed = plan_from(JOB_SHOP.replace("high = 28", "high = 27"))
    assert plan_fingerprint(changed) != plan_fingerprint(PLANS["plain"])


def with_jobs(
    plan: GuardPlan, names: Sequence[str], seed: int, length: int
) -> list[Reading | Event]:
    """Return a stream in which jobs are opened and closed, and stages belong to them or not."""
    chance, facts = random.Random(seed + 7), stream(plan, seed, length)
    mixed: list[Reading | Event] = []
    for fact in facts:
        if isinstance(fact, Event):
            job = {"job": "x"} if chance.random() < 0.7 else {}
            mixed.append(Event(0, fact.at_us, fact.kind, fact.bay, {**fact.data, **job}, ""))
        elif chance.random() < 0.01:
            kind = chance.choice([JOB_OPENED, JOB_OPENED, JOB_CLOSED])
            data = {"job": "x", "procedure": chance.choice(names)}
            bay, at_us = chance.choice(["one", "two"]), _time(fact)
            mixed.append(Event(0, at_us, kind, bay, data, ""))
        mixed += [] if isinstance(fact, Event) else [fact]
    order = sorted((f for f in mixed if isinstance(f, Event)), key=_time)
    seqs = {id(each): seq for seq, each in enumerate(order, 1)}
    return [
        Event(seqs[id(f)], f.at_us, f.kind, f.bay, f.data, "") if isinstance(f, Event) else f
        for f in mixed
    ]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("name", PLANS)
def test_streams_with_jobs_mean_the_same_however_they_are_cut(name: str, seed: int) -> None:
    facts = with_jobs(PLANS[name], NAMES[name], seed, 900)
    outcome = assert_same_meaning(PLANS[name], facts, _cuts(facts, seed, 15))
    assert outcome.trace


@settings(deadline=None, max_examples=25)
@given(st.sampled_from(sorted(PLANS)), st.integers(0, 2**32), st.integers(20, 300))
@example("strict", 500, 20)  # a sensor lost for never being heard
def test_a_judgement_too_many_changes_nothing(name: str, seed: int, length: int) -> None:
    plan = PLANS[name]
    facts = with_jobs(plan, NAMES[name], seed, length)
    state, _, _ = _step(plan, fresh_state(plan, START_US), facts, max(map(_time, facts)))
    again, findings = fitted_state(plan, state)
    assert findings == []
    assert _bare(again) == _bare(state)


@pytest.mark.parametrize("seed", range(4))
def test_the_trace_tells_how_every_stage_stands_though_its_limits_change(seed: int) -> None:
    plan = PLANS["plain"]
    facts = with_jobs(plan, NAMES["plain"], seed, 900)
    start = fresh_state(plan, START_US)
    told = {(b, s): now.fitness for b, bay in start.bays.items() for s, now in bay.stages.items()}
    outcome = _step(plan, start, facts, max(map(_time, facts)))
    for turn in outcome.trace:
        assert told[turn.bay, turn.stage] != turn.fitness
        told[turn.bay, turn.stage] = turn.fitness
    stands = {(b, s): n.fitness for b, bay in outcome.state.bays.items()
              for s, n in bay.stages.items()}  # fmt: skip
    assert told == stands
