"""An alarm's round of calls: who covers it, who is called, who is let off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from envmon.clock import MINUTE_US, SECOND_US
from envmon.guard.alarm_kinds import CURING, KINDS
from envmon.notice.people import RANKS

if TYPE_CHECKING:
    from envmon.notice.state import How, Notice, NoticeState, Standing

GATHER_US = 20 * SECOND_US
"""What comes to a person within this time becomes one message."""
SETTLE_US = 3 * MINUTE_US
"""What followed from an alarm that cleared has so long to clear too; the guard takes its time."""
REPEAT_US = 15 * MINUTE_US
"""A high alarm nobody acknowledges is told again after this."""
REPEATS = 4
WATCH = "watch"
"""Kind of the alarm the notice process raises itself: the watch is down."""
WATCH_ALARM = "shop-watch"
"""Its id; it has no place in the chain, which nobody writes while the watch is down."""
WATCH_SAID = {
    "alarm": WATCH_ALARM,
    "what": WATCH,
    "priority": "medium",
    "text": "the watch is down or cannot write, nothing is watched",
    "do": "look at the machine and its disk, start envmon again; look at the car yourself",
}
OWN_ACT = frozenset({"cure_break", "condensation", "frost"})
"""These want acts of their own at the car; no other alarm speaks for them."""
_SHOP_WIDE = frozenset({"broker", "silence", "notice", WATCH})


def is_covered(state: NoticeState, standing: Standing) -> bool:
    """Return whether an alarm is silent because the one it follows from speaks for it.

    That one must stand, not follow from another itself, not be set aside, and matter as much.
    """
    if standing.notice.what in OWN_ACT:
        return False
    root = state.standing.get(standing.under or "")
    if root is None or root.aside or root.under in state.standing:
        return False
    return RANKS[root.notice.priority] >= RANKS[standing.notice.priority]


def is_open(state: NoticeState, standing: Standing) -> bool:
    """Return whether an alarm still waits for somebody to acknowledge it."""
    return not (standing.acked or standing.aside or is_covered(state, standing))


def breaks_quiet(state: NoticeState, notice: Notice) -> bool:
    """Return whether something is told in quiet hours: a coating is in danger, or stores are."""
    kind = KINDS.get(notice.what)
    if kind is not None and kind.breaks_quiet:
        return True
    if notice.what in _SHOP_WIDE:
        return any(stage in CURING for stage in state.stages.values())
    curing = notice.stage in CURING or state.stages.get(notice.bay) in CURING
    return curing and notice.priority != "low"


def begin_round(standing: Standing, how: How, at_us: int, seq: int) -> None:
    """Let an alarm wait anew for somebody to acknowledge it.

    Args:
        standing: The alarm.
        how: Why it is told now.
        at_us: Since when it waits [µs].
        seq: Place in the chain of what began the round.
    """
    standing.notice = msgspec.structs.replace(standing.notice, how=how, seq=seq)
    standing.acked, standing.aside = False, False
    standing.round_us, standing.called = at_us, []
    standing.repeat_us, standing.repeats = None, 0


def call(state: NoticeState, standing: Standing, person: str, how: How, at_us: int) -> None:
    """Let a person be told of an alarm; one thing told of an alarm stands for the one before."""
    notice = msgspec.structs.replace(standing.notice, how=how, ready_us=at_us + GATHER_US)
    let_off(state, notice.alarm, person)
    state.waiting.setdefault(person, []).append(notice)
    if person not in standing.called:
        standing.called.append(person)


def let_off(state: NoticeState, alarm: str, person: str) -> Notice | None:
    """Take back what a person was about to be told of an alarm; return it."""
    waiting = state.waiting.get(person, [])
    found = next((notice for notice in waiting if notice.alarm == alarm), None)
    if found is not None:
        waiting.remove(found)
    return found


def let_all_off(state: NoticeState, alarm: str) -> None:
    """Take back everything about an alarm except that it is over."""
    for waiting in state.waiting.values():
        waiting[:] = [n for n in waiting if n.alarm != alarm or n.how == "cleared"]


def uncover(state: NoticeState, root: str, from_us: int) -> None:
    """Let those speak for themselves that an alarm spoke for until now.

    Args:
        state: Changed in place.
        root: Id of the alarm that spoke for them.
        from_us: Not told before this [µs].
    """
    for standing in state.standing.values():
        if standing.under == root and not standing.acked and not standing.called:
            standing.round_us = from_us
