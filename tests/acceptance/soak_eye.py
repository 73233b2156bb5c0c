"""What is seen of the run while it goes on: how far behind the store is, events, memory."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from tests.acceptance.soak_stage import children_of_pid, command_line, rss_kb
from tests.acceptance.soak_story import BEGIN_US, MARKER

if TYPE_CHECKING:
    from pathlib import Path

    from tests.acceptance.soak_stage import Stage

LOOK_S = 0.2
MEMORY_S = 5.0
BEHIND_S = 1.5
"""A store whose newest reading is older than this is behind [real s]."""
NEWEST = """SELECT max(t_us) FROM reading WHERE series_id =
 (SELECT id FROM series WHERE point = ? AND quantity = 'outdoor_temp_c')"""


class Seen(NamedTuple):
    """An event of the chain, and when it was first seen there [s, Unix]."""

    at: float
    seq: int
    kind: str
    data: dict[str, Any]


class Memory(NamedTuple):
    """What a process held: when [s, Unix], name, number, kB."""

    at: float
    name: str
    pid: int
    kb: int


@dataclass(slots=True)
class Noted:
    """All that was seen."""

    behind: list[tuple[float, float]] = field(default_factory=list)
    events: list[Seen] = field(default_factory=list)
    memory: list[Memory] = field(default_factory=list)
    broker_kb: list[tuple[float, int]] = field(default_factory=list)
    """What waits in the broker, by the size of its file."""


class Eye(threading.Thread):
    """Looks with plain SQLite, read only, and at /proc.

    Args:
        stage: What to look at.
        real_start: When the simulated time began [s, Unix].
    """

    def __init__(self, stage: Stage, real_start: float) -> None:
        super().__init__(daemon=True)
        self._stage, self._real_start = stage, real_start
        self._over = threading.Event()
        self._db: sqlite3.Connection | None = None
        self._memory_at = 0.0
        self._newest_us = BEGIN_US
        self.noted = Noted()

    def run(self) -> None:
        while not self._over.wait(LOOK_S):
            with contextlib.suppress(sqlite3.Error):
                self._look()
            if time.monotonic() >= self._memory_at:
                self._memory_at = time.monotonic() + MEMORY_S
                self._weigh()

    def _look(self) -> None:
        path: Path = self._stage.data / "live.sqlite3"
        if self._db is None:
            if not path.exists():
                return
            self._db = sqlite3.connect(
                f"file:{path}?mode=ro", uri=True, timeout=2, check_same_thread=False
            )
        # With fast days all may have moved to the archive when the nodes have ended.
        self._newest_us = self._db.execute(NEWEST, (MARKER,)).fetchone()[0] or self._newest_us
        now = time.time()
        shown = self._real_start + (self._newest_us - BEGIN_US) / 1e6 / self._stage.speed
        self.noted.behind.append((now, now - shown))
        last = self.noted.events[-1].seq if self.noted.events else 0
        rows = self._db.execute("SELECT seq, kind, data FROM event WHERE seq > ?", (last,))
        self.noted.events += [Seen(now, seq, kind, json.loads(data)) for seq, kind, data in rows]

    def _weigh(self) -> None:
        with contextlib.suppress(OSError):
            size = (self._stage.folder / "envmon.db").stat().st_size
            self.noted.broker_kb.append((time.time(), size // 1024))
        now, found = time.time(), self._stage.pids()
        found |= {f"chromium page {pid}": pid for pid in renderers(os.getpid())}
        for name, pid in found.items():
            kb = rss_kb(pid)
            if kb:
                self.noted.memory.append(Memory(now, name.partition(" page")[0], pid, kb))

    @property
    def behind_s(self) -> float:
        """How far the store was behind at the last look [real s]."""
        if not self.noted.behind or self.noted.behind[-1][0] < time.time() - 1:
            return 1e9
        return self.noted.behind[-1][1]

    def end(self) -> None:
        """Look no more; all that is in the chain has been seen."""
        self._over.set()
        self.join()
        with contextlib.suppress(sqlite3.Error):
            self._look()


def renderers(pid: int) -> list[int]:
    """Return the processes below one that draw a page."""
    found, waiting = [], [pid]
    while waiting:
        for child in children_of_pid(waiting.pop()):
            waiting.append(child)
            if "--type=renderer" in command_line(child):
                found.append(child)
    return found
