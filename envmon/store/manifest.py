"""The manifest: which Parquet files hold which days, kept in the live file's own tables.

A file's name says the days it holds and its generation (``2026-01-05.g3.parquet`` a day,
``2026-01.g9.parquet`` a month), so that the manifest can be made again from the folder should the
live file be lost: of two files with a day in common the later generation holds all of it.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import DAY_US

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from pathlib import Path

    from envmon.store.sqlite import SqliteStore

ARCHIVE = "archive"
_NAME = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?\.g(\d+)\.parquet")
_EPOCH = date(1970, 1, 1)
_FIELDS = "path, from_us, to_us, row_count, byte_count, seen_from_us, seen_to_us, sha256"


class ArchiveFile(NamedTuple):
    """One file of the archive.

    Attributes:
        path: Where it is.
        from_us: Start of its first day [µs, UTC].
        to_us: End of its last day [µs, UTC].
        row_count: Readings in it.
        byte_count: Its size.
        seen_from_us: When the first of them was taken in [µs].
        seen_to_us: When the last of them was taken in [µs].
        sha256: Its digest as hex.
    """

    path: Path
    from_us: int
    to_us: int
    row_count: int
    byte_count: int
    seen_from_us: int
    seen_to_us: int
    sha256: str

    @property
    def days(self) -> range:
        """The UTC days it covers, as days since 1970."""
        return range(self.from_us // DAY_US, self.to_us // DAY_US)


def date_of(day: int) -> date:
    """Return the date of a day since 1970."""
    return _EPOCH + timedelta(days=day)


def month_days(day: int) -> range:
    """Return the days since 1970 of the month a day is in."""
    first = date_of(day).replace(day=1)
    following = (first + timedelta(days=32)).replace(day=1)
    return range((first - _EPOCH).days, (following - _EPOCH).days)


def file_name(days: range, generation: int) -> str:
    """Return the name of the file for a day, or for the month it begins."""
    form = "%Y-%m-%d" if len(days) == 1 else "%Y-%m"
    return f"{date_of(days.start).strftime(form)}.g{generation}.parquet"


def parsed_name(path: Path) -> tuple[range, int] | None:
    """Return days and generation of a file of the archive, or None for any other file."""
    match = _NAME.fullmatch(path.name)
    if match is None:
        return None
    year, month, day, generation = match.groups()
    try:
        first = (datetime(int(year), int(month), int(day or 1), tzinfo=UTC).date() - _EPOCH).days
    except ValueError:
        return None
    return (range(first, first + 1) if day else month_days(first)), int(generation)


class Manifest:
    """The files of the archive as the live file knows them.

    Args:
        store: The live file.
        folder: Data folder, which paths are kept relative to.
    """

    def __init__(self, store: SqliteStore, folder: Path) -> None:
        self._store, self._folder = store, folder

    def files(self, from_us: int = -(2**62), to_us: int = 2**62) -> list[ArchiveFile]:
        """Return the files with days between two times, in order of time."""
        sql = f"SELECT {_FIELDS} FROM archive_file WHERE to_us > ? AND from_us < ? ORDER BY from_us"  # noqa: S608 - our own words
        return [self._file(row) for row in self._store.rows(sql, (from_us, to_us))]

    def files_seen(self, from_us: int, to_us: int) -> list[ArchiveFile]:
        """Return the files with readings taken in between two times, in order of time."""
        sql = (
            f"SELECT {_FIELDS} FROM archive_file WHERE seen_to_us >= ? AND seen_from_us < ? "  # noqa: S608 - our own words
            "ORDER BY from_us"
        )
        return [self._file(row) for row in self._store.rows(sql, (from_us, to_us))]

    def _file(self, row: tuple[str, int, int, int, int, int, int, str]) -> ArchiveFile:
        return ArchiveFile(self._folder / row[0], *row[1:])

    def days(self) -> set[int]:
        """Return the UTC days in the archive, as days since 1970."""
        return {day for file in self.files() for day in file.days}

    def replace(self, gone: Iterable[ArchiveFile], new: ArchiveFile | None) -> None:
        """Take files out and one in (inside the caller's transaction)."""
        for file in gone:
            self._store.run("DELETE FROM archive_file WHERE path = ?", (self._key(file.path),))
        if new is not None:
            sql = "INSERT INTO archive_file VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
            self._store.run(sql, (self._key(new.path), *new[1:]))

    def _key(self, path: Path) -> str:
        return path.relative_to(self._folder).as_posix()


def newest_generations(paths: Collection[Path]) -> list[Path]:
    """Return the files that hold everything: of those with days in common the latest."""
    known = [(parsed, path) for path in paths if (parsed := parsed_name(path)) is not None]
    taken: set[int] = set()
    kept: list[Path] = []
    for (days, _), path in sorted(known, key=lambda entry: -entry[0][1]):
        if taken.isdisjoint(days):
            taken.update(days)
            kept.append(path)
    return sorted(kept)
