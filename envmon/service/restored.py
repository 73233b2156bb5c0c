"""The guard as the last commit left it, moved on to the present as if it had never stopped."""

from __future__ import annotations

import hashlib
import logging
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import DAY_US
from envmon.facts import CALIBRATION_ACCEPTED, JOB_CLOSED, JOB_OPENED, OUTLOOK_SAID
from envmon.guard.alarm_acts import ACTS, OF_WATCH
from envmon.guard.course import TOO_OLD_US
from envmon.guard.engine import fitted_state, fresh_state, step
from envmon.guard.signs import WAITING_US
from envmon.intake.health import HealthBook, HealthState
from envmon.service.replay.mark import SET_BACK, SavedGuard, is_of_run
from envmon.store.rescue import RENEWED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import Finding, GuardState
    from envmon.intake.health_rules import HealthRule, SeriesName
    from envmon.store.base import Store

log = logging.getLogger("envmon.watch")

SNAPSHOT = "guard"
"""Name of the snapshot that holds the guard's state."""
HEALTH = "sensor_health"
"""Name of the snapshot that holds what is remembered of every sensor; written with the other."""
HEEDED = (
    frozenset({"stage_started", "stage_ended", JOB_OPENED, JOB_CLOSED, CALIBRATION_ACCEPTED})
    | {OUTLOOK_SAID}
    | ACTS
    | OF_WATCH
)
"""Events the guard heeds; it wrote the others itself."""


class Restored(NamedTuple):
    """The guard as the last commit left it.

    Attributes:
        state: What it remembers.
        changes: What is not in the chain yet.
        why: What it could not simply go on from: ``start``, ``shop_file`` or ``anew``; or empty.
        set_back: How often the clock had been set back.
        health: What is remembered of every sensor.
    """

    state: GuardState
    changes: list[Finding]
    why: str
    set_back: int
    health: HealthBook


def plan_fingerprint(plan: GuardPlan) -> str:
    """Return a digest of everything the guard judges by, the built-in stages included."""
    variants = repr(plan.variants) if plan.variants else ""
    return hashlib.sha256((repr(plan) + variants).encode()).hexdigest()


def restored_state(
    plan: GuardPlan, fingerprint: str, store: Store, now_us: int
) -> tuple[GuardState, list[Finding]]:
    """Return the guard's state as of the last commit and what is not in the chain yet.

    See ``restored``, which says more.
    """
    return restored(plan, fingerprint, store, now_us)[:2]


def restored(
    plan: GuardPlan,
    fingerprint: str,
    store: Store,
    now_us: int,
    rules: Mapping[SeriesName, HealthRule] | None = None,
) -> Restored:
    """Return the guard as of the last commit, as if it had never stopped.

    The snapshot is moved on by the readings committed after it, in the order in which they
    were taken in. A changed shop file keeps what the person said and judges limits anew.

    Args:
        plan: The compiled shop file.
        fingerprint: Its digest.
        store: Where the snapshot and the readings are.
        now_us: Time now [µs], for a store that has no snapshot yet.
        rules: What is asked of every sensor.
    """
    text = store.snapshot(SNAPSHOT)
    health = _kept_health(store, rules or {})
    if text is None and not any(event.kind == RENEWED for event in store.events()):
        return Restored(_waiting(fresh_state(plan, now_us)), [], "start", 0, health)
    changes: list[Finding] = []
    try:
        saved = msgspec.json.decode(text or b"", type=SavedGuard)
    except msgspec.MsgspecError as error:
        # A store renewed after damage has a chain, but no snapshot that belongs to it.
        log.warning("no snapshot of the guard to read (%s); judging the last day anew", error)
        why, state = "anew", fresh_state(plan, now_us - DAY_US)
        set_back = sum(event.kind == SET_BACK for event in store.events())
    else:
        why, state, set_back = "", saved.state, saved.set_back
        if saved.plan != fingerprint:
            why = "shop_file"
            state, changes = fitted_state(plan, state)
            _waiting(state)
    readings = store.readings_seen_after(state.now_us, state.now_us - TOO_OLD_US)
    if set_back:
        # Those of an earlier run of the clock may lie ahead of the present one.
        readings = [reading for reading in readings if is_of_run(reading.seen_us, set_back)]
    events = [e for e in store.events(state.event_seq) if e.kind in HEEDED]
    last_us = max([state.now_us, *(r.seen_us for r in readings), *(e.at_us for e in events)])
    state, findings = step(plan, state, readings, events, last_us)
    health.pass_over(sorted(readings, key=_IN_TURN))
    return Restored(state, [*changes, *findings], why, set_back, health)


_IN_TURN = itemgetter(5, 2, 0, 1)
"""Reading -> (seen_us, t_us, point, quantity)."""


def _waiting(state: GuardState) -> GuardState:
    """Let a new state wait for the broker: before it is there, nobody can be heard."""
    for bay in state.bays.values():
        bay.begun_us = WAITING_US
    return state


def _kept_health(store: Store, rules: Mapping[SeriesName, HealthRule]) -> HealthBook:
    """Return the memory of all sensors as of the guard's snapshot; an unreadable one is empty."""
    try:
        text = store.snapshot(HEALTH)
        state = msgspec.json.decode(text, type=HealthState) if text else None
    except msgspec.MsgspecError as error:
        log.warning("cannot read what was remembered of the sensors (%s); beginning anew", error)
        state = None
    return HealthBook(rules, state)
