"""What nodes say of their batteries beside what is measured: the last word of each, kept.

A battery is no quantity of a bay, so nobody claims it; it comes in the messages of claimed points.
They are looked into now and then only: a battery lasts for weeks.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.field.guess import guess_of
from envmon.field.hearing import LOOKED_AT_BYTES
from envmon.intake.allowance import Purse
from envmon.service.points.heard import claimed_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.intake.link import Message
    from envmon.shop.models import Shop
    from envmon.store.base import Store

log = logging.getLogger("envmon.watch")

BATTERIES = "battery"
"""Name of the snapshot that holds them."""
LOOK_EVERY_US = 5 * MINUTE_US
"""A topic is looked into once in so long [µs]."""
LOOKS_PER_S, LOOKS_SAVED = 5.0, 50.0
"""So many topics are looked into, under a flood of new ones too."""
MOST_TOPICS = 2_000


class Battery(msgspec.Struct, frozen=True):
    """What a point last said of its battery.

    Attributes:
        text: Such as ``2.91 V``.
        at_us: When [µs].
    """

    text: str
    at_us: int


class Batteries:
    """The last word of every claimed point.

    Args:
        shop: The shop file.
        store: Where they are kept.
    """

    def __init__(self, shop: Shop, store: Store) -> None:
        self._claimed, self._store = claimed_of(shop), store
        self._kept = batteries_in(store)
        self._looked_us: dict[str, int] = {}
        self._looks: Purse[str] = Purse(LOOKS_PER_S, LOOKS_SAVED)
        self._changed = False

    def look(self, messages: Iterable[Message], now_us: int) -> None:
        """Look into messages that have been taken in.

        Args:
            messages: The messages; one the broker had kept is of any age, and is passed over.
            now_us: Time now [µs].
        """
        for message in messages:
            looked_us = self._looked_us.get(message.topic)
            if looked_us is not None and 0 <= now_us - looked_us < LOOK_EVERY_US:
                continue
            if message.retained or len(message.payload) > LOOKED_AT_BYTES:
                continue
            if self._looks.take("", 1, now_us):
                self._note_look(message.topic, now_us)
                self._take(message, now_us)
            self._looks.kept()

    def _note_look(self, topic: str, now_us: int) -> None:
        if len(self._looked_us) >= MOST_TOPICS:
            self._looked_us.clear()
        self._looked_us[topic] = now_us

    def _take(self, message: Message, now_us: int) -> None:
        found = self._claimed.points_of(message.topic) or ()
        points = [point for point in found if point in self._claimed.ids]
        if not points:
            return
        try:
            guess = guess_of(message.topic, message.payload)
        except Exception:
            # What is only looked at in passing must never stop the stream.
            log.exception("cannot look for a battery in a message on %s", message.topic)
            return
        if not guess.battery:
            return
        at_us = now_us if guess.t_us is None else min(guess.t_us, now_us)
        for point in points:
            known = self._kept.get(point)
            if known is None or at_us >= known.at_us or known.at_us > now_us:
                self._kept[point] = Battery(guess.battery, at_us)
                self._changed = True

    def save(self, now_us: int) -> None:
        """Keep what is new, in the transaction that is open.

        Args:
            now_us: Time now [µs].
        """
        if self._changed:
            self._store.save_snapshot(BATTERIES, now_us, msgspec.json.encode(self._kept))


def batteries_in(store: Store) -> dict[str, Battery]:
    """Return what points last said: point id -> battery; nothing where it cannot be read.

    Args:
        store: Where they are kept.
    """
    try:
        return msgspec.json.decode(store.snapshot(BATTERIES) or b"{}", type=dict[str, Battery])
    except msgspec.MsgspecError:
        log.warning("what was kept of batteries cannot be read; they are asked anew")
        return {}


def battery_texts(kept: dict[str, Battery], now_us: int) -> dict[str, str]:
    """Return what to say of each: point id -> such as ``2.91 V, 3 h ago``.

    Args:
        kept: What points last said.
        now_us: Time now [µs].
    """
    return {point: f"{one.text}, {_ago(now_us - one.at_us)}" for point, one in kept.items()}


def _ago(us: int) -> str:
    if us >= 2 * DAY_US:
        return f"{us // DAY_US} days ago"
    if us >= 2 * HOUR_US:
        return f"{us // HOUR_US} h ago"
    return f"{max(0, us) // MINUTE_US} min ago"
