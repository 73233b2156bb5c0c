"""What can still be read of a damaged live file, copied into a fresh one piece by piece."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

from envmon.clock import DAY_US, MINUTE_US
from envmon.facts import Event
from envmon.store.sqlite import LIVE_FILE, is_damage

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    Take = Callable[[int, int], object]

PAGE_BYTES = 4096
FAILURES_ALLOWED = 2_000
"""So often pieces of one series or table that cannot be read are halved; the rest is given up."""
LOOK_BACK_US = 30 * DAY_US
"""How far to look where one end of a series cannot be read; live readings are a few days."""
STATE_IS_WHOLE = "json_valid(CAST(state AS TEXT))"
"""SQL: what continues on a page of its own may be damaged without SQLite noticing."""
REFERENCE_IS_WHOLE = "job GLOB '??????-*' AND length(salt) = 32"
"""SQL: with its first page gone, a file made by an older envmon has the table somewhere else."""


def read_only(path: Path) -> sqlite3.Connection:
    """Open a live file so that nothing in it can change."""
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=10)


def openable(live: Path, making: Path) -> Path | None:
    """Return a path under which SQLite finds the tables, or None where nothing helps.

    With its first page gone a file is no database any more, though all the others may be sound.
    That page says where each table begins, and every live file has the same first tables in the
    same places; so a copy of it gets the page of a fresh one.

    Args:
        live: The damaged file.
        making: Folder with the fresh file, closed, and room for the copy.
    """
    if _knows_tables(live):
        return live
    patched = making / "patched.sqlite3"
    shutil.copyfile(live, patched)
    wal = live.with_name(live.name + "-wal")
    if wal.exists():
        shutil.copyfile(wal, patched.with_name(patched.name + "-wal"))
    page = bytearray((making / LIVE_FILE).read_bytes()[:PAGE_BYTES])
    page[28:32] = (patched.stat().st_size // PAGE_BYTES).to_bytes(4, "big")
    with patched.open("r+b") as handle:
        handle.write(page)
    return patched if _knows_tables(patched) else None


def _knows_tables(path: Path) -> bool:
    try:
        with closing(read_only(path)) as db:
            return bool(db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'reading'").fetchone())
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return False
        raise


class Salvage:
    """Copies into a fresh file what can still be read of a damaged one.

    SQLite keeps no checksum of a page: what is no longer a page shows, a changed number does not.

    Args:
        db: The fresh file, in autocommit mode.
        source: The damaged file; None for nothing to read.

    Attributes:
        events: Every event that could be read, by its place; whether true is for the hashes to say.
        events_lost: Whether an event could not be read.
    """

    def __init__(self, db: sqlite3.Connection, source: Path | None) -> None:
        self._db, self._tables = db, set[str]()
        self._lost = False
        if source is not None:
            db.execute("ATTACH ? AS old", (f"{source.absolute().as_uri()}?mode=ro",))
            self._tables = {name for (name,) in db.execute("SELECT name FROM old.sqlite_schema")}
        self.events = dict(self._read_events())
        self.events_lost = self._lost

    def _read_events(self) -> Iterator[tuple[int, Event]]:
        rows: list[Any] = []
        sql = "SELECT seq, at_us, kind, bay, data, hash FROM old.event WHERE seq >= ? AND seq < ?"
        if "event" in self._tables:
            self._pieces(
                self._span("event", "seq"),
                lambda low, high: rows.extend(self._db.execute(sql, (low, high)).fetchall()),
            )
        for seq, at_us, kind, bay, data, digest in rows:
            try:
                yield seq, Event(seq, at_us, kind, bay, json.loads(data), digest)
            except (ValueError, TypeError):
                self._lost = True

    def take_readings(self) -> None:
        """Bring over the readings of every series whose name could be read."""
        series = self._series()
        for row in series:
            self._db.execute("INSERT OR IGNORE INTO series VALUES (?, ?, ?)", row)
        ends = {row[0]: self._ends(row[0]) for row in series}
        known = [end for pair in ends.values() for end in pair if end is not None]
        if not known:
            return
        lowest = min(*known, max(known) - LOOK_BACK_US)
        highest = max(*known, min(known) + LOOK_BACK_US)
        for series_id, (first, last) in ends.items():
            low = lowest if first is None else first
            high = highest if last is None else last
            self._take_series(series_id, (low, high + 1), from_end=first is None)

    def take_numbered(self, table: str, where: str = "1") -> None:
        """Bring over the rows of a table that has numbered rows.

        Args:
            table: Its name.
            where: SQL over its columns; only such rows.
        """
        if table in self._tables:
            where = f"id >= ? AND id < ? AND {where}"
            self._pieces(
                self._span(table, "id"), lambda low, high: self._copy(table, where, (low, high))
            )

    def take_whole(self, table: str, where: str = "1") -> None:
        """Bring over a small table, if all of it can be read.

        Args:
            table: Its name.
            where: SQL over its columns; only such rows.
        """
        if table in self._tables:
            self._pieces((0, 1), lambda _low, _high: self._copy(table, where, ()))

    def _pieces(self, span: tuple[int, int], take: Take, *, from_end: bool = False) -> None:
        """Take the span [low, high), in ever smaller halves around what cannot be read."""
        left, failures = [span], 0
        while left:
            low, high = left.pop()
            try:
                take(low, high)
            except sqlite3.OperationalError:
                raise  # no room, or no disk: nothing that halving would help
            except sqlite3.DatabaseError:
                self._lost = True
                failures += 1
                middle = (low + high) // 2
                if low < middle and failures < FAILURES_ALLOWED:
                    halves = [(middle, high), (low, middle)]
                    left += halves[::-1] if from_end else halves

    def _one(self, sql: str, parameters: tuple[int, ...] = ()) -> int | None:
        """Return the one number a query gives; None for none, or where it cannot be read."""
        try:
            found = self._db.execute(sql, parameters).fetchone()[0]
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError:
            self._lost = True
            return None
        return found if isinstance(found, int) else None

    def _span(self, table: str, column: str) -> tuple[int, int]:
        """Return the span of a column that counts up from 1."""
        last = self._one(f"SELECT max({column}) FROM old.{table}")  # noqa: S608 - our own words
        return (0, 2**31 if last is None and self._lost else (last or 0) + 1)

    def _ends(self, series_id: int) -> tuple[int | None, int | None]:
        """Return the first and last time of a series [µs], each None where it cannot be read."""
        sql = "SELECT {}(t_us) FROM old.reading WHERE series_id = ?"
        return self._one(sql.format("min"), (series_id,)), self._one(
            sql.format("max"), (series_id,)
        )

    def _series(self) -> list[tuple[int, str, str]]:
        """Return the series, read in two ways: from their table and from its index."""
        found: dict[int, tuple[int, str, str]] = {}
        for way in ("NOT INDEXED", "INDEXED BY sqlite_autoindex_series_1"):
            sql = f"SELECT id, point, quantity FROM old.series {way} WHERE point >= ''"  # noqa: S608 - our own words
            try:
                for row in self._db.execute(sql) if "series" in self._tables else ():
                    found.setdefault(row[0], row)
            except sqlite3.DatabaseError:
                self._lost = True
        return list(found.values())

    def _take_series(self, series_id: int, span: tuple[int, int], *, from_end: bool) -> None:
        where = f"series_id = {series_id} AND t_us >= ? AND t_us < ?"

        def take(low: int, high: int) -> None:
            if high - low > MINUTE_US:
                self._copy("reading", where, (low, high))
            else:
                self._take_rows(where, (low, high))

        self._pieces(span, take, from_end=from_end)

    def _take_rows(self, where: str, span: tuple[int, int]) -> None:
        """Take readings one by one from both ends, up to what cannot be read."""
        for order in ("ASC", "DESC"):
            sql = f"SELECT * FROM old.reading WHERE {where} ORDER BY t_us {order}"  # noqa: S608 - our own words
            try:
                for row in self._db.execute(sql, span):
                    self._db.execute("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)", row)
            except sqlite3.OperationalError:
                raise
            except sqlite3.DatabaseError:
                self._lost = True

    def _copy(self, table: str, where: str, span: tuple[int, ...]) -> None:
        names = ", ".join(row[1] for row in self._db.execute(f"PRAGMA old.table_info({table})"))
        self._db.execute(
            f"INSERT OR IGNORE INTO main.{table} ({names}) "  # noqa: S608 - our own words
            f"SELECT {names} FROM old.{table} WHERE {where}",
            span,
        )
