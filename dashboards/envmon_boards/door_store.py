"""What the door remembers over a restart: sessions, and tries that failed."""

from __future__ import annotations

import os
import sqlite3
from contextlib import contextmanager
from threading import RLock
from typing import TYPE_CHECKING, Any

from envmon.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DOOR_FILE = "door.sqlite3"
_TABLES = """
CREATE TABLE IF NOT EXISTS session (
    id TEXT PRIMARY KEY, name TEXT NOT NULL, stamp TEXT NOT NULL,
    begun_us INTEGER NOT NULL, seen_us INTEGER NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS failed (
    who TEXT PRIMARY KEY, times INTEGER NOT NULL, last_us INTEGER NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS known (
    who TEXT PRIMARY KEY, last_us INTEGER NOT NULL) STRICT;
"""


class DoorStore:
    """One small file in the data folder; used by several threads, one after the other.

    Args:
        folder: Data folder.

    Raises:
        StoreError: The file cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        self._lock = RLock()
        self._path = folder / DOOR_FILE
        try:
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._connection = self._open()
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.OperationalError):
                    raise
                self._remove()  # damaged: everybody logs in anew, that is all that is lost
                self._connection = self._open()
        except (OSError, sqlite3.Error) as error:
            raise StoreError(f"cannot open {self._path}: {error}; check the data folder") from error

    def _open(self) -> sqlite3.Connection:
        os.close(os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600))
        connection = sqlite3.connect(
            self._path, timeout=5, isolation_level=None, check_same_thread=False
        )
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.executescript(_TABLES)
        except BaseException:
            connection.close()
            raise
        return connection

    def _remove(self) -> None:
        for end in ("", "-wal", "-shm"):
            self._path.with_name(DOOR_FILE + end).unlink(missing_ok=True)

    def rows(self, statement: str, *values: Any) -> list[tuple[Any, ...]]:
        """Return the rows of a statement.

        Raises:
            StoreError: The file fails.
        """
        with self._lock, self._translated():
            return self._connection.execute(statement, values).fetchall()

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Make what is done inside one change, seen by nobody before it is whole.

        Raises:
            StoreError: The file fails; nothing is changed then.
        """
        with self._lock, self._translated():
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(f"{self._path} fails: {error}; check the disk") from error

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()
