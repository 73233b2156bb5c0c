"""What falls due by time alone: calls, repeats, messages, the end of a flood."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.notice.rounds import REPEAT_US, REPEATS, WATCH, breaks_quiet, call, is_covered, is_open
from envmon.notice.state import Message
from envmon.notice.taking import PERIOD_US
from envmon.notice.words import flood_line, long_text, ordered, phone_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon.notice.people import Book, Person
    from envmon.notice.state import Notice, NoticeState, Standing

FLOOD_BELOW = 5
"""Fewer alarms than this within the period end a flood."""
_NEVER_US = 2**62


class Due(NamedTuple):
    """Something that falls due.

    Attributes:
        at_us: When [µs].
        order: What comes first at the same time: the flood's end, calls, repeats, messages.
        alarm: Alarm it is about.
        person: Person it is about.
    """

    at_us: int
    order: int
    alarm: str = ""
    person: str = ""


def next_due(book: Book, state: NoticeState) -> Due | None:
    """Return what falls due first, or None."""
    return min(_all_due(book, state), default=None)


def act(book: Book, state: NoticeState, due: Due) -> Message | None:
    """Do what is due at ``state.now_us``; return the message it gives, if any."""
    if due.order == 0:
        state.flood.since_us, state.flood.sent_us = None, {}
    elif due.order == 1:
        standing = state.standing[due.alarm]
        person = book.person(due.person)
        late = person is not None and person.after_us > 0
        how = "escalated" if late else standing.notice.how
        call(state, standing, due.person, how, state.now_us)
    elif due.order == 2:
        _repeat(state, state.standing[due.alarm])
    else:
        person = book.person(due.person)
        assert person is not None
        return _released(book, state, person)
    return None


def _all_due(book: Book, state: NoticeState) -> Iterator[Due]:
    flood = state.flood
    if flood.since_us is not None:
        few = len(flood.raised_us) < FLOOD_BELOW
        end_us = state.now_us if few else flood.raised_us[-FLOOD_BELOW] + PERIOD_US
        yield Due(end_us, 0)
    for name, standing in state.standing.items():
        if not is_open(state, standing):
            continue
        for person in book.people:
            if person.id not in standing.called and person.wants(standing.notice.priority):
                yield Due(standing.round_us + person.after_us, 1, name, person.id)
        if standing.repeat_us is not None:
            yield Due(standing.repeat_us, 2, name)
    for person in book.people:
        at_us = min((_send_us(state, person, n) for n in state.waiting.get(person.id, ())),
                    default=_NEVER_US)  # fmt: skip
        if at_us < _NEVER_US:
            yield Due(at_us, 3, "", person.id)


def _send_us(state: NoticeState, person: Person, notice: Notice) -> int:
    """Return when a person may be told of something [µs]."""
    ready_us = max(notice.ready_us, state.now_us)
    sent_us = state.flood.sent_us.get(person.id)
    if sent_us is not None:
        if notice.priority != "high" or notice.how == "cleared":
            return _NEVER_US  # the flood's end lets it go
        ready_us = max(ready_us, sent_us + PERIOD_US)
    if breaks_quiet(state, notice):
        return ready_us
    return person.quiet_end_us(ready_us) or ready_us


def _repeat(state: NoticeState, standing: Standing) -> None:
    standing.repeats += 1
    more = standing.repeats < REPEATS
    standing.repeat_us = state.now_us + REPEAT_US if more else None
    for person in standing.told:
        waits = any(n.alarm == standing.notice.alarm for n in state.waiting.get(person, ()))
        if not waits:
            call(state, standing, person, "repeat", state.now_us)


def _released(book: Book, state: NoticeState, person: Person) -> Message | None:
    """Take what a person may be told now out of the waiting, and make it one message."""
    waiting = state.waiting[person.id]
    quiet = person.quiet_end_us(state.now_us) is not None
    going = [n for n in waiting if not quiet or breaks_quiet(state, n)]
    state.waiting[person.id] = [n for n in waiting if n not in going]
    told = []
    for notice in going:
        standing = state.standing.get(notice.alarm)
        if _is_worth_telling(state, notice, standing):
            told.append(notice)
            _mark_told(state, notice, standing, person.id)
        elif standing is not None:
            standing.called.remove(person.id)  # called anew when it speaks for itself again
    return _message(book, state, person, told) if told else None


def _is_worth_telling(state: NoticeState, notice: Notice, standing: Standing | None) -> bool:
    if notice.how == "cleared":
        return True
    if notice.over_us is not None:
        # Held back by quiet hours, only what still stands counts.
        return notice.ready_us >= state.now_us or breaks_quiet(state, notice)
    return standing is not None and not is_covered(state, standing)


def _mark_told(state: NoticeState, notice: Notice, standing: Standing | None, person: str) -> None:
    if standing is None or notice.how == "cleared" or notice.over_us is not None:
        return
    if person not in standing.told:
        standing.told.append(person)
    if notice.priority == "high" and standing.repeat_us is None and not standing.repeats:
        standing.repeat_us = state.now_us + REPEAT_US


def _message(book: Book, state: NoticeState, person: Person, told: list[Notice]) -> Message:
    told, now_us = ordered(told), state.now_us
    standing = [n for n in told if n.how != "cleared"]
    line = phone_line(told, now_us, book)
    if state.flood.since_us is not None and standing:
        count = sum(t > now_us - PERIOD_US for t in state.flood.raised_us)
        line = flood_line(standing, count, book)
        state.flood.sent_us[person.id] = now_us
    state.count += 1
    return Message(
        state.count,
        person.id,
        now_us,
        (standing or told)[0].priority,
        any(breaks_quiet(state, notice) for notice in told),
        line,
        long_text(told, now_us, book),
        tuple(
            (n.alarm, n.seq) for n in standing if (n.seq or n.what == WATCH) and n.over_us is None
        ),
        not standing,
    )
