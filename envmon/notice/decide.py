"""``decide(book, state, events, now) -> (state, messages)``: who is told what, when.

Pure and driven by time: what falls due between two events happens at its exact time, so the
answer does not depend on how the stream is cut into steps, nor on a restart in between.

- Who is told at once (``after = 0``) is told ``GATHER_US`` after the alarm was raised; what comes
  to the same person within that time joins the message.
- The others are told when nobody has acknowledged for their ``after``. A high alarm that nobody
  acknowledges is told again every ``REPEAT_US``, up to ``REPEATS`` times, to all told so far.
- An acknowledged, shelved or cleared alarm is told to nobody any more. Who was told of one of
  high or medium priority gets one all-clear.
- Quiet hours hold a message back, and then only what still stands is told, in one.
- An alarm under another is silent while that one stands, is not set aside and matters as much;
  when that one cleared, the alarm is told if it still stands ``SETTLE_US`` later.
- More than ten alarms in ten minutes are told as one message, and again only for a high one and
  ten minutes later, until fewer than five came in ten minutes. Source of the figures: ISA-18.2 /
  IEC 62682 (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from envmon.clock import SECOND_US
from envmon.facts import Event
from envmon.guard.alarm_acts import CLEARED
from envmon.notice.due import act, next_due
from envmon.notice.people import Book
from envmon.notice.rounds import WATCH
from envmon.notice.state import Message, NoticeState, Standing
from envmon.notice.taking import take

if TYPE_CHECKING:
    from collections.abc import Sequence

SET_BACK_US = 5 * SECOND_US
"""A clock this far behind the state was set back, not merely steered."""


def decide(
    book: Book, state: NoticeState, events: Sequence[Event], now_us: int
) -> tuple[NoticeState, list[Message]]:
    """Take in events and time; return the new state and what is to be sent.

    Args:
        book: Whom to tell.
        state: What is remembered; it stays as it is.
        events: New events of the chain in its order, or found by the notice process (seq 0).
        now_us: Time now [µs].
    """
    state = msgspec.convert(msgspec.to_builtins(state), NoticeState)
    if now_us < state.now_us - SET_BACK_US:
        _set_back(state, now_us - state.now_us)
    there = {person.id for person in book.people}
    state.waiting = {person: waits for person, waits in state.waiting.items() if person in there}
    messages: list[Message] = []
    for event in events:
        # An event ahead of the clock was written before the clock was set back.
        _run_to(book, state, min(event.at_us, now_us), messages)
        take(state, event, state.now_us)
    _run_to(book, state, now_us, messages)
    return state, messages


def _run_to(book: Book, state: NoticeState, until_us: int, messages: list[Message]) -> None:
    """Let happen what falls due, each at its time."""
    while (due := next_due(book, state)) is not None and due.at_us <= until_us:
        state.now_us = max(state.now_us, due.at_us)
        message = act(book, state, due)
        if message is not None:
            messages.append(message)
    state.now_us = max(state.now_us, until_us)


def adopt(
    book: Book, state: NoticeState, events: Sequence[Event], now_us: int
) -> tuple[NoticeState, list[Message]]:
    """Take in a chain seen for the first time, or another than before: what stands is told.

    What is over is told to nobody, except to those who were told that it stands; what the same
    people were told before is not told again.

    Args:
        book: Whom to tell.
        state: What was remembered; empty at the first time.
        events: The whole chain.
        now_us: Time now [µs].
    """
    silent = Book((), book.bays, book.shop, book.zone)
    first_us = min([now_us, *(event.at_us for event in events)])
    fresh, _ = decide(silent, NoticeState(first_us), events, now_us)
    fresh.count, fresh.now_us = state.count, now_us
    for standing in fresh.standing.values():
        _take_over(standing, state.standing.get(standing.notice.alarm), now_us)
    for person, waits in state.waiting.items():
        over = [n for n in waits if n.how == "cleared" and n.alarm not in fresh.standing]
        fresh.waiting[person] = over
    gone = []
    for name, before in state.standing.items():
        if name not in fresh.standing:
            fresh.standing[name] = msgspec.structs.replace(before, called=list(before.told))
            if before.notice.what != WATCH:
                data = {"alarm": name, "why": "the live file was renewed"}
                gone.append(Event(0, now_us, CLEARED, before.notice.bay, data, ""))
    return decide(book, fresh, gone, now_us)


def _take_over(standing: Standing, before: Standing | None, now_us: int) -> None:
    """Let an alarm go on as it was known, or begin its round now."""
    same = before is not None and before.notice.since_us == standing.notice.since_us
    if before is not None and same:
        standing.told, standing.called = list(before.told), list(before.told)
        standing.round_us = before.round_us
        standing.repeat_us, standing.repeats = before.repeat_us, before.repeats
    else:
        standing.round_us, standing.called = now_us, []


def _set_back(state: NoticeState, by_us: int) -> None:
    """Move every time something falls due at, for a clock that was set back."""
    state.now_us += by_us
    for person, waiting in state.waiting.items():
        moved = [msgspec.structs.replace(n, ready_us=n.ready_us + by_us) for n in waiting]
        state.waiting[person] = moved
    for standing in state.standing.values():
        standing.round_us += by_us
        if standing.repeat_us is not None:
            standing.repeat_us += by_us
    flood = state.flood
    flood.raised_us = [at_us + by_us for at_us in flood.raised_us]
    flood.sent_us = {person: at_us + by_us for person, at_us in flood.sent_us.items()}
    if flood.since_us is not None:
        flood.since_us += by_us
