"""What an event of the chain changes in what is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from envmon.clock import MINUTE_US
from envmon.guard import alarm_acts as acts
from envmon.guard.alarm_kinds import KINDS
from envmon.notice.people import RANKS
from envmon.notice.rounds import (
    GATHER_US,
    SETTLE_US,
    begin_round,
    is_covered,
    let_all_off,
    let_off,
    uncover,
)
from envmon.notice.state import Notice, Standing

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.facts import Event
    from envmon.notice.state import NoticeState

PERIOD_US = 10 * MINUTE_US
FLOOD_ABOVE = 10
"""More alarms than this within ``PERIOD_US`` are a flood."""


def take(state: NoticeState, event: Event, at_us: int) -> None:
    """Let an event change the state.

    Args:
        state: Changed in place.
        event: What happened; kinds that nobody is told of are passed over.
        at_us: When it counts as having happened [µs].
    """
    if event.kind in _TAKES:
        _TAKES[event.kind](state, event, at_us)


def alarm_id(event: Event) -> str:
    """Return the alarm an event is about; older chains name it by bay and kind only."""
    return str(event.data.get("alarm") or f"{event.bay}-{event.data.get('what', '')}")


def _stage_started(state: NoticeState, event: Event, _at_us: int) -> None:
    state.stages[event.bay] = str(event.data.get("stage"))


def _stage_ended(state: NoticeState, event: Event, _at_us: int) -> None:
    state.stages.pop(event.bay, None)


def _notice_of(event: Event, at_us: int) -> Notice:
    said = event.data
    what = str(said.get("what", ""))
    kind = KINDS.get(what)
    priority = said.get("priority") or (kind.priority if kind else "high")
    return Notice(
        alarm_id(event),
        event.seq,
        "raised",
        what,
        event.bay,
        said.get("stage"),
        priority if priority in RANKS else "high",
        str(said.get("text", "")),
        str(said.get("do") or (kind.do if kind else "")),
        at_us,
        at_us,
    )


def _raised(state: NoticeState, event: Event, at_us: int) -> None:
    notice = _notice_of(event, at_us)
    before = state.standing.get(notice.alarm)
    told = list(before.told) if before else []
    for person in state.waiting:
        taken_back = let_off(state, notice.alarm, person)
        if taken_back is not None and taken_back.how == "cleared" and person not in told:
            told.append(person)  # they still believe that it stands
    standing = Standing(notice, event.data.get("under"), at_us, told=told)
    state.standing[notice.alarm] = standing
    if not is_covered(state, standing):
        flood = state.flood
        since_us = at_us - PERIOD_US
        flood.raised_us = [*(t for t in flood.raised_us if t > since_us), at_us]
        if flood.since_us is None and len(flood.raised_us) > FLOOD_ABOVE:
            flood.since_us, flood.sent_us = at_us, {}


def _cleared(state: NoticeState, event: Event, at_us: int) -> None:
    standing = state.standing.pop(alarm_id(event), None)
    if standing is None:
        return
    over = msgspec.structs.replace(
        standing.notice,
        how="cleared",
        over_us=at_us,
        ready_us=at_us + GATHER_US,
        why=str(event.data.get("why", "")),
    )
    for person in [*state.waiting, *(p for p in standing.told if p not in state.waiting)]:
        _tell_over(state, standing, person, over)
    uncover(state, over.alarm, at_us + SETTLE_US)


def _tell_over(state: NoticeState, standing: Standing, person: str, over: Notice) -> None:
    """Tell who was told that it is over; a high alarm about to be told is told as over."""
    pending = let_off(state, over.alarm, person)
    waiting = state.waiting.setdefault(person, [])
    if person in standing.told:
        if over.priority != "low" and not standing.aside:
            waiting.append(over)
    elif pending is not None and over.priority == "high" and pending.ready_us > (over.over_us or 0):
        waiting.append(
            msgspec.structs.replace(pending, over_us=over.over_us, why=over.why),
        )


def _acknowledged(state: NoticeState, event: Event, _at_us: int) -> None:
    standing = state.standing.get(alarm_id(event))
    if standing is not None:
        standing.acked, standing.repeat_us = True, None
        let_all_off(state, standing.notice.alarm)


def _set_aside(state: NoticeState, event: Event, at_us: int) -> None:
    standing = state.standing.get(alarm_id(event))
    if standing is not None:
        standing.aside, standing.repeat_us = True, None
        let_all_off(state, standing.notice.alarm)
        uncover(state, standing.notice.alarm, at_us)


def _again(state: NoticeState, event: Event, at_us: int) -> None:
    standing = state.standing.get(alarm_id(event))
    if standing is None:
        return
    said, notice = event.data, standing.notice
    priority = said.get("priority")
    standing.under = said.get("under", standing.under)
    standing.notice = msgspec.structs.replace(
        notice,
        priority=priority if priority in RANKS else notice.priority,
        stage=said.get("stage", notice.stage),
        text=str(said.get("text") or notice.text),
        do=str(said.get("do") or notice.do),
    )
    let_all_off(state, notice.alarm)
    begin_round(standing, "again", at_us, event.seq)


def _back(state: NoticeState, event: Event, _at_us: int) -> None:
    """Forget an alarm that was set aside; if it still stands, it is raised right after this."""
    standing = state.standing.get(alarm_id(event))
    if standing is not None and standing.aside:
        del state.standing[standing.notice.alarm]


_TAKES: dict[str, Callable[[NoticeState, Event, int], None]] = {
    "stage_started": _stage_started,
    "stage_ended": _stage_ended,
    acts.RAISED: _raised,
    acts.CLEARED: _cleared,
    acts.ACKNOWLEDGED: _acknowledged,
    acts.SHELVED: _set_aside,
    acts.REMOVED: _set_aside,
    acts.AGAIN: _again,
    acts.SHELF_OVER: _back,
    acts.UNSHELVED: _back,
    acts.RETURNED: _back,
}
