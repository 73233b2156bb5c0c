"""A watch in this process, on a link that is fed by hand or on a real broker."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from envmon.clock import ManualClock
from envmon.guard.alarm_acts import LISTENING
from envmon.intake.link import BrokerLink, Message
from envmon.service.replay.mark import TAKEN
from envmon.service.watch import Watch
from envmon.store.sqlite import SqliteStore
from tests.guard_support import SHOP, START_US, shop_from

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


class HandLink(BrokerLink):
    """The link's in-memory twin: messages are put in, what was said and acknowledged is kept."""

    def __init__(self) -> None:
        super().__init__("127.0.0.1", 1, "hand", [])
        self._up = True
        self.waiting: list[Message] = []
        self.acknowledged: list[bytes] = []
        self.retained: dict[str, bytes] = {}
        self.said: list[tuple[str, bytes]] = []

    def set_up(self, up: bool) -> None:  # noqa: FBT001
        self._up = up

    def put(self, topic: str, payload: bytes) -> None:
        self.waiting.append(Message(topic, payload, len(self.waiting) + 1, 1, 1))

    def take(self, timeout_s: float) -> list[Message]:  # noqa: ARG002 - nothing to wait for
        batch, self.waiting = self.waiting, []
        return batch

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += [message.payload for message in messages]

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = True) -> bool:
        if not self._up:
            return False
        assert retain
        assert qos in {0, 1}
        self.said.append((topic, payload))
        self.retained[topic] = payload
        if not payload:
            del self.retained[topic]
        return True


def senml(name: str, value: float | str | None, at_s: float | None = None) -> bytes:
    """Return a pack of one record with its own time, or without one."""
    record: dict[str, Any] = {"n": name, "v": value}
    if at_s is not None:
        record["t"] = START_US / 1e6 + at_s
    return json.dumps([record]).encode()


class HandWatch:
    """A watch on a hand-fed link, with a clock that moves when told."""

    def __init__(self, folder: Path, text: str = SHOP, at_us: int = START_US) -> None:
        self.folder = folder
        self.clock, self.link = ManualClock(at_us), HandLink()
        self.store = SqliteStore(folder)
        self.watch = Watch(shop_from(text), self.store, self.link, self.clock)

    def turn(self, at_s: float, *messages: tuple[str, bytes]) -> int:
        for topic, payload in messages:
            self.link.put(topic, payload)
        self.clock.at_us = START_US + round(at_s * 1_000_000)
        return self.watch.turn(0)

    def retained(self, topic: str) -> Any:
        return json.loads(self.link.retained[topic])

    def event_kinds(self) -> list[str]:
        """Return what was done and found; limits in force and the first broker are told apart."""
        return [e.kind for e in self.store.events() if e.kind not in {TAKEN, LISTENING}]
