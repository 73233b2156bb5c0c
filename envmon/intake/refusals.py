"""Refused messages: counted, the newest kept for inspection, memory bounded."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Refusal:
    """A refused message, kept for inspection.

    Attributes:
        at_us: Arrival [µs, UTC].
        topic: Topic it came on, cut to 200 characters.
        payload: The beginning of its bytes.
        size: How many bytes it had.
        reason: Why it was refused.
    """

    at_us: int
    topic: str
    payload: bytes
    size: int
    reason: str


class Refusals:
    """Counts refused messages and keeps the newest; memory is bounded whatever comes.

    Args:
        keep: How many are kept.
        keep_bytes: How much of each payload is kept [bytes].
    """

    def __init__(self, keep: int = 100, keep_bytes: int = 1024) -> None:
        self._kept: deque[Refusal] = deque(maxlen=keep)
        self._keep_bytes = keep_bytes
        self._count = 0

    @property
    def count(self) -> int:
        """How many messages were refused since the start."""
        return self._count

    @property
    def kept(self) -> tuple[Refusal, ...]:
        """The newest refused messages, oldest of them first."""
        return tuple(self._kept)

    def add(self, topic: str, payload: bytes, reason: str, at_us: int) -> None:
        """Count a refused message and keep it in place of the oldest."""
        self._count += 1
        head = bytes(payload[: self._keep_bytes])
        self._kept.append(Refusal(at_us, topic[:200], head, len(payload), reason[:500]))
