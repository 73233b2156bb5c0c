"""Everything kept, live and archived, as if it stood in one place."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US
from envmon.errors import StoreError
from envmon.facts import Flag
from envmon.store.columns import NOTHING, Columns, columns_from_rows, merged
from envmon.store.live_part import live_columns, live_days, live_seen_span, live_span
from envmon.store.manifest import Manifest
from envmon.store.parquet import file_facts, open_duck, read_columns

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator
    from pathlib import Path

    import duckdb

    from envmon.facts import Reading
    from envmon.store.columns import SeriesName
    from envmon.store.manifest import ArchiveFile
    from envmon.store.sqlite import SqliteStore

log = logging.getLogger("envmon.store")

CHUNK = 50_000
"""Most readings handed to a replay at once."""
TRIES = 5
"""So often files are listed again when the keeper merged them under the reader's hands."""
EVER = (-(2**62), 2**62)


class _Hidden(NamedTuple):
    """Keys (point, quantity, t_us) that stand twice and do not count here."""

    live: set[tuple[str, str, int]]
    archived: set[tuple[str, str, int]]


class Past:
    """Reads live and archived readings together; one object belongs to one thread.

    A late reading that the archive has not taken in yet may stand in both; one of the two counts.
    A file of the archive that cannot be read is left out and named in the log.

    Args:
        store: The live file; stays the caller's.
        folder: Data folder.
        spill: Where DuckDB may put what does not fit into its memory; None forbids that.
    """

    def __init__(self, store: SqliteStore, folder: Path, spill: Path | None = None) -> None:
        self.store = store
        self.manifest = Manifest(store, folder)
        self._spill = spill
        self._duck: duckdb.DuckDBPyConnection | None = None

    @property
    def duck(self) -> duckdb.DuckDBPyConnection:
        """The connection that reads Parquet, opened when first needed."""
        if self._duck is None:
            self._duck = open_duck(self._spill)
        return self._duck

    def close(self) -> None:
        """Release what was opened; the store stays open."""
        if self._duck is not None:
            self._duck.close()
            self._duck = None

    def files(self, from_us: int, to_us: int) -> list[ArchiveFile]:
        """Return the archive's files with days between two times [µs], in order of time."""
        return self.manifest.files(from_us, to_us)

    def days(self) -> set[int]:
        """Return the UTC days in the archive, as days since 1970."""
        return self.manifest.days()

    def series(self) -> dict[SeriesName, int]:
        """Return every series ever kept, (point, quantity) -> its number in the live file."""
        return self.store.series()

    def span(self) -> tuple[int, int] | None:
        """Return the first own time of anything kept and the end behind the last [µs], or None."""
        live, files = live_span(self.store), self.manifest.files()
        ends = [live] if live else []
        for file in {files[0], files[-1]} if files else ():
            try:
                ends.append(file_facts(self.duck, file.path)[1:3])
            except StoreError:
                ends.append((file.from_us, file.to_us - 1))
        if not ends:
            return None
        return min(first for first, _ in ends), max(last for _, last in ends) + 1

    def late_days(self, from_us: int, to_us: int) -> set[int]:
        """Return the archived days between two times that have live readings not merged yet."""
        return self.days().intersection(live_days(self.store, from_us, to_us))

    def columns(
        self, from_us: int, to_us: int, series: Collection[SeriesName] | None = None
    ) -> Iterator[Columns]:
        """Yield readings with ``from_us <= t_us < to_us``, a UTC day at a time, in order.

        Inside a day they are sorted by series (by name) and time. Days without any are left out.

        Args:
            from_us: Start [µs].
            to_us: End [µs].
            series: Only these; None is all.

        Raises:
            StoreError: The live file cannot be read.
        """
        for day in sorted(self.days().union(live_days(self.store, from_us, to_us))):
            start, end = max(from_us, day * DAY_US), min(to_us, (day + 1) * DAY_US)
            if start >= end:
                continue
            # Live first: what moves to the archive in between is then met twice, not missed.
            live = live_columns(self.store, start, end, series)
            found = merged(self._archived_between(start, end, series), live)
            if len(found.t_us):
                yield found

    def readings_seen(self, from_us: int, to_us: int) -> Iterator[list[Reading]]:
        """Yield the readings taken in from ``from_us`` to before ``to_us``, as they came.

        In the order of (taken in, own time, point, quantity), in chunks.

        Raises:
            StoreError: The live file cannot be read.
        """
        hidden, live = self._doubles(), live_seen_span(self.store)
        spans = [(file.seen_from_us, file.seen_to_us) for file in self.manifest.files()]
        spans += [live] if live else []
        start = from_us
        while start < to_us:
            begins = [max(first, start) for first, last in spans if last >= start]
            start = min(begins, default=to_us)
            end = min(to_us, (start // DAY_US + 1) * DAY_US)
            if start < end:
                yield from self._seen(start, end, hidden)
            start = end

    def _seen(self, from_us: int, to_us: int, hidden: _Hidden) -> Iterator[list[Reading]]:
        where = f"t_us + lag_us >= {from_us} AND t_us + lag_us < {to_us}"
        sql = (
            "SELECT point, quantity, t_us, value, flag, lag_us FROM series "  # noqa: S608 - numbers
            f"JOIN reading ON series_id = id WHERE {where}"
        )
        live = columns_from_rows(list(self.store.rows(sql)))
        archived = self._archived(lambda: self.manifest.files_seen(from_us, to_us), where)
        found = merged(_without(archived, hidden.archived), _without(live, hidden.live))
        order = np.lexsort((found.series, found.t_us, found.t_us + found.lag_us))
        for at in range(0, len(order), CHUNK):
            yield found.taken(order[at : at + CHUNK]).readings()

    def _doubles(self) -> _Hidden:
        """Return which live and which archived readings do not count, since both are there."""
        hidden = _Hidden(set(), set())
        for day in self.late_days(*EVER):
            start, end = day * DAY_US, (day + 1) * DAY_US
            flags = {row[:3]: row[4] for row in live_columns(self.store, start, end).rows()}
            for row in self._archived_between(start, end).rows():
                flag = flags.get(row[:3])
                if flag is not None:
                    gives_way = row[4] & Flag.CLOCK and not flag & Flag.CLOCK
                    (hidden.archived if gives_way else hidden.live).add(row[:3])
        return hidden

    def _archived_between(
        self, from_us: int, to_us: int, series: Collection[SeriesName] | None = None
    ) -> Columns:
        where = f"t_us >= {from_us} AND t_us < {to_us}"
        return self._archived(lambda: self.files(from_us, to_us), where, series)

    def _archived(
        self,
        listed: Callable[[], list[ArchiveFile]],
        where: str,
        series: Collection[SeriesName] | None = None,
    ) -> Columns:
        """Return readings of the files listed; a list that a merge overtook is made again."""

        def read(some: list[ArchiveFile]) -> Columns:
            return read_columns(self.duck, [file.path for file in some], where, series)

        files = listed()
        for _ in range(TRIES):
            if not files:
                return NOTHING
            try:
                return read(files)
            except StoreError:
                before, files = files, listed()
                if files == before:
                    break
        return _read_sound(files, read)


def _read_sound(files: list[ArchiveFile], read: Callable[[list[ArchiveFile]], Columns]) -> Columns:
    """Return what ``read`` gives for those of the files that can be read; names the others."""
    found = NOTHING
    for file in files:
        try:
            found = merged(found, read([file]))
        except StoreError as error:
            log.error("left out: %s", error)  # noqa: TRY400 - the text says it all
    return found


def _without(columns: Columns, hidden: set[tuple[str, str, int]]) -> Columns:
    if not hidden:
        return columns
    return columns.taken(np.array([row[:3] not in hidden for row in columns.rows()], bool))
