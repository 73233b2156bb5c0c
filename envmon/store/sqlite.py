"""The live store on SQLite in WAL mode: several processes, safe over kill -9 and power cuts."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from envmon.errors import StoreDamagedError, StoreError
from envmon.facts import Event, Flag, Foretold, Reading
from envmon.store.base import Checkpoint, Reference, Reject, Request
from envmon.store.chain import GENESIS, canonical, link
from envmon.store.migrations import migrate

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from envmon.facts import NewEvent

LIVE_FILE = "live.sqlite3"
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
BUSY_MS = 10_000
"""So long another process's transaction is waited for [ms]."""
REJECTS_KEPT = 1_000
"""So many rejected payloads are kept for inspection; all are counted."""


_INSERT = (
    "INSERT INTO reading VALUES (?, ?, ?, ?, ?) ON CONFLICT (series_id, t_us) DO UPDATE SET "
    "value = excluded.value, flag = excluded.flag, lag_us = excluded.lag_us "
    "WHERE flag & 2 AND NOT excluded.flag & 2"  # 2 is Flag.CLOCK
)

_OLD_REJECTS = (
    "DELETE FROM reject WHERE id <= (SELECT id FROM reject ORDER BY id DESC LIMIT 1 OFFSET ?)"
)
_REPLACED = "DELETE FROM forecast WHERE point = ? AND t_us BETWEEN ? AND ? AND heard_us <= ?"
_FORETOLD = (
    "INSERT INTO forecast VALUES (?, ?, ?, ?) ON CONFLICT (point, t_us) DO UPDATE SET "
    "temp_c = excluded.temp_c, heard_us = excluded.heard_us WHERE heard_us <= excluded.heard_us"
)


def is_damage(error: Exception) -> bool:
    """Return whether SQLite says that a file itself is damaged, not its disk or its place."""
    # The low byte is the kind of the failure, the others tell more about it.
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGE


class _Cursor(sqlite3.Cursor):
    """A damaged page may show at any row, not only where a statement begins."""

    connection: _Connection

    def fetchone(self) -> Any:
        try:
            return super().fetchone()
        except sqlite3.Error as error:
            raise self.connection.failure("read", error) from error

    def fetchall(self) -> list[Any]:
        try:
            return super().fetchall()
        except sqlite3.Error as error:
            raise self.connection.failure("read", error) from error


class _Connection(sqlite3.Connection):
    failure: Callable[[str, Exception], StoreError]


class SqliteStore:
    """``Store`` on one SQLite file; see ``envmon.store.base.Store`` for what each method does.

    A commit returns only after the data has reached the disk (``synchronous=FULL``). One
    object belongs to one thread.

    Raises:
        StoreError: From every method, when the file or the disk fails; what was committed
            before stays. ``StoreDamagedError`` when the file itself is damaged.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / LIVE_FILE
        self._depth = 0
        self._series: dict[tuple[str, str], int] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(
                self.path, isolation_level=None, timeout=BUSY_MS / 1_000, factory=_Connection
            )
        except (sqlite3.Error, OSError) as error:
            raise self._failure("open", error) from error
        try:
            self._db.failure = self._failure
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            self._db.execute("PRAGMA secure_delete = ON")
            migrate(self._db, time.time_ns() // 1_000)
        except sqlite3.Error as error:
            self._db.close()
            raise self._failure("open", error) from error
        except StoreError:
            self._db.close()
            raise

    def _failure(self, doing: str, error: Exception) -> StoreError:
        if is_damage(error):
            return StoreDamagedError(
                f"cannot {doing} {self.path}: it is damaged ({error}); the watch renews it when "
                "it is started again, and keeps the damaged file beside it"
            )
        return StoreError(
            f"cannot {doing} {self.path}: {error}; check that the disk has room, the folder is "
            "writable and the file is whole"
        )

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Open a transaction, or a nested one that can be undone by itself."""
        name = f"level_{self._depth}"
        outermost = self._depth == 0
        self.run("BEGIN IMMEDIATE" if outermost else f"SAVEPOINT {name}")
        self._depth += 1
        try:
            yield
            self.run("COMMIT" if outermost else f"RELEASE {name}")
        except BaseException:
            self._undo(name, outermost=outermost)
            raise
        finally:
            self._depth -= 1

    def _undo(self, name: str, *, outermost: bool) -> None:
        if outermost:
            # Series ids given inside the transaction are gone with it.
            self._series.clear()
            if self._db.in_transaction:
                self.run("ROLLBACK")
        else:
            self._series.clear()
            self.run(f"ROLLBACK TO {name}")
            self.run(f"RELEASE {name}")

    def run(self, sql: str, parameters: Sequence[Any] = ()) -> sqlite3.Cursor:
        """Run one statement; the rest of the store room builds on it."""
        try:
            return self._db.cursor(_Cursor).execute(sql, parameters)
        except sqlite3.Error as error:
            raise self._failure("write", error) from error

    def rows(self, sql: str, parameters: Sequence[Any] = ()) -> Iterator[Any]:
        """Yield the rows of a query; a damaged page may show at any of them."""
        try:
            yield from self._db.execute(sql, parameters)
        except sqlite3.Error as error:
            raise self._failure("read", error) from error

    def run_many(self, sql: str, rows: Iterable[Sequence[Any]]) -> int:
        """Run one statement for every row of parameters; return how many rows it changed."""
        try:
            return self._db.executemany(sql, rows).rowcount
        except sqlite3.Error as error:
            raise self._failure("write", error) from error

    def series_id(self, point: str, quantity: str) -> int:
        """Return the number a series has in this file, giving it one if it is new."""
        key = (point, quantity)
        found = self._series.get(key)
        if found is None:
            self.run("INSERT OR IGNORE INTO series (point, quantity) VALUES (?, ?)", key)
            row = self.run("SELECT id FROM series WHERE point = ? AND quantity = ?", key)
            found = self._series[key] = int(row.fetchone()[0])
        return found

    def add_readings(self, readings: Sequence[Reading]) -> int:
        """Keep readings; one already there for (point, quantity, time) stays as it is.

        One whose sensor had a wrong clock gives way to a true one at the same time.
        """
        with self.atomic():
            rows = [
                (self.series_id(r.point, r.quantity), r.t_us, r.value, int(r.flag),
                 r.seen_us - r.t_us)
                for r in readings
            ]  # fmt: skip
            return self.run_many(_INSERT, rows) if rows else 0

    def kept(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return those of the readings that the store holds exactly as they are given."""
        sql = (
            "SELECT point, quantity, t_us, value, flag, lag_us FROM series JOIN reading "
            "ON series_id = id WHERE point = ? AND quantity = ? AND t_us = ?"
        )
        return [r for r in readings if r in [_reading(row) for row in self.rows(sql, r[:3])]]

    def readings(self, from_us: int, to_us: int, points: Iterable[str] = ()) -> Iterator[Reading]:
        """Yield readings with ``from_us <= t_us < to_us`` in order of time."""
        wanted = tuple(points)
        marks = f" AND point IN ({','.join('?' * len(wanted))})" if wanted else ""
        sql = (
            "SELECT point, quantity, t_us, value, flag, lag_us FROM series "  # noqa: S608 - marks are ?
            "JOIN reading ON series_id = id "
            f"WHERE t_us >= ? AND t_us < ?{marks} ORDER BY t_us, point, quantity"
        )
        for row in self.rows(sql, (from_us, to_us, *wanted)):
            yield _reading(row)

    def readings_seen_after(self, seen_us: int, horizon_us: int) -> list[Reading]:
        """Return readings taken in after ``seen_us`` and true after ``horizon_us``."""
        sql = (
            "SELECT point, quantity, t_us, value, flag, lag_us FROM series "
            "JOIN reading ON series_id = id WHERE t_us > ? AND t_us + lag_us > ? "
            "ORDER BY t_us + lag_us, t_us, point, quantity"
        )
        return [_reading(row) for row in self.rows(sql, (horizon_us, seen_us))]

    def add_events(self, events: Sequence[NewEvent]) -> list[Event]:
        """Append events to the chain and return them with place and hash."""
        with self.atomic():
            last = self.run("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
            seq, before = last or (0, GENESIS)
            linked: list[Event] = []
            for event in events:
                seq += 1
                entry = link(before, seq, event)
                data = canonical(entry.data)
                row = (seq, entry.at_us, entry.kind, entry.bay, data, entry.hash)
                self.run("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", row)
                before = entry.hash
                linked.append(entry)
            return linked

    def events(self, after_seq: int = 0) -> Iterator[Event]:
        """Yield events behind a place in the chain, in order."""
        sql = "SELECT seq, at_us, kind, bay, data, hash FROM event WHERE seq > ? ORDER BY seq"
        for seq, at_us, kind, bay, data, digest in self.rows(sql, (after_seq,)):
            yield Event(seq, at_us, kind, bay, json.loads(data), digest)

    def events_between(self, from_us: int, to_us: int) -> Iterator[Event]:
        """Yield events with ``from_us <= at_us < to_us``, in the order of the chain."""
        sql = (
            "SELECT seq, at_us, kind, bay, data, hash FROM event "
            "WHERE at_us >= ? AND at_us < ? ORDER BY seq"
        )
        for seq, at_us, kind, bay, data, digest in self.rows(sql, (from_us, to_us)):
            yield Event(seq, at_us, kind, bay, json.loads(data), digest)

    def events_of(self, kind: str, after_seq: int = 0) -> Iterator[Event]:
        """Yield every event of one kind behind a place in the chain, in its order."""
        sql = (
            "SELECT seq, at_us, bay, data, hash FROM event WHERE kind = ? AND seq > ? ORDER BY seq"
        )
        for seq, at_us, bay, data, digest in self.rows(sql, (kind, after_seq)):
            yield Event(seq, at_us, kind, bay, json.loads(data), digest)

    def stage_before(self, bay: str, at_us: int) -> Event | None:
        """Return the last ``stage_started`` or ``stage_ended`` of a bay before a time."""
        sql = (
            "SELECT seq, at_us, kind, bay, data, hash FROM event WHERE bay = ? AND at_us < ? "
            "AND kind IN ('stage_started', 'stage_ended') ORDER BY seq DESC LIMIT 1"
        )
        for seq, when_us, kind, _, data, digest in self.rows(sql, (bay, at_us)):
            return Event(seq, when_us, kind, bay, json.loads(data), digest)
        return None

    def ask(self, kind: str, bay: str, data: dict[str, Any], at_us: int) -> int:
        """Keep a person's request durably and return its id."""
        sql = "INSERT INTO request (at_us, kind, bay, data) VALUES (?, ?, ?, ?)"
        row = self.run(sql, (at_us, kind, bay, canonical(data))).lastrowid
        assert row is not None
        return row

    def requests(self) -> list[Request]:
        """Return the requests not yet made into events, oldest first."""
        rows = self.rows("SELECT id, at_us, kind, bay, data FROM request ORDER BY id")
        return [Request(i, at, kind, bay, json.loads(data)) for i, at, kind, bay, data in rows]

    def drop_requests(self, ids: Sequence[int]) -> None:
        """Forget requests that have become events (same transaction as the events)."""
        with self.atomic():
            for request_id in ids:
                self.run("DELETE FROM request WHERE id = ?", (request_id,))

    def keep_reference(self, reference: Reference) -> None:
        """Keep what a vehicle is called, apart from the chain; one already there is replaced."""
        self.run("INSERT OR REPLACE INTO job_reference VALUES (?, ?, ?)", reference)

    def reference(self, job: str) -> Reference | None:
        """Return what the vehicle of a job is called, or None: never given, or erased."""
        sql = "SELECT job, text, salt FROM job_reference WHERE job = ?"
        row = self.run(sql, (job,)).fetchone()
        return Reference(*row) if row else None

    def forget_reference(self, job: str) -> None:
        """Erase what the vehicle of a job is called; ``scrub`` takes the last trace of it."""
        self.run("DELETE FROM job_reference WHERE job = ?", (job,))

    def scrub(self) -> bool:
        """Overwrite what was deleted wherever it still lies in the live file's own log."""
        self.run("PRAGMA busy_timeout = 0")  # a reader must not hold the watch up
        try:
            busy = self.run("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        finally:
            self.run(f"PRAGMA busy_timeout = {BUSY_MS}")
        return not busy

    def add_rejects(self, rejects: Sequence[Reject], more: int = 0) -> None:
        """Count payloads that could not be read and keep the newest of those handed over."""
        with self.atomic():
            if more:
                # The highest id ever given is the count.
                sql = "UPDATE sqlite_sequence SET seq = seq + ? WHERE name = 'reject'"
                self.run(sql, (more,))
            for reject in rejects:
                sql = "INSERT INTO reject (at_us, topic, payload, reason) VALUES (?, ?, ?, ?)"
                self.run(sql, reject)
            if rejects:
                self.run(_OLD_REJECTS, (REJECTS_KEPT,))

    def rejects(self) -> list[Reject]:
        """Return the rejected payloads kept, newest first."""
        rows = self.rows("SELECT at_us, topic, payload, reason FROM reject ORDER BY id DESC")
        return [Reject(*row) for row in rows]

    def reject_total(self) -> int:
        """Return how many payloads have been rejected since the store began."""
        # AUTOINCREMENT never gives an id twice, so the highest one ever given is the count.
        row = self.run("SELECT seq FROM sqlite_sequence WHERE name = 'reject'").fetchone()
        return int(row[0]) if row else 0

    def add_foretold(self, told: Sequence[Foretold], drop_before_us: int) -> None:
        """Keep a forecast; it takes the place of what its point had said before of its times."""
        with self.atomic():
            for point, heard_us in dict.fromkeys((one.point, one.heard_us) for one in told):
                rows = [one for one in told if (one.point, one.heard_us) == (point, heard_us)]
                times = [one.t_us for one in rows]
                # Else hours of an old one would be left between those of the new one.
                self.run(_REPLACED, (point, min(times), max(times), heard_us))
                self.run_many(_FORETOLD, rows)
            self.run("DELETE FROM forecast WHERE t_us < ?", (drop_before_us,))

    def foretold(self) -> list[Foretold]:
        """Return every forecast kept, by point and in order of time."""
        sql = "SELECT point, t_us, temp_c, heard_us FROM forecast ORDER BY point, t_us"
        return [Foretold(*row) for row in self.rows(sql)]

    def save_snapshot(self, name: str, at_us: int, state: bytes) -> None:
        """Replace a named snapshot."""
        self.run("INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)", (name, at_us, state))

    def snapshot(self, name: str) -> bytes | None:
        """Return a named snapshot, or None."""
        row = self.run("SELECT state FROM snapshot WHERE name = ?", (name,)).fetchone()
        return bytes(row[0]) if row else None

    def snapshot_at(self, name: str) -> int | None:
        """Return the time a named snapshot was taken at [µs, UTC], or None."""
        row = self.run("SELECT at_us FROM snapshot WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else None

    def add_checkpoint(self, at_us: int, why: str, state: bytes) -> None:
        """Keep a state of the guard for good; replay starts from it."""
        self.run("INSERT INTO checkpoint (at_us, why, state) VALUES (?, ?, ?)", (at_us, why, state))

    def checkpoint_before(self, at_us: int) -> Checkpoint | None:
        """Return the newest checkpoint at or before a time, the last one written first."""
        sql = (
            "SELECT at_us, why, state FROM checkpoint WHERE at_us <= ? "
            "ORDER BY at_us DESC, id DESC LIMIT 1"
        )
        row = self.run(sql, (at_us,)).fetchone()
        return Checkpoint(*row) if row else None

    def checkpoints(self, from_us: int, to_us: int) -> list[Checkpoint]:
        """Return the checkpoints with ``from_us <= at_us < to_us`` as they were written."""
        sql = "SELECT at_us, why, state FROM checkpoint WHERE at_us >= ? AND at_us < ? ORDER BY id"
        return [Checkpoint(*row) for row in self.rows(sql, (from_us, to_us))]

    def series(self) -> dict[tuple[str, str], int]:
        """Return every series ever kept, (point, quantity) -> its number in this file."""
        rows = self.rows("SELECT point, quantity, id FROM series ORDER BY point, quantity")
        return {(point, quantity): series_id for point, quantity, series_id in rows}

    def close(self) -> None:
        """Release the store; nothing written is lost."""
        self._db.close()


def _reading(row: tuple[str, str, int, float, int, int]) -> Reading:
    point, quantity, t_us, value, flag, lag_us = row
    return Reading(point, quantity, t_us, value, Flag(flag), t_us + lag_us)
