"""Tries that failed make the next one wait, by name and by address, and never for ever."""

from __future__ import annotations

import hashlib
import ipaddress
from typing import TYPE_CHECKING

from envmon.clock import DAY_US, MINUTE_US, SECOND_US

if TYPE_CHECKING:
    from envmon.clock import Clock
    from envmon_boards.door_store import DoorStore

FREE_OF_NAME, FREE_OF_ADDRESS = 4, 10
"""So many may fail before the next one waits; an address may have several people."""
LONGEST_US = 15 * MINUTE_US
"""The longest wait; after as long without a failure one of them is forgiven."""
KNOWN_FOR_US = 90 * DAY_US
MOST_KEPT = 5_000


class Tries:
    """Counts tries before they are judged, so that many at once count as many.

    A person who has logged in from an address before is counted there by itself: a stranger who
    guesses at a name elsewhere does not lock its owner out.

    Args:
        store: Where they are kept.
        clock: What time it is, never the demo's.
    """

    def __init__(self, store: DoorStore, clock: Clock) -> None:
        self._store, self._clock = store, clock

    def begin(self, name: str, address: str) -> float:
        """Count a try; return how long it must wait instead [s], 0 when it may be judged.

        Raises:
            StoreError: It cannot be kept.
        """
        now_us = self._clock.now_us()
        with self._store.atomic():
            keys = self._keys(name, address)
            left = max(self._left_us(key, free, now_us) for key, free in keys)
            if left > 0:
                return left / SECOND_US
            for key, _ in keys:
                times = self._times(key, now_us) + 1
                self._store.rows("REPLACE INTO failed VALUES (?, ?, ?)", key, times, now_us)
            self._forget(now_us)
        return 0.0

    def good(self, name: str, address: str) -> None:
        """Take a try back that was good, and know the address from now on.

        Raises:
            StoreError: It cannot be kept.
        """
        now_us = self._clock.now_us()
        with self._store.atomic():
            (by_name, _), (by_address, _) = self._keys(name, address)
            self._store.rows("DELETE FROM failed WHERE who = ?", by_name)
            # Only its own: else guesses at others would be free between two good ones.
            self._store.rows("UPDATE failed SET times = times - 1 WHERE who = ?", by_address)
            pair = _key("known", name, place_of(address))
            self._store.rows("REPLACE INTO known VALUES (?, ?)", pair, now_us)

    def _keys(self, name: str, address: str) -> tuple[tuple[str, int], tuple[str, int]]:
        place = place_of(address)
        known = self._store.rows("SELECT 1 FROM known WHERE who = ?", _key("known", name, place))
        by_name = _key("name", name, place if known else "")
        return (by_name, FREE_OF_NAME), (_key("address", "", place), FREE_OF_ADDRESS)

    def _kept(self, key: str) -> tuple[int, int]:
        rows = self._store.rows("SELECT times, last_us FROM failed WHERE who = ?", key)
        return (int(rows[0][0]), int(rows[0][1])) if rows else (0, 0)

    def _times(self, key: str, now_us: int) -> int:
        times, last_us = self._kept(key)
        return max(0, times - int(abs(now_us - last_us) // LONGEST_US))

    def _left_us(self, key: str, free: int, now_us: int) -> int:
        times, last_us = self._kept(key)
        wait_us = wait_after_us(times, free)
        # A clock set back must not make the wait longer than it is.
        return min(wait_us, last_us + wait_us - now_us)

    def _forget(self, now_us: int) -> None:
        self._store.rows("DELETE FROM failed WHERE last_us < ?", now_us - DAY_US)
        self._store.rows("DELETE FROM known WHERE last_us < ?", now_us - KNOWN_FOR_US)
        self._store.rows(
            "DELETE FROM failed WHERE who IN "
            "(SELECT who FROM failed ORDER BY last_us DESC LIMIT -1 OFFSET ?)", MOST_KEPT
        )  # fmt: skip


def wait_after_us(times: int, free: int) -> int:
    """Return how long after so many failures the next try waits [µs]."""
    if times < free:
        return 0
    return min(LONGEST_US, SECOND_US << min(times - free + 1, 20))


def place_of(address: str) -> str:
    """Return the address as it is counted: of IPv6 the network, as a machine has all of it."""
    try:
        told = ipaddress.ip_address(address)
    except ValueError:
        return address
    if told.version == 4:
        return str(told)
    return str(ipaddress.ip_network((told, 64), strict=False))


def _key(kind: str, name: str, place: str) -> str:
    """Return what a count is kept under; a name may be a PIN typed into the wrong field."""
    folded = " ".join(name.split()).casefold()
    return hashlib.sha256(f"{kind}\0{folded}\0{place}".encode("utf-8", "replace")).hexdigest()
