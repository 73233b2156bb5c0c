"""What every guard step promises, whatever comes in and however it is cut up.

Source of the promises: none outside the project; they are properties (an invariant of the
function, compared with itself run another way). Values are checked in test_guard_dew_margin.py.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import iso_from_us
from envmon.facts import OUTLOOK_SAID, Event, Flag, Reading
from envmon.guard.conditions import NO_SENSOR, conditions
from envmon.guard.engine import fresh_state, step
from envmon.guard.state import GuardState
from envmon.units import QUANTITIES
from tests.guard_support import START_US, event, plan_from, reading, us

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.state import Finding

PLAN = plan_from()
SERIES = sorted(PLAN.series)
STAGES = [stage.id for stage in PLAN.bays["one"].stages]
Fact = Reading | Event
Outcome = tuple[GuardState, list["Finding"]]

# Values near the limits are met often, and every value a sensor can send now and then.
_NEAR = {
    "air_temp_c": st.sampled_from([15.9, 16.0, 16.5, 18.0, 20.0, 24.0, 26.0, 26.1]),
    "rel_hum_pct": st.sampled_from([0.0, 0.01, 34.9, 35.0, 45.0, 60.0, 65.0, 66.0, 100.0, 103.0]),
    "panel_temp_c": st.sampled_from([-5.0, 7.0, 9.9, 10.0, 15.0, 20.0, 35.1]),
    "water_temp_c": st.sampled_from([29.9, 30.0, 35.0, 45.1]),
}
_BROKEN = st.sampled_from([math.nan, math.inf, -math.inf])


@st.composite
def _readings(draw: st.DrawFn, broken: bool = True) -> Reading:  # noqa: FBT001, FBT002
    point, quantity = draw(st.sampled_from(SERIES))
    low, high = QUANTITIES[quantity].low, QUANTITIES[quantity].high
    values = [_NEAR[quantity], st.floats(low, high)] + ([_BROKEN] if broken else [])
    seen_s = draw(st.integers(0, 3000))
    lag_s = draw(st.sampled_from([0, 0, 0, 0.5, 20, 70, 400]))
    flags = st.sampled_from([Flag.GOOD] * 6 + [Flag.RANGE, Flag.LATE, Flag.CLOCK])
    value = draw(st.one_of(values))
    return reading(point, quantity, value, seen_s - lag_s, seen_s=seen_s, flag=draw(flags))


@st.composite
def _events(draw: st.DrawFn) -> Event:
    stage = draw(st.sampled_from([*STAGES, "no_such_stage", None]))
    kinds = ["stage_started", "stage_started", "stage_ended", OUTLOOK_SAID, "else"]
    kind = draw(st.sampled_from(kinds))
    bay = draw(st.sampled_from(["one", "one", "two", "nowhere"]))
    ends = (draw(st.one_of(st.none(), st.integers(0, 4000))) for _ in range(2))
    first, last = (None if at_s is None else iso_from_us(us(at_s)) for at_s in ends)
    data = {"stage": stage, "leaves": first is not None, "leaves_from": first, "leaves_to": last}
    return event(1, kind, bay, draw(st.integers(0, 3000)), data)


def _time(fact: Fact) -> int:
    return fact.seen_us if isinstance(fact, Reading) else fact.at_us


def _numbered(facts: list[Fact]) -> list[Fact]:
    """Give events their places in the chain; it is in order of time."""
    ordered = sorted(facts, key=_time)
    return [
        Event(seq, f.at_us, f.kind, f.bay, f.data, f.hash) if isinstance(f, Event) else f
        for seq, f in enumerate(ordered, start=1)
    ]


STREAMS = st.lists(
    st.one_of(_readings(), _readings(), _readings(), _events()), max_size=40, unique_by=_time
).map(_numbered)
END_US = us(4000)


def _step(state: GuardState, facts: Sequence[Fact], now_us: int) -> Outcome:
    readings = [f for f in facts if isinstance(f, Reading)]
    events = [f for f in facts if isinstance(f, Event)]
    return step(PLAN, state, readings, events, now_us)


def _batch(facts: Sequence[Fact], end_us: int = END_US) -> Outcome:
    return _step(fresh_state(PLAN, START_US), facts, end_us)


def _streamed(facts: Sequence[Fact], ticks: Sequence[int], *, restart: bool = False) -> Outcome:
    """Step up to every tick with the facts that have come by then."""
    state, findings = fresh_state(PLAN, START_US), []
    for before_us, tick_us in pairwise([-1, *sorted({*ticks, END_US})]):
        part = [fact for fact in facts if before_us < _time(fact) <= tick_us]
        state, found = _step(state, part, tick_us)
        findings += found
        if restart:
            state = msgspec.json.decode(msgspec.json.encode(state), type=GuardState)
    return state, findings


QUICK = settings(deadline=None, max_examples=50)
THOROUGH = settings(deadline=None, max_examples=150)
TICKS = st.lists(st.integers(START_US, END_US), max_size=30)


@THOROUGH
@given(STREAMS, TICKS)
def test_streaming_equals_batch(facts: list[Fact], ticks: list[int]) -> None:
    assert _streamed(facts, ticks) == _batch(facts)


@QUICK
@given(STREAMS)
def test_a_step_per_fact_equals_batch(facts: list[Fact]) -> None:
    assert _streamed(facts, [_time(fact) for fact in facts]) == _batch(facts)


@THOROUGH
@given(STREAMS, TICKS)
def test_restart_equals_no_restart(facts: list[Fact], ticks: list[int]) -> None:
    assert _streamed(facts, ticks, restart=True) == _batch(facts)


@QUICK
@given(STREAMS, STREAMS)
def test_step_never_changes_the_state_passed_in(before: list[Fact], more: list[Fact]) -> None:
    state, _ = _batch(before, us(1500))
    text = msgspec.json.encode(state)
    _step(state, more, END_US)
    assert msgspec.json.encode(state) == text


@QUICK
@given(STREAMS, st.data())
def test_duplicates_change_nothing(facts: list[Fact], data: st.DataObject) -> None:
    """A message delivered again: same reading, the same time of its own, taken in later."""
    good = [f for f in facts if isinstance(f, Reading) and not f.flag & Flag.CLOCK]
    again = [
        f._replace(seen_us=f.seen_us + data.draw(st.integers(1, 500_000)))
        for f in (data.draw(st.lists(st.sampled_from(good), max_size=8)) if good else [])
    ]
    last_us = max((_time(f) for f in [*facts, *again]), default=START_US)
    state, findings = _batch([*facts, *again], last_us)
    plain, plain_findings = _batch(facts, last_us)
    assert (state, findings) == (plain, plain_findings)


@QUICK
@given(STREAMS, STREAMS)
def test_late_readings_never_change_the_present(facts: list[Fact], late: list[Fact]) -> None:
    state, _ = _batch(facts, us(3500))
    older = [
        f._replace(t_us=state.newest[key].t_us - 1 - n, seen_us=us(3500) + n, flag=Flag.GOOD)
        for n, f in enumerate(late)
        if isinstance(f, Reading) and (key := f"{f.point}/{f.quantity}") in state.newest
    ]
    assert _step(state, older, END_US) == _step(state, [], END_US)


@QUICK
@given(STREAMS, st.data())
def test_out_of_order_ends_with_the_newest_reading(facts: list[Fact], data: st.DataObject) -> None:
    """Taken in at one moment in any order, what counts is the reading true last."""
    times = {(f.point, f.quantity, f.t_us): f for f in facts if isinstance(f, Reading)}
    plain = [f._replace(seen_us=us(3000), flag=Flag.GOOD) for f in times.values()]
    shuffled = data.draw(st.permutations(plain))
    state, _ = _batch(shuffled, us(3000))
    wanted: dict[str, int] = {}
    for f in plain:
        key = f"{f.point}/{f.quantity}"
        wanted[key] = max(wanted.get(key, 0), f.t_us)
    assert {key: last.t_us for key, last in state.newest.items()} == wanted
    assert state == _batch(plain, us(3000))[0]


@QUICK
@given(STREAMS, st.integers(START_US, END_US))
def test_unknown_is_never_fit(facts: list[Fact], now_us: int) -> None:
    """Whatever happened: a stage with a held condition that cannot be told is never good."""
    state, _ = _batch([f for f in facts if _time(f) <= now_us], now_us)
    for bay in PLAN.bays.values():
        now = state.bays[bay.id]
        known = conditions(bay, state.newest, now, now_us)
        for stage in bay.stages:
            values = [known.get(limit.quantity, NO_SENSOR).value for limit in stage.limits]
            if None in values:
                assert now.stages[stage.id].fitness in {"unknown", "unfit"}


@QUICK
@given(STREAMS, st.integers(START_US, END_US))
def test_every_verdict_follows_from_values_held_against_limits(
    facts: list[Fact], now_us: int
) -> None:
    """Outside a limit is unfit, and fit means every limit holds; told here without the guard."""
    state, _ = _batch([f for f in facts if _time(f) <= now_us], now_us)
    for bay in PLAN.bays.values():
        known = conditions(bay, state.newest, state.bays[bay.id], now_us)
        for stage in bay.stages:
            values = [(known.get(x.quantity, NO_SENSOR).value, x) for x in stage.limits]
            outside = [v for v, x in values if v is not None and not x.low <= v <= x.high]
            fitness = state.bays[bay.id].stages[stage.id].fitness
            assert fitness == "unfit" or not outside
            assert fitness != "fit" or all(v is not None for v, _ in values)


@QUICK
@given(STREAMS)
def test_findings_come_in_order_and_alarms_alternate(facts: list[Fact]) -> None:
    state, findings = _batch(facts)
    assert [f.at_us for f in findings] == sorted(f.at_us for f in findings)
    active: set[str] = set()
    for finding in findings:
        key = str(finding.data.get("alarm"))
        if finding.kind == "alarm_raised":
            assert key not in active
            active.add(key)
        elif finding.kind == "alarm_cleared":
            active.remove(key)
    assert active == {
        alarm_id
        for now in state.bays.values()
        for alarm_id, alarm in now.alarms.items()
        if alarm.active and alarm.life != "DSUPR"
    }


@QUICK
@given(STREAMS, st.integers(0, 4000))
def test_clock_going_backwards_moves_nothing(facts: list[Fact], back_s: int) -> None:
    state, _ = _batch(facts)
    assert _step(state, [], us(back_s)) == (state, [])


def test_broken_numbers_make_the_point_suspect_and_the_stage_unknown() -> None:
    for value in (math.nan, math.inf, -math.inf):
        state, _ = _batch([reading("panel", "panel_temp_c", value, 0)], us(1))
        known = conditions(PLAN.bays["one"], state.newest, state.bays["one"], us(1))
        assert known["panel_temp_c"].value is None
        assert known["panel_temp_c"].quality == "suspect"
        assert state.bays["one"].stages["decontamination"].fitness == "unknown"
        assert msgspec.json.decode(msgspec.json.encode(state), type=GuardState) == state


def test_same_series_at_the_same_time_keeps_the_first() -> None:
    """As the store does: a second value for (point, quantity, time) changes nothing."""
    first = reading("panel", "panel_temp_c", 20, 10)
    second = reading("panel", "panel_temp_c", 5, 10, seen_s=11)
    state, _ = _batch([first, second], us(12))
    assert state.newest["panel/panel_temp_c"].value == 20


def test_events_for_what_is_not_there_are_ignored() -> None:
    state, _ = _batch([], us(0))
    for kind, bay, stage in (
        ("stage_started", "nowhere", "polish"),
        ("stage_started", "one", "no_such_stage"),
        ("stage_started", "one", ["polish"]),
        ("stage_started", "one", {"polish": 1}),
        ("else", "one", "polish"),
    ):
        after, findings = _step(state, [event(7, kind, bay, 1, {"stage": stage})], us(1))
        assert findings == []
        assert after.event_seq == 7
        assert after.bays["one"].stage is None
