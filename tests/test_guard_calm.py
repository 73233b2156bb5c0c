"""A reading that cannot change anything is not judged, and nothing but the time saved shows it.

The reference is the guard itself, made to judge at every reading by taking away, before each
moment, what it knows of calm. Source of the law: none outside the project; it compares the
function with itself. The streams rest on limits, drift over them, fall silent and disagree.
"""

from __future__ import annotations

import math
import random
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.facts import Event, Flag, Reading
from envmon.guard.engine import fitted_state, fresh_state, step
from envmon.guard.state import Finding, GuardState, StageTurn
from envmon.physics.air import moist_air_state
from envmon.units import QUANTITIES
from tests.guard_support import SHOP, START_US, Bench, event, plan_from, reading, us

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.plan import GuardPlan

Fact = Reading | Event

HELD: dict[str, list[tuple[str, float | None, float | None, float, float]]] = {
    "wipe": [
        ("wet_bulb_c", 12, 15, 0.5, 0.2),
        ("dew_point_c", None, 11, 0, 0),
        ("air_temp_rate_k_h", -3, 3, 1, 0.5),
        ("air_pressure_pa", 99_000, None, 200, 50),
    ],
    "coating": [
        ("air_temp_c", 18, 24, 2, 0),
        ("dew_margin_k", 3, 12, 2, 0.4),
        ("panel_temp_c", 15, 25, 0, 0.3),
        ("vapour_pressure_pa", 700, 1400, 0, 0),
    ],
    "cure": [
        ("humidity_ratio_kg_kg", 0.005, 0.009, 0.0005, 0.0002),
        ("frost_point_c", -8, 8, 0.5, 0),
        ("rel_hum_rate_pct_h", -20, 20, 0, 0),
        ("door_open", 0, 0, 0, 0),
    ],
}
"""Stage -> (quantity, low, high, margin, deadband): a limit on everything that is derived."""


def strict_shop() -> str:
    """Return a shop with limits on everything derived, and two of every sensor in bay one."""
    limits = []
    for stage, rows in HELD.items():
        for quantity, low, high, margin, deadband in rows:
            ends = [f"{k} = {v}" for k, v in (("low", low), ("high", high)) if v is not None]
            lines = [
                f'stage = "{stage}"\nquantity = "{quantity}"', *ends,
                f"margin = {margin}\ndeadband = {deadband}\non_delay = 40\noff_delay = 20",
            ]  # fmt: skip
            limits.append("[[product.limit]]\n" + "\n".join(lines))
    more = """
[[point]]
id = "panel-b"
bay = "one"
topic = "hall/panel-b"
stale_after = 50
reads = { panel_temp_c = { name = "t" }, rel_hum_pct = { name = "h" }, door_open = { name = "d" } }

[[point]]
id = "roof"
topic = "roof"
stale_after = 200
reads = { air_pressure_pa = { name = "p" }, outdoor_temp_c = { name = "t" } }
"""
    steps = ", ".join(f'{{ stage = "{s}", product = "test_wax" }}' for s in ("polish", *HELD))
    before, _, _ = SHOP.partition("[[procedure]]")
    procedure = f'[[procedure]]\nid = "work"\nname = "Work"\nstep = [{steps}]\n'
    before = before.replace('name = "Bay two"\n', 'name = "Bay two"\nprocedure = "work"\n')
    # Longer than a trail of the air says anything of the present.
    before = before.replace("stale_after = 60", "stale_after = 600")
    return "\n".join([before, *limits, more, procedure])


PLANS = {"plain": plan_from(), "strict": plan_from(strict_shop())}


class Outcome(NamedTuple):
    state: GuardState
    findings: list[Finding]
    trace: list[StageTurn]


def _time(fact: Fact) -> int:
    return fact.seen_us if isinstance(fact, Reading) else fact.at_us


def _step(plan: GuardPlan, state: GuardState, facts: Sequence[Fact], to_us: int) -> Outcome:
    readings = [fact for fact in facts if isinstance(fact, Reading)]
    events = [fact for fact in facts if isinstance(fact, Event)]
    trace: list[StageTurn] = []
    state, findings = step(plan, state, readings, events, to_us, trace)
    return Outcome(state, findings, trace)


def _restless(state: GuardState) -> GuardState:
    """Return a state that knows nothing of calm."""
    state = state.copy()
    for bay in state.bays.values():
        bay.calm = {}
    return state


def judged_always(plan: GuardPlan, facts: Sequence[Fact], end_us: int) -> Outcome:
    """Step from moment to moment, judging every bay that a reading speaks for."""
    state = fresh_state(plan, START_US)
    findings: list[Finding] = []
    trace: list[StageTurn] = []
    for at_us, together in groupby(sorted(facts, key=_time), key=_time):
        # Deadlines first, for what they bring is calm again.
        for part in ([], list(together)):
            state, found, turns = _step(plan, _restless(state), part, at_us)
            findings, trace = findings + found, trace + turns
    last = _step(plan, state, [], end_us)
    return Outcome(last.state, findings + last.findings, trace + last.trace)


def in_steps(
    plan: GuardPlan, facts: Sequence[Fact], cuts: Sequence[int], end_us: int, *, restart: bool
) -> Outcome:
    """Step from cut to cut; with ``restart`` the state goes through its snapshot each time."""
    state = fresh_state(plan, START_US)
    findings: list[Finding] = []
    trace: list[StageTurn] = []
    for before_us, cut_us in pairwise([-1, *sorted({*cuts, end_us})]):
        part = [fact for fact in facts if before_us < _time(fact) <= cut_us]
        state, found, turns = _step(plan, state, part, cut_us)
        findings, trace = findings + found, trace + turns
        if restart:
            state = msgspec.json.decode(msgspec.json.encode(state), type=GuardState)
    return Outcome(state, findings, trace)


def _bare(state: GuardState) -> GuardState:
    """Return a state without what only says when to judge."""
    state = state.copy()
    for bay in state.bays.values():
        bay.calm, bay.wake_us, bay.begun_us = {}, None, 0
    return state


def assert_same_meaning(plan: GuardPlan, facts: Sequence[Fact], cuts: Sequence[int]) -> Outcome:
    """Hold one stream judged always against itself in one step, in many, and with restarts."""
    end_us = max([START_US, *map(_time, facts)]) + 400_000_000
    slow = judged_always(plan, facts, end_us)
    quick = in_steps(plan, facts, [], end_us, restart=False)
    assert quick.findings == slow.findings
    assert quick.trace == slow.trace
    assert _bare(quick.state) == _bare(slow.state)
    for restart in (False, True):
        # The box itself, too, does not depend on how the stream is cut.
        assert in_steps(plan, facts, cuts, end_us, restart=restart) == quick
    return slow


class Weather:
    """A random shop: values that rest, drift and jump, mostly near some limit."""

    def __init__(self, plan: GuardPlan, seed: int) -> None:
        self.random = random.Random(seed)
        self.series = sorted(plan.series)
        self.edges: dict[str, list[float]] = {}
        for bay in plan.bays.values():
            for limit in (limit for stage in bay.stages for limit in stage.limits):
                for edge, inward in ((limit.low, 1), (limit.high, -1)):
                    if math.isfinite(edge):
                        steps = (0, limit.margin, limit.deadband, limit.margin + limit.deadband)
                        found = self.edges.setdefault(limit.quantity, [])
                        found += [edge + inward * step for step in steps]
        mild = {"air_temp_c": 20.5, "rel_hum_pct": 47.0, "panel_temp_c": 18.0}
        self.base = {
            "water_temp_c": 35.0, "air_pressure_pa": 100_500.0, "door_open": 0.0,
            "outdoor_temp_c": -4.0,
            **self.random.choice(
                [
                    mild, mild, mild,
                    {"air_temp_c": 2.0, "rel_hum_pct": 90.0, "panel_temp_c": 0.0},
                    {"air_temp_c": 8.0, "rel_hum_pct": 99.5, "panel_temp_c": 8.0},
                    {"air_temp_c": 20.0, "rel_hum_pct": 1.0, "panel_temp_c": -2.0},
                    {"air_temp_c": 20.0, "rel_hum_pct": 0.0, "panel_temp_c": 15.0},
                ]
            ),
        }  # fmt: skip
        self.off = {series: self.random.gauss(0, 0.3) for series in self.series}
        self.noise = self.random.choice([0.001, 0.015, 0.015, 0.1])
        self.silent: dict[tuple[str, str], float] = {}
        self.broken = self.random.choice([None, None, self.random.choice(self.series)])
        """A sensor of which nothing can be used."""

    def turn(self) -> None:
        """Let something happen: a drift, a jump, a limit to rest on, a sensor that goes astray."""
        chance = self.random
        quantity = chance.choice(sorted({q for _, q in self.series}))
        size = 150.0 if quantity == "air_pressure_pa" else 1.0
        what = chance.random()
        if what < 0.35 and quantity in self.edges:
            self.base[quantity] = chance.choice(self.edges[quantity])
        elif what < 0.5 and "dew_margin_k" in self.edges:
            self.base["panel_temp_c"] = self._on_margin()
        elif what < 0.7:
            self.base[quantity] += chance.gauss(0, size)
        elif what < 0.9:
            series = chance.choice(self.series)
            within = QUANTITIES[series[1]].agree_within
            self.off[series] = chance.choice([0.0, 0.0, within, 0.8 * within, chance.gauss(0, 1)])
        elif what < 0.95:
            self.silent[chance.choice(self.series)] = chance.choice([20.0, 70.0, 400.0])

    def _on_margin(self) -> float:
        """Return the panel that puts the dew margin on one of its edges."""
        try:
            air = moist_air_state(self.base["air_temp_c"], self.base["rel_hum_pct"])
        except InputError:
            return 0.0
        panel: float = air.dew_point_c + self.random.choice(self.edges["dew_margin_k"])
        return panel

    def value(self, series: tuple[str, str]) -> float:
        quantity = series[1]
        if quantity == "door_open":
            return float(self.random.random() < 0.02)
        size = 50.0 if quantity == "air_pressure_pa" else 1.0
        spread = self.random.gauss(0, self.noise) * size
        value = self.base[quantity] + self.off[series] + spread
        low, high = QUANTITIES[quantity].low, QUANTITIES[quantity].high
        return round(min(max(value, low), high), self.random.choice([3, 3, 3, 15]))


def stream(plan: GuardPlan, seed: int, length: int) -> list[Fact]:
    """Return a long stream of readings and events, one moment after the other."""
    weather, chance = Weather(plan, seed), random.Random(seed + 1)
    stages = [stage.id for stage in plan.bays["one"].stages]
    facts: list[Fact] = []
    at_s, seq = 1.0, 0
    every_s = chance.choice([0.2, 0.5, 2.0])
    while len(facts) < length:
        at_s += chance.choice([0.0, every_s, every_s, every_s * chance.random(), 3 * every_s])
        if chance.random() < 0.003:
            at_s += chance.choice([25, 61, 95, 250, 1300])
        if chance.random() < 0.05:
            weather.turn()
        if chance.random() < 0.006:
            seq += 1
            stage = chance.choice([*stages, "polish", "coating", "cure", None])
            kind = "stage_started" if stage else "stage_ended"
            facts.append(event(seq, kind, chance.choice(["one", "two"]), at_s, {"stage": stage}))
            continue
        series = chance.choice(weather.series)
        if weather.silent.get(series, 0) > 0:
            weather.silent[series] -= every_s * 10
            continue
        sent = _sent(chance, series, weather.value(series), at_s)
        if series == weather.broken and chance.random() < 0.95:
            sent = sent._replace(flag=sent.flag | Flag.RANGE)
        facts.append(sent)
    return facts


def _sent(chance: random.Random, series: tuple[str, str], value: float, at_s: float) -> Reading:
    """Return a reading that now and then is late, ahead, flagged or broken."""
    lag_s, flag = 0.05, Flag.GOOD
    odd = chance.random()
    if odd < 0.02:
        lag_s = chance.choice([10.0, 45.0, 70.0, 130.0])
    elif odd < 0.03:
        lag_s = -chance.choice([5.0, 50.0])
    elif odd < 0.04:
        lag_s, flag = -400.0, Flag.CLOCK
    elif odd < 0.05:
        flag = chance.choice([Flag.RANGE, Flag.LATE, Flag.RANGE | Flag.LATE])
    elif odd < 0.053:
        value = chance.choice([math.nan, math.inf])
    return reading(*series, value, at_s - lag_s, seen_s=at_s, flag=flag)


def _cuts(facts: Sequence[Fact], seed: int, count: int) -> list[int]:
    chance = random.Random(seed)
    last_us = max(map(_time, facts))
    cuts = [chance.randint(START_US, last_us) for _ in range(count)]
    return cuts + [_time(chance.choice(facts)) for _ in range(count)]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("name", PLANS)
def test_long_streams_mean_the_same_judged_always_or_only_where_it_matters(
    name: str, seed: int
) -> None:
    facts = stream(PLANS[name], seed, 1200)
    outcome = assert_same_meaning(PLANS[name], facts, _cuts(facts, seed, 15))
    assert outcome.trace


@settings(deadline=None, max_examples=30)
@given(st.sampled_from(sorted(PLANS)), st.integers(0, 2**32), st.integers(20, 250))
def test_any_stream_means_the_same_judged_always_or_only_where_it_matters(
    name: str, seed: int, length: int
) -> None:
    facts = stream(PLANS[name], seed, length)
    assert_same_meaning(PLANS[name], facts, _cuts(facts, seed, 5))


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(sorted(PLANS)), st.integers(0, 2**32), st.integers(20, 300))
def test_a_judgement_too_many_changes_nothing(name: str, seed: int, length: int) -> None:
    plan = PLANS[name]
    facts = stream(plan, seed, length)
    state, _, _ = _step(plan, fresh_state(plan, START_US), facts, max(map(_time, facts)))
    again, findings = fitted_state(plan, state)
    assert findings == []
    assert _bare(again) == _bare(state)
    for bay_id, bay in state.bays.items():
        wake_us = again.bays[bay_id].wake_us
        assert (bay.wake_us is None) == (wake_us is None)
        assert bay.wake_us is None or wake_us is None or bay.wake_us <= wake_us
    assert fitted_state(plan, again) == (again, [])


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(sorted(PLANS)), st.integers(0, 2**32), st.integers(20, 300), st.data())
def test_nowhere_in_the_box_does_a_judgement_find_anything_new(
    name: str, seed: int, length: int, data: st.DataObject
) -> None:
    """Every series of a bay at once anywhere in its interval, the ends first of all."""
    plan = PLANS[name]
    facts = stream(plan, seed, length)
    state, _, _ = _step(plan, fresh_state(plan, START_US), facts, max(map(_time, facts)))
    state, _ = fitted_state(plan, state)
    for bay_id, bay in state.bays.items():
        moved = state.copy()
        for key, (low, high) in bay.calm.items():
            assert -1e300 <= low <= state.newest[key].value <= high <= 1e300
            inside = st.floats(max(low, -1e4), min(high, 1e6))
            value = data.draw(st.one_of(st.sampled_from([low, high]), inside))
            moved.newest[key] = msgspec.structs.replace(state.newest[key], value=value)
        judged, findings = fitted_state(plan, moved)
        assert [f for f in findings if f.bay == bay_id] == []
        assert _bare(judged).bays[bay_id] == _bare(state).bays[bay_id]


@settings(deadline=None, max_examples=20)
@given(st.sampled_from(sorted(PLANS)), st.integers(0, 2**32))
def test_the_state_passed_in_stays_as_it_was(name: str, seed: int) -> None:
    plan = PLANS[name]
    facts = stream(plan, seed, 300)
    half = len(facts) // 2
    state, _, _ = _step(plan, fresh_state(plan, START_US), facts[:half], _time(facts[half]))
    text = msgspec.json.encode(state)
    first = _step(plan, state, facts[half:], us(4000))
    assert msgspec.json.encode(state) == text
    assert _step(plan, state, facts[half:], us(4000)) == first
    assert msgspec.json.encode(state) == text


def test_a_snapshot_from_before_there_was_calm_is_read_and_goes_on_the_same() -> None:
    plan = PLANS["plain"]
    facts = stream(plan, 3, 400)
    cut_us = _time(facts[250])
    before = [f for f in facts if _time(f) <= cut_us]
    after = [f for f in facts if _time(f) > cut_us]
    state, _, _ = _step(plan, fresh_state(plan, START_US), before, cut_us)
    document = msgspec.json.decode(msgspec.json.encode(state))
    for bay_id in plan.bays:
        del document["bays"][bay_id]["calm"], document["bays"][bay_id]["trail_due_us"]
    old = msgspec.json.decode(msgspec.json.encode(document), type=GuardState)
    went_on, found, turns = _step(plan, old, after, us(4000))
    wanted = _step(plan, state, after, us(4000))
    assert (found, turns) == (wanted.findings, wanted.trace)
    assert _bare(went_on) == _bare(wanted.state)


def test_a_changed_shop_file_is_held_against_its_own_limits_only() -> None:
    """21 °C lay well inside 16 to 26 °C; under 16 to 22 °C the next reading is outside."""
    bench = Bench()
    bench.all_well(0)
    plan = plan_from(SHOP.replace("high = 26", "high = 22"))
    state, _ = fitted_state(plan, bench.state)
    state, _ = step(plan, state, [reading("air-a", "air_temp_c", 22.1, 1)], [], us(1))
    assert state.bays["one"].stages["polish"].fitness == "unfit"


def test_calm_readings_are_not_judged() -> None:
    """The other tests would pass if nothing were ever calm: in a still bay the box stays."""
    plan = PLANS["plain"]
    chance = random.Random(5)
    state = fresh_state(plan, START_US)
    boxes = []
    for at_s in range(0, 600, 5):
        facts = [
            reading(*series, value + chance.gauss(0, 0.02), at_s + place / 10)
            for place, (series, value) in enumerate(
                {
                    ("air-a", "air_temp_c"): 21.0, ("air-b", "air_temp_c"): 21.3,
                    ("air-a", "rel_hum_pct"): 45.0, ("panel", "panel_temp_c"): 20.0,
                }.items()
            )
        ]  # fmt: skip
        state, _ = step(plan, state, facts, [], us(at_s + 1))
        boxes.append(state.bays["one"].calm)
    assert len(boxes[0]) == 4
    assert all(box is boxes[0] for box in boxes)
    assert len(state.bays["one"].trail) >= 19


def test_a_reading_taken_in_before_the_last_one_goes_stale_sooner() -> None:
    """Panel readings go stale 120 s after arrival, were they stamped later."""
    bench = Bench()
    bench.panel(20, 10)
    bench.panel(20, 10.5)
    bench.take([reading("panel", "panel_temp_c", 20.01, 11, seen_s=5)], to_s=12)
    bench.go(125)
    assert bench.fitness("decontamination") == "fit"
    bench.go(125.000_001)
    assert bench.fitness("decontamination") == "unknown"


def test_a_rate_is_known_from_five_minutes_of_trail_until_three_minutes_after_it() -> None:
    """Air rises by 6 K/h, the sheet allows 3 K/h; then silence, and the value still holds."""
    bench = Bench(strict_shop())
    told = {}
    for at_s in range(0, 421, 10):
        bench.air(20.0 + at_s / 600, at_s)
        told[at_s] = bench.reason("wipe", "air_temp_rate_k_h").fitness
    assert (told[290], told[300]) == ("unknown", "unfit")
    bench.go(420 + 180)
    assert bench.reason("wipe", "air_temp_rate_k_h").fitness == "unfit"
    bench.go(420 + 180.000_001)
    assert bench.reason("wipe", "air_temp_rate_k_h").fitness == "unknown"
    assert bench.live().conditions["air_temp_c"].quality == "good"


def test_trace_tells_every_stage_of_every_bay_and_costs_no_finding() -> None:
    plan = PLANS["plain"]
    facts = stream(plan, 8, 800)
    end_us = max(map(_time, facts))
    outcome = _step(plan, fresh_state(plan, START_US), facts, end_us)
    assert [turn.at_us for turn in outcome.trace] == sorted(turn.at_us for turn in outcome.trace)
    start = fresh_state(plan, START_US)
    told = {(b, s): now.fitness for b, bay in start.bays.items() for s, now in bay.stages.items()}
    for turn in outcome.trace:
        assert told[turn.bay, turn.stage] != turn.fitness
        told[turn.bay, turn.stage] = turn.fitness
    for bay_id, bay in outcome.state.bays.items():
        assert {s: told[bay_id, s] for s in bay.stages} == {
            s: now.fitness for s, now in bay.stages.items()
        }
    readings = [fact for fact in facts if isinstance(fact, Reading)]
    events = [fact for fact in facts if isinstance(fact, Event)]
    silent = step(plan, fresh_state(plan, START_US), readings, events, end_us)
    assert silent == (outcome.state, outcome.findings)
