"""How a process shows its parent that it still does its work: the time, through a pipe.

A pipe and no file: it goes on speaking when the disk is full or can only be read. Then the watch
lives, says what is wrong and tries again; starting it anew would not make room.
"""

from __future__ import annotations

import contextlib
import os
import struct
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

VARIABLE = "ENVMON_ALIVE_FD"
EVERY_S = 0.5
_BEAT = struct.Struct("=d")
"""Monotonic time [s], which all processes of a machine share."""


class AlivePipe:
    """The parent's side; it outlives the child, so that the next one speaks through it, too."""

    def __init__(self) -> None:
        self._read, self.write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._heard_at = time.monotonic()

    def silent_s(self) -> float:
        """Return how long ago the child last spoke, or this began [s]."""
        with contextlib.suppress(BlockingIOError):
            while beats := os.read(self._read, 4_096):
                (self._heard_at,) = _BEAT.unpack(beats[-_BEAT.size :])
        return time.monotonic() - self._heard_at

    def environment(self) -> dict[str, str]:
        """Return the environment of a child that gets the writing end."""
        return {**os.environ, VARIABLE: str(self.write)}

    def close(self) -> None:
        """Release both ends."""
        os.close(self._read)
        os.close(self.write)


class Pulse:
    """The child's side; where no parent listens it does nothing.

    Args:
        environment: Variables of this process.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        text = environment.get(VARIABLE, "")
        self._write = int(text) if text.isdecimal() else None
        self._next_at = 0.0

    def beat(self) -> None:
        """Show that a piece of work was done; cheap enough for every turn."""
        now = time.monotonic()
        if self._write is None or now < self._next_at:
            return
        self._next_at = now + EVERY_S
        # A full pipe means that the parent does not listen just now; one that has gone, never.
        with contextlib.suppress(BlockingIOError, BrokenPipeError):
            os.write(self._write, _BEAT.pack(now))
