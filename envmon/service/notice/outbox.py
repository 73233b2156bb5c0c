"""The outbox: what has been decided, what is still to be delivered, in a file of its own.

It stands apart from the live file, so that telling people never touches the watch's path and a
damaged live file loses no message. The place in the chain, the state of the decisions and the new
messages are committed together, so every event is decided exactly once. A delivery is noted
before it is tried: after a crash in between it is tried again and says that it may be a second.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from envmon.clock import DAY_US
from envmon.errors import StoreDamagedError, StoreError
from envmon.notice.state import Message, NoticeState
from envmon.store.sqlite import is_damage

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from envmon.notice.people import Book

log = logging.getLogger("envmon.notice")

NOTICE_FILE = "notice.sqlite3"
KEPT_US = 30 * DAY_US
"""So long what was delivered or given up is kept."""
_TABLES = """
CREATE TABLE IF NOT EXISTS kept (
    id INTEGER PRIMARY KEY CHECK (id = 1), seq INTEGER NOT NULL, hash TEXT NOT NULL,
    state BLOB NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS delivery (
    id INTEGER PRIMARY KEY AUTOINCREMENT, number INTEGER NOT NULL, person TEXT NOT NULL,
    channel TEXT NOT NULL, message BLOB NOT NULL, at_us INTEGER NOT NULL,
    standing TEXT NOT NULL DEFAULT 'waiting', due_us INTEGER NOT NULL,
    tries INTEGER NOT NULL DEFAULT 0, tried_us INTEGER, unsure INTEGER NOT NULL DEFAULT 0,
    error TEXT NOT NULL DEFAULT '', done_us INTEGER) STRICT;
CREATE INDEX IF NOT EXISTS delivery_due ON delivery (standing, channel, due_us);
"""
_COLUMNS = (
    "id, channel, message, standing, due_us, tries, tried_us, unsure, error, done_us FROM delivery"
)


class Kept(NamedTuple):
    """How far the chain has been taken in, and what was remembered of it.

    Attributes:
        seq: Place in the chain of the last event taken in; 0 before the first.
        hash: Its hash.
        state: What the next decision depends on.
    """

    seq: int
    hash: str
    state: NoticeState


class Delivery(NamedTuple):
    """One message on its way over one channel.

    Attributes:
        id: Its number in the outbox.
        channel: Name of the channel.
        message: What is told, and to whom.
        standing: ``waiting``, ``sent`` or ``given up``.
        due_us: Not tried before this [µs].
        tries: How often it was tried.
        tried_us: When it was first tried [µs], or None.
        unsure: So many tries may have got through without our knowing.
        error: What went wrong last, or why it was given up.
        done_us: When it was delivered or given up [µs], or None.
    """

    id: int
    channel: str
    message: Message
    standing: str
    due_us: int
    tries: int
    tried_us: int | None
    unsure: int
    error: str
    done_us: int | None


class Outbox:
    """The outbox of one data folder; belongs to one thread.

    While its disk cannot be written it goes on in memory, so that people still hear of that.

    Args:
        folder: Data folder.
        look_only: Nothing is made or changed; for who only looks while the process runs.

    Raises:
        StoreError: From every method, when the file or the disk fails; what was committed stays.
    """

    def __init__(self, folder: Path, *, look_only: bool = False) -> None:
        self.path = folder / NOTICE_FILE
        self.in_memory = False
        try:
            if look_only:
                address = f"{self.path.absolute().as_uri()}?mode=ro"
                self._db = sqlite3.connect(address, uri=True, isolation_level=None, timeout=10)
                return
            folder.mkdir(parents=True, exist_ok=True)
            self._set_damaged_aside()
            self._db = self._file()
        except (sqlite3.Error, OSError) as error:
            raise self._failure("open", error) from error

    def _file(self) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, isolation_level=None, timeout=10)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.executescript(_TABLES)
        return db

    def _set_damaged_aside(self) -> None:
        """Keep a damaged outbox beside; what stands is told anew from the chain."""
        if not self.path.exists():
            return
        try:
            with closing(sqlite3.connect(self.path, timeout=10)) as db:
                found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
        except sqlite3.Error as error:
            if not is_damage(error):
                raise
            found = str(error)
        if found == "ok":
            return
        aside = self.path.with_name(f"{NOTICE_FILE}.damaged-{time.time_ns()}")
        self.path.rename(aside)
        for tail in ("-wal", "-shm"):
            beside = self.path.with_name(NOTICE_FILE + tail)
            if beside.exists():
                beside.rename(aside.with_name(aside.name + tail))
        log.error("%s was damaged (%s); kept as %s; messages that waited in it are lost, what "
                  "stands is told anew", self.path.name, found, aside.name)  # fmt: skip

    def _failure(self, doing: str, error: Exception) -> StoreError:
        if is_damage(error):
            return StoreDamagedError(
                f"cannot {doing} {self.path}: it is damaged ({error}); started again, the notice "
                "process sets it aside and begins anew"
            )
        return StoreError(
            f"cannot {doing} {self.path}: {error}; check that the disk has room and the folder "
            "is writable"
        )

    @contextmanager
    def _atomic(self) -> Iterator[sqlite3.Connection]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield self._db
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back()
            raise self._failure("write", error) from error
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")

    def kept(self) -> Kept | None:
        """Return how far the chain has been taken in, or None before the first time."""
        row = self._rows("SELECT seq, hash, state FROM kept")
        if not row:
            return None
        seq, digest, state = row[0]
        return Kept(seq, digest, msgspec.json.decode(state, type=NoticeState))

    def commit(self, kept: Kept, messages: Sequence[Message], book: Book) -> int:
        """Keep what was decided and the messages it gave, together; return their deliveries."""
        rows = [
            (m.number, m.person, channel, msgspec.json.encode(m), m.at_us, m.at_us)
            for m in messages
            if (person := book.person(m.person)) is not None
            for channel in person.channels
        ]
        state = msgspec.json.encode(kept.state)
        with self._atomic() as db:
            db.execute(
                "INSERT OR REPLACE INTO kept VALUES (1, ?, ?, ?)", (kept.seq, kept.hash, state)
            )
            db.executemany(
                "INSERT INTO delivery (number, person, channel, message, at_us, due_us) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                rows,
            )
            old_us = kept.state.now_us - KEPT_US
            db.execute("DELETE FROM delivery WHERE done_us < ?", (old_us,))
        return len(rows)

    def due(self, channel: str, now_us: int, *, in_turn: bool = True) -> list[Delivery]:
        """Return what waits for a channel and may be tried now.

        Args:
            channel: Name of the channel.
            now_us: Time now [µs].
            in_turn: As it was decided, and nothing before what failed for the same person;
                otherwise the longest due first.
        """
        later = (
            "AND NOT EXISTS (SELECT 1 FROM delivery AS before WHERE before.standing = 'waiting' "
            "AND before.channel = delivery.channel AND before.person = delivery.person "
            "AND before.id < delivery.id AND before.due_us > ? AND before.error <> '') ORDER BY id"
        )
        turn, values = (later, (channel, now_us, now_us)) if in_turn else (
            "ORDER BY due_us, id", (channel, now_us))  # fmt: skip
        where = "WHERE standing = 'waiting' AND channel = ? AND due_us <= ?"
        sql = f"SELECT {_COLUMNS} {where} {turn} LIMIT 20"
        return [_delivery(row) for row in self._rows(sql, values)]

    def waiting_channels(self) -> list[str]:
        """Return the channels that something waits for."""
        sql = "SELECT DISTINCT channel FROM delivery WHERE standing = 'waiting' ORDER BY channel"
        return [row[0] for row in self._rows(sql)]

    def begin(self, delivery_id: int, now_us: int) -> None:
        """Note that a delivery is about to be tried."""
        self._change(
            "tries = tries + 1, unsure = unsure + 1, tried_us = coalesce(tried_us, ?)",
            now_us,
            delivery_id,
        )

    def sent(self, delivery_id: int, now_us: int) -> None:
        """Note that a delivery got through."""
        self._change("standing = 'sent', error = '', done_us = ?", now_us, delivery_id)

    def failed(self, delivery_id: int, due_us: int, error: str, *, unsure: bool) -> None:
        """Note that a try failed, and when the next is due."""
        sure = "" if unsure else ", unsure = unsure - 1"
        with self._atomic() as db:
            db.execute(
                f"UPDATE delivery SET due_us = ?, error = ?{sure} WHERE id = ?",  # noqa: S608
                (due_us, error, delivery_id),
            )

    def give_up(self, delivery_id: int, now_us: int, why: str) -> None:
        """Note that a delivery is no longer worth it."""
        with self._atomic() as db:
            db.execute(
                "UPDATE delivery SET standing = 'given up', error = ?, done_us = ? WHERE id = ?",
                (why, now_us, delivery_id),
            )

    def hold(self, delivery_id: int, until_us: int) -> None:
        """Hold a delivery back, for quiet hours; it no longer counts as failing."""
        self._change("due_us = ?, error = ''", until_us, delivery_id)

    def hasten(self, channel: str, now_us: int) -> None:
        """Let what a channel kept waiting be tried now, in the order it was decided."""
        with self._atomic() as db:
            db.execute(
                "UPDATE delivery SET due_us = ? WHERE standing = 'waiting' AND channel = ? "
                "AND (due_us <= ? OR error <> '')",
                (now_us, channel, now_us),
            )

    def release(self, now_us: int) -> None:
        """Let everything that waits be tried now; what it waited for may never come.

        Times of before lie far ahead of a clock that was set back.
        """
        with self._atomic() as db:
            db.execute(
                "UPDATE delivery SET due_us = ? WHERE standing = 'waiting' AND due_us > ?",
                (now_us, now_us),
            )

    def _change(self, what: str, value: int, delivery_id: int) -> None:
        with self._atomic() as db:
            db.execute(f"UPDATE delivery SET {what} WHERE id = ?", (value, delivery_id))  # noqa: S608

    def failing(self) -> list[Delivery]:
        """Return what was tried and waits still, the longest waiting first."""
        where = "WHERE standing = 'waiting' AND tries > 0 AND error <> '' ORDER BY id"
        sql = f"SELECT {_COLUMNS} {where}"
        return [_delivery(row) for row in self._rows(sql)]

    def all(self, limit: int = 200) -> list[Delivery]:
        """Return what waits and, of what is done, the newest, in the order it was decided."""
        sql = (
            f"SELECT * FROM (SELECT {_COLUMNS} ORDER BY standing = 'waiting' DESC, id DESC "  # noqa: S608 - columns of ours
            "LIMIT ?) ORDER BY id"
        )
        return [_delivery(row) for row in self._rows(sql, (limit,))]

    def _rows(self, sql: str, parameters: Sequence[object] = ()) -> list[Any]:
        try:
            return self._db.execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise self._failure("read", error) from error

    def go_on_in_memory(self) -> None:
        """Go on with a copy in memory, while the disk cannot be written."""
        memory = sqlite3.connect(":memory:", isolation_level=None)
        try:
            self._db.backup(memory)
        except sqlite3.Error as error:
            raise self._failure("read", error) from error
        self._db.close()
        self._db, self.in_memory = memory, True

    def try_the_disk(self) -> bool:
        """Write the copy in memory back; return whether the disk took it."""
        try:
            with closing(self._file()) as disk:
                self._db.backup(disk)
            memory, self._db = self._db, self._file()
        except (sqlite3.Error, OSError):
            return False
        memory.close()
        self.in_memory = False
        return True

    def close(self) -> None:
        """Release the file; nothing committed is lost."""
        self._db.close()


def copy_outbox(folder: Path, target: Path) -> None:
    """Copy the outbox as it is at one moment, also while the notice process writes.

    Raises:
        sqlite3.Error: It cannot be read, or the copy not be written.
        StoreDamagedError: The copy is not whole.
    """
    address = f"{(folder / NOTICE_FILE).resolve().as_uri()}?mode=ro"
    with (
        closing(sqlite3.connect(address, uri=True, timeout=10)) as source,
        closing(sqlite3.connect(target / NOTICE_FILE)) as copy,
    ):
        source.backup(copy)
        found = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise StoreDamagedError(f"the copy of {NOTICE_FILE} is not whole: {found}; check the file")


def _delivery(row: Sequence[Any]) -> Delivery:
    number, channel, message, *rest = row
    told = msgspec.json.decode(message, type=Message)
    return Delivery(number, channel, told, *rest)
