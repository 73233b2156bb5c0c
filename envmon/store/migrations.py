"""The steps that bring a live file to the present form, each recorded with itself."""

from __future__ import annotations

import re
from importlib.metadata import version
from typing import TYPE_CHECKING

from envmon.errors import StoreNewerError

if TYPE_CHECKING:
    import sqlite3

PACKAGE = "envmon"

# (name, statements); only ever appended to.
MIGRATIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "0001_first",
        (
            """CREATE TABLE series (
                id INTEGER PRIMARY KEY, point TEXT NOT NULL, quantity TEXT NOT NULL,
                UNIQUE (point, quantity)) STRICT""",
            """CREATE TABLE reading (
                series_id INTEGER NOT NULL REFERENCES series (id), t_us INTEGER NOT NULL,
                value REAL NOT NULL, flag INTEGER NOT NULL, lag_us INTEGER NOT NULL,
                PRIMARY KEY (series_id, t_us)) STRICT, WITHOUT ROWID""",
            """CREATE TABLE event (
                seq INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, kind TEXT NOT NULL,
                bay TEXT NOT NULL, data TEXT NOT NULL, hash TEXT NOT NULL) STRICT""",
            """CREATE TRIGGER event_no_update BEFORE UPDATE ON event
                BEGIN SELECT RAISE(ABORT, 'events are append-only'); END""",
            """CREATE TRIGGER event_no_delete BEFORE DELETE ON event
                BEGIN SELECT RAISE(ABORT, 'events are append-only'); END""",
            """CREATE TABLE request (
                id INTEGER PRIMARY KEY AUTOINCREMENT, at_us INTEGER NOT NULL,
                kind TEXT NOT NULL, bay TEXT NOT NULL, data TEXT NOT NULL) STRICT""",
            """CREATE TABLE reject (
                id INTEGER PRIMARY KEY AUTOINCREMENT, at_us INTEGER NOT NULL,
                topic TEXT NOT NULL, payload BLOB NOT NULL, reason TEXT NOT NULL) STRICT""",
            """CREATE TABLE snapshot (
                name TEXT PRIMARY KEY, at_us INTEGER NOT NULL, state BLOB NOT NULL) STRICT""",
        ),
    ),
    (
        "0002_archive",
        (
            """CREATE TABLE archive_file (
                path TEXT PRIMARY KEY, from_us INTEGER NOT NULL, to_us INTEGER NOT NULL,
                row_count INTEGER NOT NULL, byte_count INTEGER NOT NULL,
                seen_from_us INTEGER NOT NULL, seen_to_us INTEGER NOT NULL,
                sha256 TEXT NOT NULL) STRICT""",
            """CREATE TABLE summary (
                series_id INTEGER NOT NULL REFERENCES series (id), step_s INTEGER NOT NULL,
                day INTEGER NOT NULL, packed BLOB NOT NULL,
                PRIMARY KEY (series_id, step_s, day)) STRICT""",
            """CREATE TABLE checkpoint (
                id INTEGER PRIMARY KEY AUTOINCREMENT, at_us INTEGER NOT NULL, why TEXT NOT NULL,
                state BLOB NOT NULL) STRICT""",
            "CREATE INDEX event_by_time ON event (at_us)",
            "CREATE INDEX event_by_kind ON event (kind, bay, seq)",
        ),
    ),
    (
        "0003_job_reference",
        (
            """CREATE TABLE job_reference (
                job TEXT PRIMARY KEY, text TEXT NOT NULL, salt TEXT NOT NULL) STRICT""",
        ),
    ),
    (
        "0004_forecast",
        (
            """CREATE TABLE forecast (
                point TEXT NOT NULL, t_us INTEGER NOT NULL, temp_c REAL NOT NULL,
                heard_us INTEGER NOT NULL, PRIMARY KEY (point, t_us)) STRICT, WITHOUT ROWID""",
        ),
    ),
)


def migrate(connection: sqlite3.Connection, now_us: int) -> None:
    """Apply the migrations not yet recorded, each committed with its own record.

    The version that applied the last one stands in the file's header (``PRAGMA user_version``).

    Args:
        connection: Open connection in autocommit mode.
        now_us: Time to record [µs, UTC].

    Raises:
        StoreNewerError: The file was written by a newer envmon; it is left as it was.
    """
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY, applied_us INTEGER NOT NULL)"
    )
    applied = {row[0] for row in connection.execute("SELECT name FROM migration")}
    _ensure_known(connection, applied)
    for name, statements in MIGRATIONS:
        if name in applied:
            continue  # opening a store that is up to date takes no write lock
        connection.execute("BEGIN IMMEDIATE")
        try:
            if connection.execute("SELECT 1 FROM migration WHERE name = ?", (name,)).fetchone():
                connection.execute("ROLLBACK")
                continue
            for statement in statements:
                connection.execute(statement)
            connection.execute("INSERT INTO migration VALUES (?, ?)", (name, now_us))
            connection.execute(f"PRAGMA user_version = {_number(version(PACKAGE))}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise


def _ensure_known(connection: sqlite3.Connection, applied: set[str]) -> None:
    unknown = sorted(applied - {name for name, _ in MIGRATIONS})
    if unknown:
        number = int(connection.execute("PRAGMA user_version").fetchone()[0])
        newer = number > _number(version(PACKAGE))
        writer = f"envmon {_text(number)}" if newer else "a newer envmon"
        raise StoreNewerError(
            f"the data folder was written by {writer} (it has {unknown[0]}), and this is envmon "
            f"{version(PACKAGE)}; install that version, or put the backup from before the upgrade "
            "in its place (way-back.sh does both), or use another folder"
        )


def _number(release: str) -> int:
    """Return a version as one number: 0.5.12 is 5012; what is behind the third number is left."""
    parts = [int(digits) for digits in re.findall(r"\d+", release)[:3]]
    major, minor, patch = (*parts, 0, 0, 0)[:3]
    return major * 1_000_000 + min(minor, 999) * 1_000 + min(patch, 999)


def _text(number: int) -> str:
    return f"{number // 1_000_000}.{number // 1_000 % 1_000}.{number % 1_000}"
