"""The one store interface; SQLite stands behind it today, a server database may later."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import msgspec

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from envmon.facts import Event, Foretold, NewEvent, Reading


class Request(msgspec.Struct, frozen=True):
    """What a person asked for on a board, kept until the watch has made it an event."""

    id: int
    at_us: int
    kind: str
    bay: str
    data: dict[str, Any]


class Reference(NamedTuple):
    """What the vehicle of a job is called; it can be erased, and every proof still holds.

    Attributes:
        job: Id of the job.
        text: As a person typed it.
        salt: Random; without it the digest in the chain says nothing of a short text.
    """

    job: str
    text: str
    salt: str


class Reject(NamedTuple):
    """A payload that could not be read, kept for inspection."""

    at_us: int
    topic: str
    payload: bytes
    reason: str


class Checkpoint(NamedTuple):
    """The guard's state at a moment of the past, and why it was kept."""

    at_us: int
    why: str
    state: bytes


class Store(Protocol):
    """Readings, events, requests, rejected payloads and the guard's snapshot.

    Everything written inside one ``atomic`` block is durable together when the outermost
    block ends, or not at all.
    """

    def atomic(self) -> AbstractContextManager[None]:
        """Open a transaction, or a nested one that can be undone by itself."""
        ...

    def add_readings(self, readings: Sequence[Reading]) -> int:
        """Keep readings; one already there for (point, quantity, time) stays as it is.

        Returns:
            How many were new.
        """
        ...

    def kept(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return those of the readings that the store holds exactly as they are given."""
        ...

    def readings(self, from_us: int, to_us: int, points: Iterable[str] = ()) -> Iterator[Reading]:
        """Yield readings with ``from_us <= t_us < to_us`` in order of time."""
        ...

    def readings_seen_after(self, seen_us: int, horizon_us: int) -> list[Reading]:
        """Return readings taken in after ``seen_us`` and true after ``horizon_us``."""
        ...

    def add_events(self, events: Sequence[NewEvent]) -> list[Event]:
        """Append events to the chain and return them with place and hash."""
        ...

    def events(self, after_seq: int = 0) -> Iterator[Event]:
        """Yield events behind a place in the chain, in order."""
        ...

    def events_between(self, from_us: int, to_us: int) -> Iterator[Event]:
        """Yield events with ``from_us <= at_us < to_us``, in the order of the chain."""
        ...

    def events_of(self, kind: str, after_seq: int = 0) -> Iterator[Event]:
        """Yield every event of one kind behind a place in the chain, in its order."""
        ...

    def stage_before(self, bay: str, at_us: int) -> Event | None:
        """Return the last ``stage_started`` or ``stage_ended`` of a bay before a time."""
        ...

    def ask(self, kind: str, bay: str, data: dict[str, Any], at_us: int) -> int:
        """Keep a person's request durably and return its id."""
        ...

    def requests(self) -> list[Request]:
        """Return the requests not yet made into events, oldest first."""
        ...

    def drop_requests(self, ids: Sequence[int]) -> None:
        """Forget requests that have become events (same transaction as the events)."""
        ...

    def keep_reference(self, reference: Reference) -> None:
        """Keep what a vehicle is called, apart from the chain; one already there is replaced."""
        ...

    def reference(self, job: str) -> Reference | None:
        """Return what the vehicle of a job is called, or None: never given, or erased."""
        ...

    def forget_reference(self, job: str) -> None:
        """Erase what the vehicle of a job is called; ``scrub`` takes the last trace of it."""
        ...

    def scrub(self) -> bool:
        """Overwrite what was deleted wherever it still lies in the live file's own log.

        Returns:
            False when somebody reads just now; try again later.
        """
        ...

    def add_rejects(self, rejects: Sequence[Reject], more: int = 0) -> None:
        """Count payloads that could not be read and keep the newest of those handed over.

        Args:
            rejects: What is kept for inspection.
            more: So many came besides and are only counted.
        """
        ...

    def rejects(self) -> list[Reject]:
        """Return the rejected payloads kept, newest first."""
        ...

    def reject_total(self) -> int:
        """Return how many payloads have been rejected since the store began."""
        ...

    def add_foretold(self, told: Sequence[Foretold], drop_before_us: int) -> None:
        """Keep a forecast; it takes the place of what its point had said before of its times.

        Args:
            told: In any order, of one or several points.
            drop_before_us: What speaks of an earlier time is forgotten [µs].
        """
        ...

    def foretold(self) -> list[Foretold]:
        """Return every forecast kept, by point and in order of time."""
        ...

    def save_snapshot(self, name: str, at_us: int, state: bytes) -> None:
        """Replace a named snapshot."""
        ...

    def snapshot(self, name: str) -> bytes | None:
        """Return a named snapshot, or None."""
        ...

    def snapshot_at(self, name: str) -> int | None:
        """Return the time a named snapshot was taken at [µs, UTC], or None."""
        ...

    def add_checkpoint(self, at_us: int, why: str, state: bytes) -> None:
        """Keep a state of the guard for good; replay starts from it."""
        ...

    def checkpoint_before(self, at_us: int) -> Checkpoint | None:
        """Return the newest checkpoint at or before a time, the last one written first."""
        ...

    def checkpoints(self, from_us: int, to_us: int) -> list[Checkpoint]:
        """Return the checkpoints with ``from_us <= at_us < to_us`` as they were written."""
        ...

    def series(self) -> dict[tuple[str, str], int]:
        """Return every series ever kept, (point, quantity) -> its number in this file."""
        ...

    def close(self) -> None:
        """Release the store; nothing written is lost."""
        ...
