"""The jobs read from the chain: for who looks without a watch, and for the watch when it starts."""

from __future__ import annotations

import heapq
import logging
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from envmon.job import events as names
from envmon.job.fold import fold
from envmon.job.model import Book
from envmon.service.restored import SNAPSHOT

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from envmon.facts import Event
    from envmon.store.base import Store

log = logging.getLogger("envmon.watch")

T = TypeVar("T")
_FOUNDATION = frozenset({names.OPENED, names.CLOSED, names.REFUSED})
"""What is read of all jobs ever; the rest only of those still in a bay."""


class Said(NamedTuple):
    """What was refused last in a bay."""

    text: str
    at_us: int


class Ledger(NamedTuple):
    """What the watch knows of jobs. Replaced as a whole, never changed.

    Attributes:
        book: The jobs still in a bay.
        bays: Id of every job there ever was -> its bay.
        last: Bay -> the job closed last in it.
        refused: Bay -> what was refused last since its job was opened or closed.
    """

    book: Book = Book()
    bays: dict[str, str] = {}  # noqa: RUF012 - never changed
    last: dict[str, str] = {}  # noqa: RUF012 - never changed
    refused: dict[str, Said] = {}  # noqa: RUF012 - never changed


def book_from(store: Store, *, whole: bool = True) -> Book:
    """Return the jobs as the chain tells of them.

    Args:
        store: Where the chain is.
        whole: All jobs there ever were; else only those still in a bay, which is quick.
    """
    if whole:
        return fold(Book(), _in_order(store, names.OF_JOBS, 0))
    return ledger_from(store).book


def judged_until_us(store: Store, now_us: int) -> int:
    """Return up to when anybody can say how a job stands: what the watch has judged last [µs].

    It judges each ten seconds at least. Counted on to the clock, a cure would go on in its window
    for as long as nobody watches.

    Args:
        store: Where the watch keeps what it knows.
        now_us: Time now [µs].
    """
    judged_us = store.snapshot_at(SNAPSHOT)
    return now_us if judged_us is None else min(now_us, judged_us)


def ledger_from(store: Store) -> Ledger:
    """Return what the watch knows of jobs, as the chain tells."""
    found = heapq.merge(
        _in_order(store, _FOUNDATION, 0),
        _in_order(store, names.OF_JOBS - _FOUNDATION, _first_open(store) - 1),
        key=attrgetter("seq"),
    )
    return after(Ledger(), found)


def _first_open(store: Store) -> int:
    """Return the place in the chain where the oldest job still in a bay was opened."""
    closed = {event.data.get("job") for event in store.events_of(names.CLOSED)}
    opened = store.events_of(names.OPENED)
    return min((e.seq for e in opened if e.data.get("job") not in closed), default=2**62)


def _in_order(store: Store, kinds: Iterable[str], after_seq: int) -> Iterator[Event]:
    streams = [store.events_of(kind, after_seq) for kind in sorted(kinds)]
    return heapq.merge(*streams, key=attrgetter("seq"))


def after(ledger: Ledger, events: Iterable[Event]) -> Ledger:
    """Return the ledger after events of the chain, in its order.

    Args:
        ledger: What is known so far; not changed.
        events: In the order of the chain; others than of jobs are passed over.
    """
    for event in events:
        if event.kind in names.OF_JOBS | _FOUNDATION:
            try:
                ledger = _after_one(ledger, event)
            except Exception:
                # One event that cannot be read must not keep the watch from watching.
                log.exception("cannot follow event %d (%s) of a job", event.seq, event.kind)
    return ledger


def _after_one(ledger: Ledger, event: Event) -> Ledger:
    if event.kind in names.OF_JOBS:
        ledger = ledger._replace(book=fold(ledger.book, [event]))
    return _TAKES[event.kind](ledger, event) if event.kind in _TAKES else ledger


def _opened(ledger: Ledger, event: Event) -> Ledger:
    bays = {**ledger.bays, event.data["job"]: event.bay}
    return ledger._replace(bays=bays, refused=_without(ledger.refused, event.bay))


def _closed(ledger: Ledger, event: Event) -> Ledger:
    return ledger._replace(
        book=Book(_without(ledger.book.jobs, event.data["job"])),
        last={**ledger.last, event.bay: event.data["job"]},
        refused=_without(ledger.refused, event.bay),
    )


def _refused(ledger: Ledger, event: Event) -> Ledger:
    said = Said(str(event.data.get("why", "")), event.at_us)
    return ledger._replace(refused={**ledger.refused, event.bay: said})


def _without(known: dict[str, T], key: str) -> dict[str, T]:
    return {name: value for name, value in known.items() if name != key}


_TAKES = {names.OPENED: _opened, names.CLOSED: _closed, names.REFUSED: _refused}
