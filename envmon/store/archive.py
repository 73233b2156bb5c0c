"""Moves closed days from the live file to Parquet, a file at a time, so that a crash costs nothing.

Every move: write the new file beside its place, see it to the disk, rename it; then, in one
transaction of the live file, enter it into the manifest, take out what it replaces, write the
summaries and delete the live rows. Before that transaction the old state holds and the new file is
an orphan; after it the replaced files are. The next turn looks at every orphan, takes in what
nothing else holds, and deletes it.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US
from envmon.facts import Flag
from envmon.store.columns import merged
from envmon.store.live_part import live_columns, live_days
from envmon.store.manifest import (
    ARCHIVE,
    ArchiveFile,
    date_of,
    file_name,
    month_days,
    parsed_name,
)
from envmon.store.parquet import (
    Kept,
    file_facts,
    read_columns,
    sha256_of,
    write_columns,
    write_merged,
)
from envmon.store.past import EVER, Past
from envmon.store.summary import STEPS_S, pack, summarise_day

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from envmon.store.columns import Columns
    from envmon.store.sqlite import SqliteStore

log = logging.getLogger("envmon.store")

TRIES = 5
"""So often a day is read again because late readings came while its file was written."""


class Rules(NamedTuple):
    """What moves when.

    Attributes:
        live_days: Whole days that stay in the live file.
        retain_days: Archived readings older than this are deleted; None keeps all.
    """

    live_days: int = 2
    retain_days: int | None = None


class Archive:
    """The writer of the archive; one at a time per data folder.

    Args:
        store: The live file.
        folder: Data folder.
        site: Short name of the site; names the partition.
        reached: Called with the name of each step, for tests that end the process there.
    """

    def __init__(
        self,
        store: SqliteStore,
        folder: Path,
        site: str,
        reached: Callable[[str], None] = lambda _step: None,
    ) -> None:
        self.past = Past(store, folder, spill=folder / ARCHIVE / ".spill")
        self.manifest = self.past.manifest
        self.folder = folder / ARCHIVE / f"site={site}"
        self._store, self._reached = store, reached
        self._spent: list[Path] = []

    def close(self) -> None:
        """Release what was opened and delete what was replaced; the store stays open."""
        self.delete_spent()
        self.past.close()

    def delete_spent(self) -> None:
        """Delete the files that have been replaced; who reads one just now has it open."""
        while self._spent:
            self._spent.pop().unlink(missing_ok=True)

    def archive_closed(self, now_us: int, rules: Rules) -> int:
        """Move every closed day to the archive and return how many readings moved.

        Args:
            now_us: Time now [µs].
            rules: What moves when.

        Raises:
            StoreError: The disk fails; what was not moved is still live.
        """
        closed = now_us // DAY_US - rules.live_days
        days = sorted(live_days(self._store, EVER[0], closed * DAY_US))
        return sum(self._move(day) for day in days)

    def merge_months(self, now_us: int, rules: Rules) -> int:
        """Merge the day files of closed months into one file each; return how many months.

        Raises:
            StoreError: The disk fails, or a file cannot be read; the day files stay.
        """
        closed, done = now_us // DAY_US - rules.live_days, 0
        months: dict[int, list[ArchiveFile]] = {}
        for file in self.manifest.files():
            months.setdefault(month_days(file.days.start).start, []).append(file)
        for first, files in months.items():
            days = month_days(first)
            if days.stop <= closed and (len(files) > 1 or files[0].days != days):
                path = self._path(days)
                write_merged(self.past.duck, [file.path for file in files], path)
                self._reached("month written")
                self._enter(path, days, files, None)
                done += 1
        return done

    def drop_old(self, now_us: int, rules: Rules) -> int:
        """Delete archived files all of which is older than the rules keep; return how many."""
        if rules.retain_days is None:
            return 0
        before = now_us // DAY_US - rules.retain_days
        old = [file for file in self.manifest.files() if file.days.stop <= before]
        for file in old:
            with self._store.atomic():
                self.manifest.replace([file], None)
                sql = "DELETE FROM summary WHERE day >= ? AND day < ?"
                self._store.run(sql, (file.days.start, file.days.stop))
            self._spent.append(file.path)
            log.info("deleted %s: older than %d days", file.path.name, rules.retain_days)
        return len(old)

    def _move(self, day: int) -> int:
        """Move one day of live readings into a file; return how many there were."""
        start, end = day * DAY_US, (day + 1) * DAY_US
        for _ in range(TRIES):
            live = live_columns(self._store, start, end)
            if not len(live.t_us):
                return 0
            there = self.manifest.files(start, end)
            days = there[0].days if there else range(day, day + 1)
            where = f"t_us >= {start} AND t_us < {end}"
            known = [read_columns(self.past.duck, [file.path], where) for file in there]
            both = merged(known[0], live) if known else live
            path = self._path(days)
            kept = Kept(there[0].path, start, end) if there else None
            write_columns(self.past.duck, both, path, kept)
            self._reached("day written")
            if self._enter(path, days, there, (day, live, both)):
                return len(live.t_us)
            path.unlink(missing_ok=True)
        log.warning("day %d keeps changing while it is archived; trying later", day)
        return 0

    def _enter(
        self,
        path: Path,
        days: range,
        gone: Sequence[ArchiveFile],
        moved: tuple[int, Columns, Columns] | None,
    ) -> bool:
        """Make a written file count, in one transaction with all that follows from it.

        Args:
            path: The file.
            days: Days it holds.
            gone: Files it replaces.
            moved: Day, live readings in the file, all readings of that day; None for no move.

        Returns:
            False when readings came to the day meanwhile; nothing has changed then.
        """
        entry = self.facts(path, days)
        with self._store.atomic():
            if moved is not None:
                day, live, both = moved
                if (len(live.t_us), _clock_flagged(live)) != self._standing(day):
                    return False
                self._forget_live(day)
                self.sum_up(both, day)
            self.manifest.replace(gone, entry)
            self._reached("before commit")
        self._reached("committed")
        self._spent += [file.path for file in gone]
        return True

    def facts(self, path: Path, days: range) -> ArchiveFile:
        """Return the manifest's entry for a file.

        Raises:
            StoreError: The file is torn.
        """
        count, _, _, seen_from, seen_to = file_facts(self.past.duck, path)
        start, end = days.start * DAY_US, days.stop * DAY_US
        size = path.stat().st_size
        return ArchiveFile(path, start, end, count, size, seen_from, seen_to, sha256_of(path))

    def _path(self, days: range) -> Path:
        """Return the name of the next generation of a file."""
        folder = self.folder / f"month={date_of(days.start):%Y-%m}"
        names = [parsed_name(path) for path in folder.glob("*.parquet*")]
        known = [parsed_name(file.path) for file in self.manifest.files()]
        generation = max((parsed[1] for parsed in [*names, *known] if parsed), default=0) + 1
        return folder / file_name(days, generation)

    def _standing(self, day: int) -> tuple[int, int]:
        """Return what tells whether live readings of a day came or were corrected."""
        sql = (
            "SELECT count(*), coalesce(sum(flag & ? > 0), 0) FROM reading "
            "WHERE series_id = ? AND t_us >= ? AND t_us < ?"
        )
        span = (day * DAY_US, (day + 1) * DAY_US)
        found = [
            self._store.run(sql, (int(Flag.CLOCK), number, *span)).fetchone()
            for number in self._store.series().values()
        ]
        return sum(count for count, _ in found), sum(clock for _, clock in found)

    def _forget_live(self, day: int) -> None:
        span = (day * DAY_US, (day + 1) * DAY_US)
        for number in self._store.series().values():
            sql = "DELETE FROM reading WHERE series_id = ? AND t_us >= ? AND t_us < ?"
            self._store.run(sql, (number, *span))

    def sum_up(self, columns: Columns, day: int) -> None:
        """Write the summaries of a day (inside the caller's transaction).

        Args:
            columns: All readings of the day, sorted by series.
            day: Days since 1970.
        """
        charted = columns.charted()
        edges = np.searchsorted(columns.series, np.arange(len(columns.names) + 1))
        for place, name in enumerate(columns.names):
            rows = slice(edges[place], edges[place + 1])
            number = self._store.series_id(*name)
            for step_s in STEPS_S:
                summary = summarise_day(
                    columns.t_us[rows], columns.milli[rows], charted[rows], day, step_s
                )
                self._store.run(
                    "INSERT OR REPLACE INTO summary VALUES (?, ?, ?, ?)",
                    (number, step_s, day, pack(summary)),
                )


def _clock_flagged(columns: Columns) -> int:
    return int(np.count_nonzero(columns.flag & np.uint8(Flag.CLOCK)))
