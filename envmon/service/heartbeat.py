"""The watch's heartbeat: up or in trouble, since when it says so, and what the person must know."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import DAY_US, iso_from_us
from envmon.errors import StoreError
from envmon.service.keeping.keeper import KEEPER_WORD, KeeperWord
from envmon.store.rescue import RENEWED, renewal_from

if TYPE_CHECKING:
    from envmon.clock import Clock
    from envmon.facts import Event
    from envmon.intake.link import BrokerLink
    from envmon.store.base import Store

log = logging.getLogger("envmon.watch")

HEARTBEAT_TOPIC = "envmon/watch/heartbeat"
LAST_WILL = msgspec.json.encode({"state": "down", "at": None, "text": "the watch is gone"})
EVERY_S = 1.0
WORD_EVERY_S = 5.0
NOTICE_US = DAY_US
"""So long the screens tell that the live file was renewed."""


def last_renewal(store: Store, now_us: int) -> Event | None:
    """Return the newest event of the last day that tells of a renewed live file, or None."""
    events = store.events_between(now_us - NOTICE_US, 2**62)
    return max((e for e in events if e.kind == RENEWED), key=lambda e: e.seq, default=None)


class Heartbeat:
    """Says once a second that the watch lives, and at once what goes wrong.

    Args:
        store: Where the keeper's word and the count of refused payloads are.
        link: Connection to the broker.
        clock: What time it is.
    """

    def __init__(self, store: Store, link: BrokerLink, clock: Clock) -> None:
        self._store, self._link, self._clock = store, link, clock
        self.trouble = ""
        """Why nothing can be stored; empty when it can."""
        self.last_reject = ""
        """Why the last payload was refused."""
        self._next_at = self._word_at = 0.0
        self._word = ""
        self._renewed = last_renewal(store, clock.now_us())

    def hasten(self) -> None:
        """Beat at the next chance."""
        self._next_at = 0.0

    def beat(self, *, now: bool = False) -> None:
        """Say how the watch is, if it is time or ``now`` asks for it."""
        at = time.monotonic()
        if at < self._next_at and not now:
            return
        self._next_at = at + EVERY_S
        beat = {
            "state": "trouble" if self.trouble else "up",
            "at": iso_from_us(self._clock.now_us()),
            "text": self.trouble or self.keepers_word() or self._notice(),
            "rejected": self._rejected(),
            "last_reject": self.last_reject,
        }
        self._link.publish(HEARTBEAT_TOPIC, msgspec.json.encode(beat))

    def say_goodbye(self) -> None:
        """Say that the watch was stopped."""
        beat = {"state": "down", "at": iso_from_us(self._clock.now_us()), "text": "stopped"}
        self._link.publish(HEARTBEAT_TOPIC, msgspec.json.encode(beat), qos=1)

    def keepers_word(self) -> str:
        """Return what the keeper of the archive says is wrong; empty when nothing is."""
        now = time.monotonic()
        if now >= self._word_at:
            self._word_at = now + WORD_EVERY_S
            try:
                word = self._store.snapshot(KEEPER_WORD)
                self._word = msgspec.json.decode(word, type=KeeperWord).text if word else ""
            except (StoreError, msgspec.MsgspecError) as error:
                log.warning("cannot read the keeper's word: %s", error)
        return self._word

    def _notice(self) -> str:
        """Return that the live file was renewed, as long as that is news."""
        renewed = self._renewed
        if renewed is None or self._clock.now_us() - renewed.at_us > NOTICE_US:
            return ""
        return renewal_from(renewed).text()

    def _rejected(self) -> int | None:
        """Return how many payloads were ever refused; None when the store cannot say."""
        try:
            return self._store.reject_total()
        except StoreError:
            return None
