"""Who is logged in: random ids, of which only the hash is kept; each ends by itself."""

from __future__ import annotations

import hashlib
import secrets
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US

if TYPE_CHECKING:
    from envmon.clock import Clock
    from envmon.service.people.book import PeopleFile, Person, Role
    from envmon_boards.door_store import DoorStore

MOST = 20
"""So many sessions a person may have at once; the oldest makes room."""
_SEEN_EVERY_US = MINUTE_US


class Span(NamedTuple):
    """How long a session lasts.

    Attributes:
        idle_us: Without anything done [µs].
        most_us: In all [µs].
    """

    idle_us: int
    most_us: int


SPANS: dict[Role, Span] = {
    "look": Span(30 * DAY_US, 400 * DAY_US),
    "work": Span(4 * HOUR_US, 16 * HOUR_US),
    "manage": Span(30 * MINUTE_US, 12 * HOUR_US),
}
"""A screen on the wall may look for long; who may do much is soon asked again."""


class Sessions:
    """The sessions of a shop's screens.

    Args:
        store: Where they are kept.
        people: Who there is; who is changed or gone is logged out by that.
        clock: What time it is, never the demo's.
    """

    def __init__(self, store: DoorStore, people: PeopleFile, clock: Clock) -> None:
        self._store, self._people, self._clock = store, people, clock

    def begin(self, person: Person) -> str:
        """Return the id of a new session.

        Raises:
            StoreError: It cannot be kept.
        """
        token, now_us = secrets.token_urlsafe(32), self._clock.now_us()
        with self._store.atomic():
            self._store.rows("DELETE FROM session WHERE begun_us < ?", now_us - _longest_us())
            self._store.rows(
                "DELETE FROM session WHERE name = ? AND id NOT IN (SELECT id FROM session "
                "WHERE name = ? ORDER BY seen_us DESC LIMIT ?)",
                person.name, person.name, MOST - 1,
            )  # fmt: skip
            self._store.rows(
                "INSERT INTO session VALUES (?, ?, ?, ?, ?)",
                _hashed(token), person.name, _stamp(person), now_us, now_us,
            )  # fmt: skip
        return token

    def person(self, token: str) -> Person | None:
        """Return whose session it is; None when it has ended or never was.

        Raises:
            StoreError: The sessions cannot be read.
            ServiceError: The people file cannot be used.
        """
        kept = self._kept(token)
        if kept is None:
            return None
        name, stamp, begun_us, seen_us = kept
        person = self._people.find(name)
        if person is None or _stamp(person) != stamp:
            return None
        span, now_us = SPANS[person.role], self._clock.now_us()
        # A clock set back by much does not make a session younger.
        over = abs(now_us - seen_us) >= span.idle_us or abs(now_us - begun_us) >= span.most_us
        return None if over else person

    def due(self, token: str) -> bool:
        """Return whether it is time to note that something was done."""
        kept = self._kept(token)
        return kept is not None and self._clock.now_us() - kept[3] >= _SEEN_EVERY_US

    def touch(self, token: str) -> None:
        """Note that something was done just now."""
        now_us = self._clock.now_us()
        self._store.rows("UPDATE session SET seen_us = ? WHERE id = ?", now_us, _hashed(token))

    def end(self, token: str) -> None:
        """End a session at once, for whoever holds it."""
        self._store.rows("DELETE FROM session WHERE id = ?", _hashed(token))

    def _kept(self, token: str) -> tuple[str, str, int, int] | None:
        rows = self._store.rows(
            "SELECT name, stamp, begun_us, seen_us FROM session WHERE id = ?", _hashed(token)
        )
        return (rows[0][0], rows[0][1], rows[0][2], rows[0][3]) if rows else None


def seconds_of(role: Role) -> int:
    """Return how long a browser keeps the session of a role at most [s]."""
    return SPANS[role].most_us // SECOND_US


def _longest_us() -> int:
    return max(span.most_us for span in SPANS.values())


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _stamp(person: Person) -> str:
    """Return what is another when the person's role, PIN or password is another."""
    return hashlib.sha256(f"{person.role} {person.kept}".encode()).hexdigest()
