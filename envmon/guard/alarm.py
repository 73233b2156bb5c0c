"""Alarms of a bay or the shop: conditions with their delays lead each through its life cycle."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import MINUTE_US, SECOND_US
from envmon.guard import alarm_acts as acts
from envmon.guard.alarm_kinds import (
    CURING,
    GROUPS,
    KINDS,
    STAGE_KINDS,
    is_wanted,
    kind_of,
    priority_of,
    roots_of,
)
from envmon.guard.alarm_words import alarm_text
from envmon.guard.chatter import free_us, note_eased
from envmon.guard.lifecycle import ANNUNCIATED, AlarmNow, Input, move, normal
from envmon.guard.plan import SHOP
from envmon.guard.signs import held_stage
from envmon.guard.state import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon.facts import Event
    from envmon.guard.conditions import Conditions
    from envmon.guard.plan import BayPlan, GuardPlan, HeldLimit
    from envmon.guard.state import BayNow, GuardState, LimitNow

_UNKNOWN_US = MINUTE_US
_STANDS = frozenset({"UNACK", "ACKED"})


class Scene(NamedTuple):
    """Where alarms are judged.

    Attributes:
        plan: The compiled shop file.
        place: The bay, or the shop.
        state: What the guard remembers of everything.
        known: Conditions of the bay.
        now: What is remembered of the place; its ``alarms`` are changed in place.
        at_us: Time to judge at [µs].
    """

    plan: GuardPlan
    place: BayPlan
    state: GuardState
    known: Conditions
    now: BayNow
    at_us: int

    @property
    def curing(self) -> bool:
        """A coating is being applied or cures here; for the shop, anywhere."""
        if self.place.id != SHOP:
            return self.now.stage in CURING
        return any(bay.stage in CURING for bay in self.state.bays.values())


def update_alarms(scene: Scene) -> list[Finding]:
    """Lead every alarm of a place to the present and return what changed."""
    findings: list[Finding] = []
    for alarm_id, what in _concerned(scene.place, scene.now):
        alarm = scene.now.alarms.get(alarm_id) or normal(scene.at_us)
        for step in (_unshelved, _suppressed, _moved_on, _raised_again):
            alarm, found = step(scene, alarm_id, what, alarm)
            findings += found
        _keep(scene.now, alarm_id, alarm)
    return findings


def _concerned(place: BayPlan, now: BayNow) -> list[tuple[str, str]]:
    """Return the alarms that may change: those that stand, and those with a sign or a stage."""
    ids = {*now.alarms, *now.signs}
    if now.stage is not None:
        ids.update(place.alarm_id(what) for what in STAGE_KINDS)
    return [(alarm_id, place.alarms[alarm_id]) for alarm_id in sorted(ids & place.alarms.keys())]


def _keep(now: BayNow, alarm_id: str, alarm: AlarmNow) -> None:
    if alarm.life != "NORM":
        now.alarms[alarm_id] = alarm
    else:
        now.alarms.pop(alarm_id, None)
    if not alarm.active and alarm_id in now.signs and not now.signs[alarm_id].on:
        del now.signs[alarm_id]


Step = tuple[AlarmNow, list[Finding]]


def _unshelved(scene: Scene, alarm_id: str, what: str, alarm: AlarmNow) -> Step:
    if alarm.life != "SHLVD" or alarm.until_us is None or alarm.until_us > scene.at_us:
        return alarm, []
    found = [_finding(scene, acts.SHELF_OVER, alarm_id, {"what": what})]
    return _back(scene, alarm_id, what, move(alarm, Input.UNSHELVE, scene.at_us), found)


def _suppressed(scene: Scene, alarm_id: str, what: str, alarm: AlarmNow) -> Step:
    """Suppress by design, or release; one that latches stays till a person has seen it."""
    wanted = is_wanted(what, scene.now.stage) or (alarm.latches and alarm.life in ANNUNCIATED)
    if wanted and alarm.life == "DSUPR":
        return _back(scene, alarm_id, what, move(alarm, Input.RELEASE, scene.at_us), [])
    if wanted or alarm.life == "DSUPR":
        return alarm, []
    found = []
    if alarm.life in _STANDS:
        found = [_cleared(scene, alarm_id, what, alarm, "suppressed by design")]
    return move(alarm, Input.SUPPRESS, scene.at_us), found


def _moved_on(scene: Scene, alarm_id: str, what: str, alarm: AlarmNow) -> Step:
    """Tell the alarm that its condition has come or gone."""
    at_us = scene.at_us
    if not alarm.active:
        due_us = raise_at(scene.place, scene.now, alarm_id, what)
        if due_us is not None and due_us <= at_us:
            return _back(scene, alarm_id, what, move(alarm, Input.OCCURS, at_us), [])
        if alarm.life == "DSUPR":
            return move(alarm, Input.RELEASE, at_us), []
        return alarm, []
    over_us = clear_at(scene.place, scene.now, alarm_id, what)
    if over_us is None or over_us > at_us:
        return alarm, []
    if alarm.life == "DSUPR":  # it was said to be over when it was suppressed
        return move(move(alarm, Input.CLEARS, at_us), Input.RELEASE, at_us), []
    if what in GROUPS:
        note_eased(scene.now, alarm_id, at_us)
    return move(alarm, Input.CLEARS, at_us), [_cleared(scene, alarm_id, what, alarm)]


def _raised_again(scene: Scene, alarm_id: str, what: str, alarm: AlarmNow) -> Step:
    if alarm.life != "ACKED" or scene.at_us < alarm.since_us + scene.place.rules.again_us:
        return alarm, []
    found = [_finding(scene, acts.AGAIN, alarm_id, _facts(scene, what, alarm))]
    return move(alarm, Input.AGAIN, scene.at_us), found


def _back(scene: Scene, alarm_id: str, what: str, alarm: AlarmNow, found: list[Finding]) -> Step:
    """Fill in what is known of an alarm that has just been raised, and say so."""
    kind, stage = KINDS[what], scene.now.stage
    if not alarm.active:
        return alarm, found
    alarm = msgspec.structs.replace(
        alarm,
        stage=stage,
        latches=kind.latches and scene.curing,
        wants_ack=kind.wants_ack,
        under=_root(scene, what),
        text=alarm_text(scene, alarm_id, what),
    )
    if alarm.life == "UNACK":
        found = [*found, _finding(scene, acts.RAISED, alarm_id, _told(scene, what, alarm))]
    return alarm, found


def _told(scene: Scene, what: str, alarm: AlarmNow) -> dict[str, object]:
    return {**_facts(scene, what, alarm), "text": alarm.text, "do": KINDS[what].do}


def _facts(scene: Scene, what: str, alarm: AlarmNow) -> dict[str, object]:
    facts: dict[str, object] = {
        "what": what,
        "priority": priority_of(what, curing=scene.curing),
        "stage": alarm.stage,
    }
    return {**facts, "under": alarm.under} if alarm.under else facts


def _root(scene: Scene, what: str) -> str | None:
    """Return the alarm that stands and that this one follows from, or None."""
    shop = scene.now if scene.place.id == SHOP else scene.state.bays.get(SHOP)
    for root in roots_of(what):
        for now, alarm_id in ((shop, f"shop-{root}"), (scene.now, scene.place.alarm_id(root))):
            if now is not None and alarm_id in now.alarms and now.alarms[alarm_id].life in _STANDS:
                return alarm_id
    return None


def raise_at(place: BayPlan, now: BayNow, alarm_id: str, what: str) -> int | None:
    """Return when an alarm's condition counts [µs], its delay included; None when it is not so."""
    if what not in GROUPS:
        sign = now.signs.get(alarm_id)
        delay_us = place.rules.heater_wait_us if what == "heater" else _us(KINDS[what].on_s)
        return sign.since_us + delay_us if sign is not None and sign.on else None
    stage = held_stage(place, now)
    if stage is None or (what == "cure_break" and stage.id not in {"early_cure", "cure"}):
        return None
    since_us = now.stage_since_us or 0
    due = [
        max(state.since_us, since_us) + _on_delay_us(place, limit, what)
        for limit, state in _standing(stage.limits, now)
        if state.group == GROUPS[what]
    ]
    return min(due, default=None)


def clear_at(place: BayPlan, now: BayNow, alarm_id: str, what: str) -> int | None:
    """Return when an alarm's condition is over [µs], its delay included; None when it is not.

    A limit that is not known clears no alarm.
    """
    if what not in GROUPS:
        sign = now.signs.get(alarm_id)
        if sign is None:
            return 0
        return None if sign.on else sign.since_us + _us(KINDS[what].off_s)
    stage = held_stage(place, now)
    if stage is None:
        return 0
    stands = _standing(stage.limits, now)
    if any(state.group in {GROUPS[what], "unknown"} for _, state in stands):
        return None
    longest_us = _UNKNOWN_US if what == "unknown" else 2**62
    over = [state.since_us + min(limit.off_delay_us, longest_us) for limit, state in stands]
    return max(*over, free_us(now, alarm_id)) if over else None


def _on_delay_us(place: BayPlan, limit: HeldLimit, what: str) -> int:
    if what == "cure_break":
        return place.rules.cure_break_us
    # The delays of a limit are long for the sake of noise; not to be known is no noise.
    return min(limit.on_delay_us, _UNKNOWN_US) if what == "unknown" else limit.on_delay_us


def _us(seconds: float) -> int:
    return round(seconds * SECOND_US)


def _standing(limits: tuple[HeldLimit, ...], now: BayNow) -> list[tuple[HeldLimit, LimitNow]]:
    return [(limit, now.limits[limit.key]) for limit in limits]


def deadlines(place: BayPlan, now: BayNow) -> Iterator[int]:
    """Yield the times [µs] at which an alarm changes if nothing else does."""
    for alarm_id, what in _concerned(place, now):
        alarm = now.alarms.get(alarm_id)
        active = alarm is not None and alarm.active
        due_us = (clear_at if active else raise_at)(place, now, alarm_id, what)
        if due_us is not None:
            yield due_us
        if alarm is not None and alarm.life == "SHLVD" and alarm.until_us is not None:
            yield alarm.until_us
        if alarm is not None and alarm.life == "ACKED":
            yield alarm.since_us + place.rules.again_us


def end_stage(scene: Scene) -> list[Finding]:
    """End the alarms about a stage that is no longer worked; one that latches stays.

    Args:
        scene: The place, its ``now`` still in the stage that ends.
    """
    findings = []
    for what in STAGE_KINDS:
        alarm_id = scene.place.alarm_id(what)
        scene.now.signs.pop(alarm_id, None)
        alarm = scene.now.alarms.get(alarm_id)
        if alarm is None:
            continue
        if alarm.active:
            findings.append(_cleared(scene, alarm_id, what, alarm, "stage ended"))
            alarm = move(alarm, Input.CLEARS, scene.at_us)
        if alarm.life == "RTNUN":  # nobody needs to be told of a stage that is over
            alarm = normal(scene.at_us)
        _keep(scene.now, alarm_id, alarm)
    return findings


def lift_alarms(scene: Scene) -> list[Finding]:
    """Raise what stands anew where it matters more, now that a coating is applied or cures.

    Args:
        scene: The place, in its new stage.
    """
    findings = []
    for alarm_id, alarm in sorted(scene.now.alarms.items()):
        kind = KINDS[scene.place.alarms[alarm_id]] if alarm_id in scene.place.alarms else None
        if kind is None or alarm.life not in _STANDS:
            continue
        if kind.curing == kind.priority and kind.latches == alarm.latches:
            continue
        lifted = msgspec.structs.replace(
            move(alarm, Input.AGAIN, scene.at_us), stage=scene.now.stage, latches=kind.latches
        )
        scene.now.alarms[alarm_id] = lifted
        findings.append(_finding(scene, acts.AGAIN, alarm_id, _told(scene, kind.what, lifted)))
    return findings


_INPUTS = {
    acts.ACKNOWLEDGED: Input.ACKNOWLEDGE,
    acts.RESET: Input.RESET,
    acts.SHELVED: Input.SHELVE,
    acts.UNSHELVED: Input.UNSHELVE,
    acts.REMOVED: Input.REMOVE,
    acts.RETURNED: Input.RETURN,
}


def take_act(scene: Scene, event: Event) -> list[Finding]:
    """Do to an alarm what a person asked for; what makes no sense there changes nothing.

    Args:
        scene: The place.
        event: One of ``alarm_acts.ACTS``.
    """
    alarm_id, data = str(event.data.get("alarm", "")), event.data
    what = scene.place.alarms.get(alarm_id)
    if what is None:
        return []
    before = scene.now.alarms.get(alarm_id) or normal(scene.at_us)
    alarm = move(before, _INPUTS[event.kind], scene.at_us)
    if alarm is before:
        return []
    if alarm.life in {"ACKED", "LTACK", "SHLVD", "OOSRV"}:
        by, reason = (str(data.get(key) or "")[:200] for key in ("by", "reason"))
        alarm = msgspec.structs.replace(alarm, by=by, reason=reason)
    if alarm.life == "SHLVD":
        until_us = scene.at_us + _shelf_us(data.get("minutes"), scene.place.rules.longest_shelf_us)
        alarm = msgspec.structs.replace(alarm, until_us=until_us)
    found: list[Finding] = []
    if event.kind in {acts.UNSHELVED, acts.RETURNED}:
        alarm, found = _back(scene, alarm_id, what, alarm, [])
    _keep(scene.now, alarm_id, alarm)
    return found


def _shelf_us(minutes: object, longest_us: int) -> int:
    if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not minutes > 0:
        return longest_us
    return min(longest_us, round(min(minutes, 1e6) * MINUTE_US))


def drop_alarms(scene: Scene, why: str, *, keep_persons: bool) -> list[Finding]:
    """End every alarm of a place, to be raised anew where due.

    Args:
        scene: The place.
        why: Why, in words.
        keep_persons: What a person has set aside, or must still see (latched), stays.
    """
    findings = []
    for alarm_id, alarm in list(scene.now.alarms.items()):
        kept = alarm_id in scene.place.alarms and keep_persons
        if kept and alarm.life in {"SHLVD", "OOSRV", "LTUNK", "LTACK"}:
            continue
        if alarm.active:
            what = kind_of(alarm_id)
            findings.append(_cleared(scene, alarm_id, what, alarm, why))
        del scene.now.alarms[alarm_id]
    return findings


def _cleared(scene: Scene, alarm_id: str, what: str, alarm: AlarmNow, why: str = "") -> Finding:
    data: dict[str, object] = {"what": what, "stage": alarm.stage}
    return _finding(scene, acts.CLEARED, alarm_id, {**data, "why": why} if why else data)


def _finding(scene: Scene, kind: str, alarm_id: str, data: dict[str, object]) -> Finding:
    return Finding(scene.at_us, kind, scene.place.id, {"alarm": alarm_id, **data})
