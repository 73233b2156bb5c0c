"""What waits for the broker, on disk: kept over kill -9 and power cuts until it is acknowledged.

Beside it stand the counters of meters and buttons, so that a count and the message that tells it
are one transaction.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import StoreError
from envmon_node.link import Letter
from envmon_node.senml import Sample, pack_from_samples

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from envmon_node.moment import Times
    from envmon_node.said import Values

FILE = "outbox.sqlite3"
PRESS_US = 5_000_000
"""A press that could not be sent for so long is of another moment and is dropped [µs]."""
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}

_TABLES = """
CREATE TABLE IF NOT EXISTS waiting (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    press INTEGER NOT NULL,
    topic TEXT NOT NULL,
    body TEXT NOT NULL,
    at_us INTEGER,
    boot TEXT NOT NULL,
    up_us INTEGER NOT NULL
);
CREATE INDEX IF NOT EXISTS waiting_presses ON waiting (seq) WHERE press;
CREATE INDEX IF NOT EXISTS waiting_undated ON waiting (boot) WHERE at_us IS NULL AND NOT press;
CREATE TABLE IF NOT EXISTS counter (name TEXT PRIMARY KEY, count INTEGER NOT NULL) WITHOUT ROWID;
"""
_INSERT = "INSERT INTO waiting (press, topic, body, at_us, boot, up_us) VALUES (?, ?, ?, ?, ?, ?)"
# Each half has an index of its own: this is asked at every turn, also with a long backlog.
_TO_TIDY = (
    "SELECT EXISTS (SELECT 1 FROM waiting WHERE press) OR "
    "EXISTS (SELECT 1 FROM waiting WHERE at_us IS NULL AND NOT press)"
)
_COUNT = "INSERT INTO counter VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET count = excluded.count"
_GONE = "gone/"


class Gone(NamedTuple):
    """How many messages were given up since the file was made.

    Attributes:
        lost: Oldest ones, to keep within the bound.
        undated: Measured before a restart of the machine that came before its clock was set.
        stale_presses: Presses that could not be sent at once.
    """

    lost: int
    undated: int
    stale_presses: int


class Outbox:
    """Messages in their order, on one SQLite file.

    A change is on the disk when the method returns, or when the ``atomic`` around it ends. What
    does not fit goes from the old end and is counted.

    Args:
        folder: Where the file is; made when it is missing.
        times: The machine's times.
        keep: Most messages that may wait.

    Raises:
        StoreError: From every method, when the disk fails; what was there before stays.
    """

    def __init__(self, folder: Path, times: Times, keep: int) -> None:
        self.path = folder / FILE
        self._times, self._keep = times, keep
        self.set_aside: Path | None = None
        with self._translated("open"):
            folder.mkdir(parents=True, exist_ok=True)
            self._db = self._open()
            self._waiting = self._number("SELECT count(*) FROM waiting")

    def _open(self) -> sqlite3.Connection:
        """Open the file; a damaged one is put aside under another name, and a new one begun."""
        try:
            return _connection(self.path)
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode & 0xFF not in _DAMAGE:
                raise
        self.set_aside = self.path.with_name(f"{FILE}.damaged-{self._times.now_us()}")
        self.path.rename(self.set_aside)
        for tail in ("-wal", "-shm"):
            self.path.with_name(FILE + tail).unlink(missing_ok=True)
        return _connection(self.path)

    @contextmanager
    def _translated(self, doing: str) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise StoreError(
                f"cannot {doing} {self.path}: {error}; check that the disk has room and the "
                "folder is writable"
            ) from error

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Make all changes inside in one transaction, or none of them."""
        if self._db.in_transaction:
            yield
            return
        before = self._waiting
        try:
            with self._translated("write"), self._db:
                self._db.execute("BEGIN IMMEDIATE")
                yield
        except BaseException:
            self._waiting = before
            raise

    @property
    def waiting(self) -> int:
        """Messages that the broker has not acknowledged."""
        return self._waiting

    @property
    def gone(self) -> Gone:
        """Messages that were given up, by reason."""
        return Gone(*(self.count(_GONE + reason) for reason in Gone._fields))

    def keep_measured(self, topic: str, up_us: int, values: Values) -> None:
        """Keep a measurement; where the time of day is not known it is dated later.

        Args:
            topic: Where it goes; also the base name of its pack.
            up_us: When, since boot [µs].
            values: Name, SenML unit and number.
        """
        at_us = None if self._times.doubt() else up_us + self._boot_at_us()
        self._append((0, topic, json.dumps(values), at_us, self._times.boot, up_us))

    def keep_press(self, name: str, topic: str, up_us: int, how: str) -> int:
        """Keep a press with the next number of its button, and return the number."""
        with self.atomic():
            number = self.count(name) + 1
            self.set_count(name, number)
            body = json.dumps({"button": how, "n": number})
            self._append((1, topic, body, None, self._times.boot, up_us))
        return number

    def _append(self, row: tuple[object, ...]) -> None:
        with self.atomic():
            self._db.execute(_INSERT, row)
            self._waiting += 1
            if self._waiting > self._keep:
                oldest = "SELECT seq FROM waiting ORDER BY seq LIMIT ?"
                self._give_up("lost", f"seq IN ({oldest})", (self._waiting - self._keep,))

    def tidy(self) -> None:
        """Date what waits for the clock, and give up what nobody can date or wants any more."""
        boot, up_us = self._times.boot, self._times.up_us()
        with self._translated("read"):
            something = self._number(_TO_TIDY)
        if not something:
            return
        with self.atomic():
            self._give_up(
                "stale_presses", "press AND (boot <> ? OR up_us < ?)", (boot, up_us - PRESS_US)
            )
            self._give_up("undated", "at_us IS NULL AND NOT press AND boot <> ?", (boot,))
            if not self._times.doubt():
                self._db.execute(
                    "UPDATE waiting SET at_us = up_us + ? WHERE at_us IS NULL AND NOT press",
                    (self._boot_at_us(),),
                )

    def _give_up(self, reason: str, which: str, values: tuple[object, ...]) -> None:
        count = self._db.execute(f"DELETE FROM waiting WHERE {which}", values).rowcount  # noqa: S608 - our own text
        if count:
            self._waiting -= count
            self.set_count(_GONE + reason, self.count(_GONE + reason) + count)

    def _boot_at_us(self) -> int:
        return self._times.now_us() - self._times.up_us()

    def next_letters(self, after: int, most: int) -> list[Letter]:
        """Return messages behind a place in the order, presses first.

        Args:
            after: Place of the last measurement that was taken; 0 begins with the oldest.
            most: Most messages to return.
        """
        columns = "SELECT seq, topic, body, at_us FROM waiting"
        with self._translated("read"):
            presses = self._db.execute(f"{columns} WHERE press ORDER BY seq LIMIT ?", (most,))
            rows = presses.fetchall()
            measured = self._db.execute(
                f"{columns} WHERE seq > ? AND at_us IS NOT NULL ORDER BY seq LIMIT ?",
                (after, most - len(rows)),
            )
            return [_letter(*row) for row in (*rows, *measured)]

    def remove(self, seqs: Iterable[int]) -> None:
        """Forget messages that the broker has acknowledged."""
        with self.atomic():
            for seq in seqs:
                gone = self._db.execute("DELETE FROM waiting WHERE seq = ?", (seq,)).rowcount
                self._waiting -= gone

    def count(self, name: str) -> int:
        """Return a counter, 0 where it was never set."""
        with self._translated("read"):
            return self._number("SELECT count FROM counter WHERE name = ?", (name,))

    def set_count(self, name: str, count: int) -> None:
        """Keep a counter."""
        with self.atomic():
            self._db.execute(_COUNT, (name, count))

    def _number(self, query: str, values: tuple[object, ...] = ()) -> int:
        row = self._db.execute(query, values).fetchone()
        return int(row[0]) if row else 0

    def close(self) -> None:
        """Release the file; all changes are in it already."""
        self._db.close()


def _connection(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, timeout=10.0)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.executescript(_TABLES)
        _ensure_whole(db)
    except BaseException:
        db.close()
        raise
    return db


def _ensure_whole(db: sqlite3.Connection) -> None:
    (answer,) = db.execute("PRAGMA quick_check(1)").fetchone()
    if answer != "ok":
        damage = sqlite3.DatabaseError(answer)
        damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise damage


def _letter(seq: int, topic: str, body: str, at_us: int | None) -> Letter:
    if at_us is None:
        return Letter(seq, topic, body.encode(), press=True)
    values = tuple((name, unit, value) for name, unit, value in json.loads(body))
    return Letter(seq, topic, pack_from_samples(f"{topic}/", [Sample(at_us, values)]), press=False)
