"""The guard: ``step(plan, state, readings, events, now) -> (state, findings)``, and nothing else.

The same function runs live, in replay and in tests. Its answer does not depend on how the
stream is cut into steps: what happens without a reading (a value grows stale, a delay ends)
happens at its exact time, and readings act in the order in which they were taken in. A reading
that cannot change anything (``calm``) is noted and not judged.
"""

from __future__ import annotations

from operator import itemgetter
from typing import TYPE_CHECKING

import msgspec

from envmon.guard.alarm import Scene, drop_alarms
from envmon.guard.alarm_kinds import KINDS
from envmon.guard.course import Course
from envmon.guard.judging import judge_bay
from envmon.guard.state import BayNow, GuardState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Event, Reading
    from envmon.guard.lifecycle import AlarmNow
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import Finding, StageTurn

_IN_TURN = itemgetter(5, 2, 0, 1)
"""Reading -> (seen_us, t_us, point, quantity)."""


def fresh_state(plan: GuardPlan, now_us: int) -> GuardState:
    """Return the state of a guard that has seen nothing: every stage is unknown."""
    places = plan.places
    bays = {place_id: BayNow(begun_us=now_us) for place_id in places}
    state = GuardState(now_us=now_us, bays=bays)
    for place in places.values():
        judge_bay(plan, place, state, now_us)
    return state


def fitted_state(plan: GuardPlan, state: GuardState) -> tuple[GuardState, list[Finding]]:
    """Return a state that fits the plan after the shop file changed: bays added, bays gone.

    Limits are judged anew; what the person said (the stage being worked, what was done to
    alarms) is kept. What changes by that is in the findings.
    """
    fitted = fresh_state(plan, state.now_us)
    findings: list[Finding] = []
    fitted.newest = dict(state.newest)
    fitted.event_seq = state.event_seq
    fitted.clock_ahead = dict(state.clock_ahead)
    for place_id in plan.places:
        if place_id in state.bays:
            bay = fitted.bays[place_id] = state.bays[place_id].copy()
            place = plan.place(place_id, fitted)
            findings += _fit_bay(Scene(plan, place, fitted, {}, bay, state.now_us))
        findings += judge_bay(plan, plan.place(place_id, fitted), fitted, state.now_us)
    return fitted, findings


def _fit_bay(scene: Scene) -> list[Finding]:
    """Forget what the changed shop file knows no more; return the alarms that ends."""
    place, now = scene.place, scene.now
    known = {limit.key for stage in place.stages for limit in stage.limits}
    known |= {limit.key for limit in place.watched}
    now.limits = {key: stands for key, stands in now.limits.items() if key in known}
    now.signs = {key: sign for key, sign in now.signs.items() if key in place.alarms}
    now.calm = {}
    now.begun_us = scene.at_us  # there may be new sensors
    now.alarms = {
        (place.alarm_id(key) if key in KINDS else key): alarm for key, alarm in now.alarms.items()
    }  # until 0.2 the kind alone was the key
    kept = {key: alarm for key, alarm in now.alarms.items() if key in place.alarms}
    now.alarms = {key: alarm for key, alarm in now.alarms.items() if key not in kept}
    findings = drop_alarms(scene, "shop file changed", keep_persons=False)
    now.alarms = kept
    return findings


def rewound_state(
    plan: GuardPlan, state: GuardState, now_us: int
) -> tuple[GuardState, list[Finding]]:
    """Return a state for a clock that was set back: nothing is known until it is heard again.

    Held against the old time, a reading would look fresh until the clock has caught up. What the
    person said (the stage being worked, alarms set aside or latched) is kept; other alarms end
    and are raised anew where due.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers, ahead of the clock; not changed.
        now_us: What the clock says now [µs].
    """
    rewound = fresh_state(plan, now_us)
    rewound.event_seq = state.event_seq
    findings: list[Finding] = []
    for place_id in plan.places:
        if place_id not in state.bays:
            continue
        place = plan.place(place_id, state)
        old = state.bays[place_id].copy()
        scene = Scene(plan, place, state, {}, old, now_us)
        findings += drop_alarms(scene, "clock set back", keep_persons=True)
        bay = rewound.bays[place_id]
        bay.alarms = {
            alarm_id: _set_back(alarm, now_us - state.now_us)
            for alarm_id, alarm in old.alarms.items()
        }
        bay.stage, bay.troubles = old.stage, old.troubles
        bay.procedure, bay.cures = old.procedure, old.cures
        if place is not plan.places[place_id]:
            bay.limits, bay.stages = {}, {}
        since_us = old.stage_since_us
        bay.stage_since_us = None if since_us is None else min(since_us, now_us)
        findings += judge_bay(plan, place, rewound, now_us)
    return rewound, findings


def _set_back(alarm: AlarmNow, by_us: int) -> AlarmNow:
    """Return an alarm with its times set back as the clock was; its condition is over."""
    times = {
        name: None if at_us is None else at_us + by_us
        for name in ("since_us", "raised_us", "until_us")
        for at_us in [getattr(alarm, name)]
    }
    return msgspec.structs.replace(alarm, active=False, **times)


def step(
    plan: GuardPlan,
    state: GuardState,
    readings: Sequence[Reading],
    events: Sequence[Event],
    now_us: int,
    trace: list[StageTurn] | None = None,
) -> tuple[GuardState, list[Finding]]:
    """Take in readings and events and move on to ``now_us``.

    Args:
        plan: The compiled shop file.
        state: What the guard remembers; not changed.
        readings: New readings; they act in the order of ``seen_us``, those taken in at one
            moment in the order of their own time, as the store gives them back.
        events: What the person did, in the order of the chain.
        now_us: Time to move on to [µs]; an earlier one than the state's moves nothing.
        trace: Gets every change of any stage's verdict in any bay, in order of time; None, as
            in live use, wants none.

    Returns:
        The new state, and the findings in order of time.
    """
    course = Course(plan, state, events, trace)
    course.take(sorted(readings, key=_IN_TURN))
    return course.end(now_us)
