"""The hash chain of events: a change to any entry, or a missing one, shows.

Each entry's hash is SHA-256 over the hash before it and the entry's own canonical JSON
(keys sorted, no spaces, UTF-8). Source of the digest: FIPS 180-4.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from envmon.errors import StoreError
from envmon.facts import Event, NewEvent

if TYPE_CHECKING:
    from collections.abc import Iterable

GENESIS = "0" * 64
"""The hash that stands before the first entry."""


def canonical(value: Any) -> str:
    """Return the one JSON text of a value: keys sorted, no spaces.

    Raises:
        StoreError: The value is no JSON (a NaN, a set, ...).
    """
    try:
        text = json.dumps(
            value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
        )
        text.encode()  # half of a surrogate pair is JSON to Python, but not UTF-8
    except (TypeError, ValueError) as error:
        raise StoreError(f"event data is no JSON ({error}); give numbers, texts, lists") from error
    return text


def link(before: str, seq: int, event: NewEvent) -> Event:
    """Return the event with its place and hash behind an entry with hash ``before``."""
    text = canonical([before, seq, event.at_us, event.kind, event.bay, event.data])
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Event(seq, event.at_us, event.kind, event.bay, event.data, digest)


def first_break(events: Iterable[Event]) -> int | None:
    """Return the place of the first entry that does not follow from the one before, or None.

    Args:
        events: The whole chain in order, from place 1.
    """
    before, expected = GENESIS, 1
    for event in events:
        plain = NewEvent(event.at_us, event.kind, event.bay, event.data)
        if event.seq != expected or link(before, expected, plain).hash != event.hash:
            return expected
        before, expected = event.hash, expected + 1
    return None
