"""The part of the chain that a record holds: the events of its job, and the hashes around them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from envmon.errors import InputError
from envmon.facts import Event
from envmon.guard import alarm_acts
from envmon.job import events as names
from envmon.job.fold import fold
from envmon.job.model import Book
from envmon.store.chain import GENESIS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from envmon.job.model import Job
    from envmon.store.base import Store

_ALARMS = alarm_acts.ACTS | alarm_acts.FOUND
AFTERWARDS = frozenset({names.RECORD_MADE, names.ERASED})
"""What happens to a job's papers, not to the vehicle."""


class Entry(NamedTuple):
    """An event with the hash that stands before it."""

    event: Event
    before: str


class History(NamedTuple):
    """What the chain says of a job.

    Attributes:
        own: Its events, and those of alarms of its bay and of the shop while it was open.
        others: Place and hash of the entries between them, up to its hand-over.
        head: Place and hash of the newest entry.
    """

    own: tuple[Entry, ...]
    others: tuple[tuple[int, str], ...]
    head: tuple[int, str]

    @property
    def events(self) -> list[Event]:
        """Its events, in the order of the chain."""
        return [entry.event for entry in self.own]

    @property
    def version(self) -> int:
        """Place of the last event that changes what a record says."""
        return max(e.seq for e in self.events if e.kind not in AFTERWARDS)


def history_of(store: Store, job_id: str) -> History:
    """Return what the chain says of a job.

    Raises:
        InputError: There is no such job.
        StoreError: The chain cannot be read.
    """
    opened = (e for e in store.events_of(names.OPENED) if e.data.get("job") == job_id)
    first = next(opened, None)
    if first is None:
        known = [str(event.data.get("job")) for event in store.events_of(names.OPENED)]
        raise InputError(f"job is {job_id!r}; {_known_text(known)}")
    own: list[Entry] = []
    others: list[tuple[int, str]] = []
    before, last, closed = GENESIS, (0, GENESIS), False
    for event in store.events(max(0, first.seq - 2)):
        if event.seq >= first.seq:
            if _is_own(event, first, closed=closed):
                own.append(Entry(event, before))
            elif not closed:
                others.append((event.seq, event.hash))
            closed |= event.kind == names.CLOSED and event.data.get("job") == job_id
        before, last = event.hash, (event.seq, event.hash)
    end = max(entry.event.seq for entry in own)
    return History(tuple(own), tuple(each for each in others if each[0] < end), last)


def _known_text(known: list[str]) -> str:
    if not known:
        return "no job was ever opened"
    return f"the last were {', '.join(known[-5:])}; all of them: envmon jobs"


def _is_own(event: Event, opened: Event, *, closed: bool) -> bool:
    if event.kind in names.OF_JOBS and event.data.get("job") == opened.data["job"]:
        return True
    if closed:
        return False
    if event.kind == names.CURE_FITNESS:
        return event.bay == opened.bay
    return event.kind in _ALARMS and event.bay in {opened.bay, ""}


def job_from(events: Iterable[Event], job_id: str) -> Job | None:
    """Return a job from its events, or None."""
    return fold(Book(), events).jobs.get(job_id)


def chain_document(history: History) -> dict[str, Any]:
    """Return the part of the chain as JSON types."""
    return {
        "events": [
            {**msgspec.structs.asdict(entry.event), "before": entry.before} for entry in history.own
        ],
        "others": [list(each) for each in history.others],
        "head": {"seq": history.head[0], "hash": history.head[1]},
    }


def history_from(document: Mapping[str, Any]) -> History:
    """Return the part of the chain that a record holds.

    Raises:
        InputError: It cannot be read.
    """
    try:
        own = tuple(
            Entry(msgspec.convert({**row, "before": None}, Event), str(row["before"]))
            for row in document["events"]
        )
        others = tuple(msgspec.convert(each, tuple[int, str]) for each in document["others"])
        head = msgspec.convert(document["head"], _Head)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"chain: cannot be read ({error})") from error
    return History(own, others, (head.seq, head.hash))


class _Head(msgspec.Struct, frozen=True):
    seq: int
    hash: str
