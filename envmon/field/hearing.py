"""What was heard on the broker, topic by topic, in a memory that has an end."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

from envmon.field.guess import Guess, guess_of

MOST_TOPICS = 2_000
KEPT_BYTES = 512
"""So much of a payload is kept."""
LOOKED_AT_BYTES = 16_384
"""A payload that is longer than what is kept is looked at when it comes, up to this."""
LOOKED_AT = 100
"""So many long payloads are looked at in ``LOOK_S``; under a flood the others wait."""
LOOK_S = 10.0
OURS = ("envmon/", "$")
"""What envmon itself or the broker says."""


@dataclass(slots=True)
class Heard:
    """One topic.

    Attributes:
        topic: Its name.
        payload: The newest payload, its beginning.
        size: Length of the whole payload [bytes].
        at_s: When it came [s, monotonic].
        retained: It was kept by the broker, and may be of any age.
        first_s: When the first that was not kept came [s, monotonic].
        count: How many came that were not kept.
        guess: What a payload longer than what is kept seems to be.
    """

    topic: str
    payload: bytes
    size: int
    at_s: float
    retained: bool
    first_s: float = 0.0
    count: int = 0
    guess: Guess | None = None

    @property
    def every_s(self) -> float | None:
        """How often it is heard [s]; None before the second time."""
        return (self.at_s - self.first_s) / (self.count - 1) if self.count > 1 else None

    def guessed(self) -> Guess:
        """Return what the payload seems to be."""
        if self.size <= len(self.payload):
            return guess_of(self.topic, self.payload)
        why = f"it has {self.size} bytes and was not looked at; wait for the next"
        return self.guess or Guess("unknown", (), why=why)


class HeardTopics:
    """Topics heard once and topics heard again, half of the room for each.

    A flood of topics that never come again pushes out its own kind only.

    Args:
        most: So many topics are kept.
    """

    def __init__(self, most: int = MOST_TOPICS) -> None:
        self._room = most // 2
        self._once: OrderedDict[str, Heard] = OrderedDict()
        self._again: OrderedDict[str, Heard] = OrderedDict()
        self._lock = threading.Lock()
        self._looks, self._look_until_s = 0, 0.0
        self._subscribed_s = 0.0
        self.forgotten = 0

    def subscribed(self, at_s: float) -> None:
        """Note a new subscription: what the broker had kept comes now [s, monotonic]."""
        self._subscribed_s = at_s

    def take(self, topic: str, payload: bytes, at_s: float, *, retained: bool) -> None:
        """Take in a message.

        Args:
            topic: Its topic.
            payload: Its payload.
            at_s: When it came [s, monotonic].
            retained: The broker had kept it.
        """
        if topic.startswith(OURS):
            return
        with self._lock:
            known = self._again.pop(topic, None) or self._once.pop(topic, None)
            # Some brokers leave the flag on what is sent just now: only the first after
            # subscribing can be one that was kept.
            retained = retained and (known is None or known.at_s < self._subscribed_s)
            heard = known or Heard(topic, b"", 0, at_s, retained)
            heard.payload, heard.size = payload[:KEPT_BYTES], len(payload)
            heard.at_s, heard.retained = at_s, retained
            if not retained:
                heard.first_s = heard.first_s if heard.count else at_s
                heard.count += 1
            self._look(heard, payload)
            self._keep(self._again if known else self._once, heard)

    def _look(self, heard: Heard, payload: bytes) -> None:
        if not KEPT_BYTES < len(payload) <= LOOKED_AT_BYTES:
            heard.guess = None
            return
        if heard.at_s >= self._look_until_s:
            self._looks, self._look_until_s = 0, heard.at_s + LOOK_S
        if self._looks < LOOKED_AT:
            self._looks += 1
            heard.guess = guess_of(heard.topic, payload)

    def _keep(self, among: OrderedDict[str, Heard], heard: Heard) -> None:
        among[heard.topic] = heard
        if len(among) > self._room:
            among.popitem(last=False)
            self.forgotten += 1

    def all(self) -> list[Heard]:
        """Return the topics, those heard last first."""
        with self._lock:
            topics = [replace(heard) for heard in (*self._once.values(), *self._again.values())]
        return sorted(topics, key=lambda heard: heard.at_s, reverse=True)
