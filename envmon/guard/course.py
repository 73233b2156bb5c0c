"""One step under way: from moment to moment, judging only where something may have changed."""

from __future__ import annotations

import math
from operator import attrgetter
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import DAY_US, SECOND_US
from envmon.facts import CALIBRATION_ACCEPTED, JOB_CLOSED, JOB_OPENED, OUTLOOK_SAID, Flag
from envmon.guard import alarm_acts as acts
from envmon.guard.alarm import Scene, end_stage, lift_alarms, take_act
from envmon.guard.alarm_kinds import CURING
from envmon.guard.foreseen import take_foreseen
from envmon.guard.jobs import take_job, take_stage_of_job
from envmon.guard.judging import judge_bay, lengthen_trail, wake_bay
from envmon.guard.plan import SHOP
from envmon.guard.signs import FIRST_WORD_US, is_on, update_leaving
from envmon.guard.state import Finding, GuardState, Last
from envmon.guard.trail import NEVER_US

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Event, Reading
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import BayNow, StageTurn

TOO_OLD_US = DAY_US
"""A reading this old when it is taken in says nothing of the present, and a restart, which looks
back so far, misses nothing."""
_NOWHERE = (math.inf, -math.inf)


class Course:
    """One step under way: a new state that is led from moment to moment.

    A moment is a time at which facts are taken in: all of them, then the bays they speak for are
    judged once. The state passed in stays as it is: dictionaries are copied here, and what is
    remembered of a bay is replaced, never changed.
    """

    def __init__(
        self,
        plan: GuardPlan,
        state: GuardState,
        events: Sequence[Event],
        trace: list[StageTurn] | None,
    ) -> None:
        self._plan, self._trace = plan, trace
        self._places = plan.places.keys()
        self._state = GuardState(
            state.now_us,
            state.event_seq,
            dict(state.newest),
            dict(state.clock_ahead),
            dict(state.bays),
        )
        self._findings: list[Finding] = []
        self._touched: set[str] = set()
        """Bays to be judged at this moment."""
        self._due: set[str] = set()
        """Calm bays whose trail grows at this moment."""
        self._events = sorted(events, key=attrgetter("at_us", "seq"), reverse=True)
        self._wake_us = NEVER_US
        self._next_us = 0
        self._note_wake()
        self._open(state.now_us)

    def take(self, readings: Sequence[Reading]) -> None:  # noqa: C901 - one loop, few calls: hot
        """Take in readings in their order, up to the moment of the last one.

        Most readings change nothing but what is newest: good, newer than the one before, and
        within the calm interval of its series in every bay.
        """
        at_us, newest, bays = self._state.now_us, self._state.newest, self._state.bays
        series, ahead = self._plan.series, self._state.clock_ahead
        touched, due, isfinite = self._touched, self._due, math.isfinite
        for reading in readings:
            point, quantity, t_us, value, flag, seen_us = reading
            if seen_us > at_us:
                if touched or due or seen_us >= self._next_us:
                    self._state.now_us = at_us
                    self._move_to(seen_us)
                at_us = seen_us
            known = series.get((point, quantity))
            if known is None:
                continue
            key, users = known
            last = newest.get(key)
            alive_us = min(seen_us, t_us)
            if flag != 0 or last is None or not isfinite(value):
                self._take_odd(reading, at_us)
                continue
            if t_us <= last.t_us or seen_us - t_us > TOO_OLD_US:
                continue
            if ahead:
                ahead.pop(point, None)
            newest[key] = Last(t_us, value, True, alive_us)  # noqa: FBT003 - the hot path
            for bay_id in users:
                bay = bays[bay_id]
                low, high = bay.calm.get(key, _NOWHERE)
                if not low <= value <= high or alive_us < last.alive_us or last.flag:
                    touched.add(bay_id)
                elif at_us >= bay.trail_due_us:
                    due.add(bay_id)
        self._state.now_us = at_us

    def _take_odd(self, reading: Reading, at_us: int) -> None:
        """Take in the first reading of a series, or one with something against it."""
        key, _ = self._plan.series[reading.point, reading.quantity]
        bays, was = self._state.bays, self._state.newest.get(key)
        for bay_id in _take_reading(self._plan, self._state, reading):
            now = bays[bay_id]
            # A sensor that goes on sending what cannot be used tells a calm bay nothing new.
            same = was is not None and was.flag == reading.flag and not was.usable
            if not same or not now.calm or is_on(now, f"{reading.point}-lost"):
                self._touched.add(bay_id)
            elif at_us >= bays[bay_id].trail_due_us:
                self._due.add(bay_id)
        if was is None and key in self._state.newest:
            self._touched.add(SHOP)  # one more sensor whose silence can be noticed

    def end(self, now_us: int) -> tuple[GuardState, list[Finding]]:
        """Close the last moment, take what events are left and move on to the end."""
        self._close()
        while self._events:
            self._open(max(self._events[-1].at_us, self._state.now_us))
            self._close()
        self._advance(now_us)
        return self._state, self._findings

    def _move_to(self, seen_us: int) -> None:
        """Close the present moment and open the one of a reading, past those of events."""
        self._close()
        while self._events and self._events[-1].at_us < seen_us:
            self._open(self._events[-1].at_us)
            self._close()
        self._open(seen_us)

    def _open(self, at_us: int) -> None:
        """Move on to a moment and take in the events up to it."""
        self._advance(at_us)
        while self._events and self._events[-1].at_us <= at_us:
            event = self._events.pop()
            self._findings += _take_event(self._plan, self._state, event, at_us)
            self._touched.add(event.bay)
        self._note_next()

    def _close(self) -> None:
        """Judge the bays that the facts of this moment speak for."""
        for bay_id in self._due - self._touched:
            bay = self._plan.place(bay_id, self._state)
            if bay.held_rates or lengthen_trail(bay, self._state, self._state.now_us):
                self._touched.add(bay_id)
        self._due.clear()
        if self._touched:
            if is_on(self._state.bays[SHOP], "shop-silence"):
                self._touched.add(SHOP)  # something was heard
            # The shop comes first: what is wrong with all explains what is wrong with one.
            for bay_id in sorted(self._touched & self._places):
                self._findings += judge_bay(
                    self._plan,
                    self._plan.place(bay_id, self._state),
                    self._state,
                    self._state.now_us,
                    heard=True,
                    trace=self._trace,
                )
            self._touched.clear()
            self._note_wake()

    def _advance(self, to_us: int) -> None:
        """Move to a time, stopping at every deadline on the way."""
        state = self._state
        while self._wake_us <= to_us:
            state.now_us = max(self._wake_us, state.now_us)
            for bay_id in sorted(state.bays):
                if state.bays[bay_id].wake_us == self._wake_us:
                    bay = self._plan.place(bay_id, state)
                    self._findings += wake_bay(self._plan, bay, state, state.now_us, self._trace)
            if is_on(state.bays[SHOP], "shop-silence"):
                _ensure_awake(state)
            self._note_wake()
        state.now_us = max(state.now_us, to_us)

    def _note_wake(self) -> None:
        due = [bay.wake_us for bay in self._state.bays.values() if bay.wake_us is not None]
        self._wake_us = min(due, default=NEVER_US)
        self._note_next()

    def _note_next(self) -> None:
        """Note when something comes before or beside the next reading."""
        event_us = self._events[-1].at_us if self._events else NEVER_US
        self._next_us = min(self._wake_us, event_us)


def _take_reading(plan: GuardPlan, state: GuardState, reading: Reading) -> tuple[str, ...]:
    """Note a reading if it is newer than what is known; return the bays it speaks for."""
    key, bays = plan.series[reading.point, reading.quantity]
    if reading.seen_us - reading.t_us > TOO_OLD_US:
        return ()
    if reading.flag & Flag.CLOCK:
        state.clock_ahead[reading.point] = reading.t_us - reading.seen_us
        return ()
    last = state.newest.get(key)
    if reading.flag & Flag.SPIKE and last is not None:
        return ()  # the next one says whether it was true; until then the last good one ages
    if reading.flag & Flag.LATE or (last is not None and reading.t_us <= last.t_us):
        return ()
    if state.clock_ahead:
        state.clock_ahead.pop(reading.point, None)
    usable = reading.flag.usable and math.isfinite(reading.value)
    value = reading.value if math.isfinite(reading.value) else 0.0
    alive_us = min(reading.t_us, reading.seen_us)
    state.newest[key] = Last(reading.t_us, value, usable, alive_us, int(reading.flag))
    return bays


def _ensure_awake(state: GuardState) -> None:
    """Let the next reading of any sensor be judged: it ends the silence."""
    for bay_id, now in state.bays.items():
        if now.calm:
            state.bays[bay_id] = msgspec.structs.replace(now, calm={})


def _take_event(plan: GuardPlan, state: GuardState, event: Event, at_us: int) -> list[Finding]:
    """Note what the person did or the watch reports; return what it did to the alarms."""
    state.event_seq = max(state.event_seq, event.seq)
    if event.bay not in plan.places or event.bay not in state.bays:
        return []
    now = state.bays[event.bay] = state.bays[event.bay].copy()
    scene = Scene(plan, plan.place(event.bay, state), state, {}, now, at_us)
    if event.kind in acts.ACTS:
        return take_act(scene, event)
    if event.kind in acts.OF_WATCH:
        _note_watch(now, event, at_us)
    elif event.kind == CALIBRATION_ACCEPTED:
        key = f"{event.data.get('point')}/{event.data.get('quantity')}"
        for bay_id, bay in state.bays.items():
            if key in bay.gaps:
                state.bays[bay_id] = msgspec.structs.replace(bay, gaps={})
    elif event.kind in {"stage_started", "stage_ended"}:
        return _take_stage(scene, event)
    elif event.kind == OUTLOOK_SAID:
        take_foreseen(now, event)
        update_leaving(scene.place, now, at_us)
    elif event.kind in {JOB_OPENED, JOB_CLOSED}:
        take_job(plan, event.bay, now, event, at_us)
    return []


def _note_watch(now: BayNow, event: Event, at_us: int) -> None:
    if event.kind == acts.LISTENING:
        wait_us = round(float(event.data["wait_s"]) * SECOND_US)
        now.begun_us = at_us + wait_us - FIRST_WORD_US
        return
    what = str(event.data.get("what", ""))
    if event.kind == acts.TROUBLE_BEGAN:
        now.troubles[what] = str(event.data.get("text", ""))
    else:
        now.troubles.pop(what, None)


def _take_stage(scene: Scene, event: Event) -> list[Finding]:
    stage = event.data.get("stage") if event.kind == "stage_started" else None
    if stage is not None and stage not in [s.id for s in scene.place.stages]:
        return []
    findings = end_stage(scene)
    now, cured = scene.now, scene.now.stage in CURING
    now.stage, now.stage_since_us = stage, None if stage is None else scene.at_us
    now.told = now.foreseen = None
    now.eased, now.untold = {}, 0
    if stage is not None:
        take_stage_of_job(now, event)
    if stage not in CURING or cured:
        return findings
    shop = scene.state.bays[SHOP] = scene.state.bays[SHOP].copy()
    whole = scene._replace(place=scene.plan.shop, now=shop)
    return [*findings, *lift_alarms(scene), *lift_alarms(whole)]
