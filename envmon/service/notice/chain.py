"""Reads the chain of events beside the watch, and never harms it: no file made, none written."""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import StoreError
from envmon.facts import Event
from envmon.guard.alarm_acts import ACKNOWLEDGED
from envmon.notice.rounds import WATCH_ALARM
from envmon.service.restored import SNAPSHOT
from envmon.store.chain import GENESIS
from envmon.store.sqlite import LIVE_FILE

if TYPE_CHECKING:
    from pathlib import Path

MOST = 5_000
"""So many events are taken in at once."""
_BUSY_MS = 500


class Look(NamedTuple):
    """What the live file holds at one moment.

    Attributes:
        events: Events behind the place asked for.
        same: The chain still holds the place asked for, with its hash.
        snapshot_us: Time of the guard's snapshot [µs], or None.
        acked_by: Who asked to acknowledge that the watch is down, which the watch cannot take up.
    """

    events: list[Event]
    same: bool
    snapshot_us: int | None
    acked_by: str | None = None


class ChainReader:
    """Looks into the live file of a data folder; opens it anew when it was replaced.

    A connection that may only read: closing one that may write could take the newest entries of
    a renewed file with it.

    Args:
        folder: Data folder.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LIVE_FILE
        self._db: sqlite3.Connection | None = None
        self._inode = 0

    def look(self, seq: int, digest: str, most: int = MOST) -> Look:
        """Return what came behind a place in the chain.

        Args:
            seq: The place; 0 is the beginning.
            digest: The hash that stands there.
            most: Most events returned.

        Raises:
            StoreError: The live file is missing, locked or damaged.
        """
        try:
            db = self._opened()
            db.execute("BEGIN")
            try:
                return _looked(db, seq, digest, most)
            finally:
                db.execute("ROLLBACK")
        except (sqlite3.Error, OSError, ValueError) as error:
            self.close()
            raise StoreError(f"cannot read {self._path}: {error}; is the watch running?") from error

    def _opened(self) -> sqlite3.Connection:
        inode = self._path.stat().st_ino
        if self._db is not None and inode != self._inode:
            self.close()
        if self._db is None:
            address = f"{self._path.absolute().as_uri()}?mode=ro"
            self._db = sqlite3.connect(address, uri=True, isolation_level=None)
            self._db.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
            self._inode = inode
        return self._db

    def close(self) -> None:
        """Release the file."""
        if self._db is not None:
            self._db.close()
            self._db = None


def _looked(db: sqlite3.Connection, seq: int, digest: str, most: int) -> Look:
    row = db.execute("SELECT hash FROM event WHERE seq = ?", (seq,)).fetchone()
    same = (row[0] if row else GENESIS) == digest and (row is not None or seq == 0)
    rows = db.execute(
        "SELECT seq, at_us, kind, bay, data, hash FROM event WHERE seq > ? ORDER BY seq LIMIT ?",
        (seq if same else 0, most),
    ).fetchall()
    events = [Event(n, at, kind, bay, json.loads(data), h) for n, at, kind, bay, data, h in rows]
    snapshot = db.execute("SELECT at_us FROM snapshot WHERE name = ?", (SNAPSHOT,)).fetchone()
    asked = db.execute(
        "SELECT data FROM request WHERE kind = ? ORDER BY id", (ACKNOWLEDGED,)
    ).fetchall()
    acks = [said for (text,) in asked if (said := json.loads(text)).get("alarm") == WATCH_ALARM]
    acked_by = str(acks[-1].get("by", "")) if acks else None
    return Look(events, same, snapshot[0] if snapshot else None, acked_by)
