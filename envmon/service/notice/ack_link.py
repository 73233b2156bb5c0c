"""The link a message is acknowledged by: signed, for a day, good once.

Whoever holds the link may acknowledge what it names, and nothing else. That it is good once needs
no list: the chain tells whether the alarm has been acknowledged, or raised anew, since.
"""

from __future__ import annotations

import os
import secrets
from typing import TYPE_CHECKING, NamedTuple

from itsdangerous import BadSignature, URLSafeSerializer

from envmon.clock import HOUR_US, SECOND_US
from envmon.errors import InputError, StoreError
from envmon.facts import Event
from envmon.guard import alarm_acts as acts
from envmon.notice.rounds import WATCH_ALARM, WATCH_SAID
from envmon.notice.taking import alarm_id
from envmon.service.restored import SNAPSHOT
from envmon.store.disk import sync

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.store.sqlite import SqliteStore

KEY_FILE = "notice.key"
GOOD_FOR_US = 24 * HOUR_US
MOST = 20
"""So many alarms fit into one link; the others are acknowledged on the board."""
_SALT = "envmon acknowledge"
_BEGINS = frozenset({acts.RAISED, acts.AGAIN})
"""Events after which an alarm waits to be acknowledged."""


class Ticket(NamedTuple):
    """What a link allows.

    Attributes:
        person: Id of the person it was sent to.
        until_us: Good until [µs].
        alarms: Alarm id and place in the chain.
    """

    person: str
    until_us: int
    alarms: tuple[tuple[str, int], ...]


class Answer(NamedTuple):
    """How an alarm of a ticket stands now.

    Attributes:
        event: The event it was raised by last, None when the chain does not have it.
        standing: ``open``, ``acknowledged``, ``aside``, ``anew``, ``over`` (of the watch) or
            ``unknown``.
        by: Who acknowledged it or set it aside.
        at_us: When [µs].
        over: Its condition is over.
    """

    event: Event | None
    standing: str
    by: str = ""
    at_us: int = 0
    over: bool = False


def ensure_key(folder: Path) -> bytes:
    """Return the key that links are signed with, made at the first time; only its owner reads it.

    Raises:
        StoreError: The folder fails.
    """
    path = folder / KEY_FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not path.exists() or not path.stat().st_size:
            fresh = path.with_name(f"{KEY_FILE}.{os.getpid()}")
            handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "w", encoding="ascii") as file:
                file.write(secrets.token_hex(32))
            sync(fresh)
            fresh.replace(path)
            sync(folder)
        return path.read_bytes()
    except OSError as error:
        raise StoreError(f"cannot make {path}: {error}; check the data folder") from error


def read_key(folder: Path) -> bytes | None:
    """Return the key, or None where no link was ever made."""
    try:
        return (folder / KEY_FILE).read_bytes() or None
    except OSError:
        return None


def link_of(base: str, key: bytes, ticket: Ticket) -> str:
    """Return the address of a ticket."""
    said = [ticket.person, ticket.until_us // SECOND_US, [list(a) for a in ticket.alarms[:MOST]]]
    token = URLSafeSerializer(key, salt=_SALT).dumps(said)
    return f"{base.rstrip('/')}/ack/{token}"


def ticket_of(key: bytes, token: str) -> Ticket:
    """Return what a link allows.

    Raises:
        InputError: We never signed it.
    """
    try:
        person, until_s, alarms = URLSafeSerializer(key, salt=_SALT).loads(token)
    except (BadSignature, ValueError) as error:
        raise InputError("this link was not made here, or was cut on its way") from error
    return Ticket(person, until_s * SECOND_US, tuple((name, seq) for name, seq in alarms))


def answers(store: SqliteStore, ticket: Ticket) -> list[Answer]:
    """Return how each alarm of a ticket stands in the chain, requests not yet taken included.

    Raises:
        StoreError: The live file fails.
    """
    first = min((seq for _, seq in ticket.alarms if seq), default=1)
    events = list(store.events(max(0, first - 1)))
    asked = [r for r in store.requests() if r.kind in acts.ACTS]
    found = []
    for name, seq in ticket.alarms:
        if name == WATCH_ALARM:
            answer = _of_watch(store, ticket)
        else:
            answer = _answer([e for e in events if e.seq >= seq and alarm_id(e) == name], seq)
        for request in asked:
            if request.data.get("alarm") == name and answer.standing == "open":
                by = str(request.data.get("by", ""))
                kind = "acknowledged" if request.kind == acts.ACKNOWLEDGED else "aside"
                answer = answer._replace(standing=kind, by=by, at_us=request.at_us)
        found.append(_with_text(store, name, answer))
    return found


def _of_watch(store: SqliteStore, ticket: Ticket) -> Answer:
    """Return how the watch's own alarm stands: over once it was seen to judge since."""
    alive_us = store.snapshot_at(SNAPSHOT) or 0
    raised = Event(0, alive_us, acts.RAISED, "", WATCH_SAID, "")
    back = alive_us > ticket.until_us - GOOD_FOR_US
    return Answer(raised, "over", at_us=alive_us, over=True) if back else Answer(raised, "open")


def _answer(events: Sequence[Event], seq: int) -> Answer:
    if not events or events[0].seq != seq or events[0].kind not in _BEGINS:
        return Answer(None, "unknown")
    answer = Answer(events[0], "open")
    for event in events[1:]:
        if event.kind in _BEGINS:
            return answer._replace(standing="anew", at_us=event.at_us)
        if event.kind == acts.CLEARED:
            answer = answer._replace(over=True)
        elif event.kind in {acts.ACKNOWLEDGED, acts.SHELVED, acts.REMOVED}:
            kind = "acknowledged" if event.kind == acts.ACKNOWLEDGED else "aside"
            by = str(event.data.get("by", ""))
            answer = answer._replace(standing=kind, by=by, at_us=event.at_us)
    return answer


def _with_text(store: SqliteStore, name: str, answer: Answer) -> Answer:
    """Go back to the raising behind an alarm that came again: only that says what is wrong."""
    event = answer.event
    if event is None or event.kind == acts.RAISED:
        return answer
    raised = None
    for earlier in store.events():
        if earlier.seq >= event.seq:
            break
        if earlier.kind == acts.RAISED and alarm_id(earlier) == name:
            raised = earlier
    return answer._replace(event=raised or event)


def acknowledge(store: SqliteStore, ticket: Ticket, name: str, at_us: int) -> list[Answer]:
    """Ask the watch to acknowledge what is open; return how the alarms stood before.

    Args:
        store: The live file.
        ticket: What the link allows.
        name: Name of the person it was sent to.
        at_us: Time now [µs].

    Raises:
        StoreError: The live file fails; nothing is asked then.
    """
    with store.atomic():
        before = answers(store, ticket)
        for (alarm, seq), answer in zip(ticket.alarms, before, strict=True):
            if answer.standing == "open":
                assert answer.event is not None
                data = {"alarm": alarm, "by": name, "via": "link", "seq": seq}
                store.ask(acts.ACKNOWLEDGED, answer.event.bay, data, at_us)
    return before
