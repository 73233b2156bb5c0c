"""Files the manifest does not know, or cannot trust: after a crash, a restore, a lost live file."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.errors import ArchiveFileError
from envmon.store.bulk import Rows, add_rows
from envmon.store.columns import NOTHING, merged
from envmon.store.manifest import newest_generations, parsed_name
from envmon.store.parquet import days_in, read_columns, sha256_of

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.store.archive import Archive
    from envmon.store.columns import Columns
    from envmon.store.manifest import ArchiveFile
    from envmon.store.sqlite import SqliteStore

log = logging.getLogger("envmon.store")

DAMAGED = ".damaged"
"""What the name of a file set aside ends in."""


def take_in_orphans(archive: Archive, store: SqliteStore) -> int:
    """Look at every file the manifest does not know; return how many were adopted.

    A file with days that no known file holds is adopted as it is, with new summaries. Of any other,
    the readings that nothing else holds become late live ones, then it is deleted. Leftovers of a
    writing that never ended are deleted.

    Raises:
        StoreError: The disk fails; the file stays as it is.
    """
    for part in archive.folder.glob("month=*/*.part"):
        part.unlink(missing_ok=True)
    known = {file.path for file in archive.manifest.files()}
    archive.delete_spent()
    orphans = [path for path in archive.folder.glob("month=*/*.parquet") if path not in known]
    newest, adopted = set(newest_generations(orphans)), 0
    for path in sorted(orphans, key=lambda path: path not in newest):
        parsed = parsed_name(path)
        if parsed is None:
            continue
        try:
            if archive.past.days().isdisjoint(parsed[0]):
                _adopt(archive, store, path, parsed[0])
                adopted += 1
            else:
                _absorb(archive, store, path)
        except ArchiveFileError as error:
            set_aside(path, str(error))
    return adopted


def _adopt(archive: Archive, store: SqliteStore, path: Path, days: range) -> None:
    entry = archive.facts(path, days)
    with store.atomic():
        for day in days_in(archive.past.duck, path):
            archive.sum_up(_day_of(archive, path, day), day)
        archive.manifest.replace([], entry)
    log.warning("took %s into the archive: %d readings", path.name, entry.row_count)


def _absorb(archive: Archive, store: SqliteStore, path: Path) -> None:
    for day in days_in(archive.past.duck, path):
        there = _day_of(archive, path, day)
        kept = next(archive.past.columns(day * DAY_US, (day + 1) * DAY_US), NOTHING)
        if len(merged(kept, there).t_us) > len(kept.t_us):
            rows = Rows(there.series, there.t_us, there.values(), there.flag, there.lag_us)
            new = add_rows(store, there.names, rows)
            log.warning("took %d readings from the leftover %s", new, path.name)
    path.unlink(missing_ok=True)


def _day_of(archive: Archive, path: Path, day: int) -> Columns:
    where = f"t_us >= {day * DAY_US} AND t_us < {(day + 1) * DAY_US}"
    return read_columns(archive.past.duck, [path], where)


def set_aside(path: Path, why: str) -> Path:
    """Rename a file that cannot be read, so that nothing trips over it, and say so."""
    aside = path.with_name(path.name + DAMAGED)
    log.error("%s is damaged and set aside as %s: %s", path.name, aside.name, why)
    path.rename(aside)
    return aside


def check_files(archive: Archive, store: SqliteStore, *, whole: bool) -> list[ArchiveFile]:
    """Return the files of the manifest that were missing or damaged; they are out of it now.

    Their summaries stay: a chart still shows low, mean and high by the minute.

    Args:
        archive: The writer.
        store: The live file.
        whole: Read every byte; otherwise only the size is looked at.
    """
    bad = []
    for file in archive.manifest.files():
        if not file.path.exists():
            why = "it is missing"
        elif file.path.stat().st_size != file.byte_count:
            why = f"it has {file.path.stat().st_size} bytes instead of {file.byte_count}"
        elif whole and sha256_of(file.path) != file.sha256:
            why = "its digest is not the one it was written with"
        else:
            continue
        bad.append(file)
        with store.atomic():
            archive.manifest.replace([file], None)
        if file.path.exists():
            set_aside(file.path, why)
        else:
            log.error("%s of the archive is gone: %s", file.path.name, why)
    return bad
