"""``envmon backup``: a copy of the data folder that holds together, also while the watch writes.

The live file is copied inside one read transaction (in WAL mode nobody waits for it), then the
archive's files that this copy's own manifest names. The folder gets its name when all of it is on
the disk and has been read back; whatever goes wrong before leaves nothing.
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import iso_from_us
from envmon.errors import InputError, StoreError
from envmon.service.keeping.import_report import ProgressLine, grouped
from envmon.service.notice.ack_link import KEY_FILE
from envmon.service.notice.outbox import NOTICE_FILE, copy_outbox
from envmon.service.people.book import people_of
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop
from envmon.store.chain import first_break
from envmon.store.chain_copy import bring_up_copy, copy_path
from envmon.store.disk import sync
from envmon.store.manifest import ARCHIVE
from envmon.store.past import Past
from envmon.store.sqlite import LIVE_FILE, SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from envmon.service.people.book import PeopleFile
    from envmon.store.manifest import ArchiveFile

log = logging.getLogger("envmon.backup")

TRIES = 5
"""So often the copy is begun anew because the keeper merged files under its hands."""
RECORDS = "records"
_PAGES = 2_048
_BLOCK = 1024 * 1024


class Backup(NamedTuple):
    """What a backup holds.

    Attributes:
        folder: Where it is.
        readings: Readings, live and archived.
        events: Entries of the chain.
        span: First own time and the end behind the last [µs], None without readings.
        byte_count: Its size.
    """

    folder: Path
    readings: int
    events: int
    span: tuple[int, int] | None
    byte_count: int

    def line(self) -> str:
        """Return it as a person reads it."""
        since = f", {iso_from_us(self.span[0])} to {iso_from_us(self.span[1])}" if self.span else ""
        return (
            f"{self.folder}: {grouped(self.readings)} readings{since}; {grouped(self.events)} "
            f"events, chain whole; {self.byte_count / 1e6:.1f} MB, every file read back"
        )


class _Vanished(Exception):  # noqa: N818 - not an error, a reason to look again
    """A file the manifest names is gone: merged into another meanwhile."""


def make_backup(shop_path: Path, out: Path, data: str | None, say: Callable[[str], None]) -> Backup:
    """Copy a data folder into a new folder, read it back, and say what it holds.

    Args:
        shop_path: The shop file; it is copied too, with the people who may log in.
        out: Folder to make.
        data: Data folder instead of the shop file's.
        say: Told what the backup holds.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: The folder is there already, or cannot be made.
        StoreError: There is no data, or the disk fails; ``out`` does not come to be then.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path, data)
    if not (folder / LIVE_FILE).exists():
        raise StoreError(f"no data in {folder}; check --data and the shop file's [store] folder")
    part = _part_folder(out, folder)
    try:
        _copy_notice(folder, part)  # before the chain, which must hold what it has taken in
        _copy_again_and_again(folder, part, shop.shop.site)
        _copy_folder(folder / RECORDS, part / RECORDS)
        _copy_file(shop_path, part / shop_path.name)
        _copy_people(people_of(shop, shop_path), part)
        made = _read_back(part)
        _sync_tree(part)
        part.rename(out)
        sync(out.parent)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"cannot write {out}: {error}; check that the disk has room and the folder is "
            "writable; no backup was made"
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    made = made._replace(folder=out)
    say(made.line())
    return made


def _part_folder(out: Path, folder: Path) -> Path:
    """Return the folder to work in, new and empty."""
    if out.exists() or out.is_symlink():
        raise InputError(f"{out} is there already; give a folder that is not, such as one by date")
    if folder.resolve() in (out.resolve(), *out.resolve().parents):
        raise InputError(f"{out} is inside the data folder {folder}; choose one elsewhere")
    part = out.with_name(out.name + ".part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(mode=0o700, parents=True)  # people, references and keys are its owner's
    except OSError as error:
        raise InputError(f"cannot make {part}: {error}; choose another folder") from error
    return part


def _copy_again_and_again(folder: Path, part: Path, site: str) -> None:
    gone = ""
    for _ in range(TRIES):
        try:
            _copy_live(folder / LIVE_FILE, part / LIVE_FILE)
            _copy_archive(folder, part, site)
        except _Vanished as error:
            gone = str(error)
            log.info("%s was merged meanwhile; copying again", gone)
            shutil.rmtree(part / ARCHIVE, ignore_errors=True)
            (part / LIVE_FILE).unlink()
        else:
            return
    raise StoreError(
        f"{folder / gone} is missing, though the manifest names it; no backup was made: start the "
        "shop once, so that the keeper can set the archive right, and try again"
    )


def _copy_live(source: Path, target: Path) -> None:
    """Copy the live file as it is at one moment, inside one read transaction.

    Without the transaction every commit of the watch would make the copy begin anew.
    """
    # A connection that may only read would leave the -wal and -shm files it needs behind.
    address = f"{source.resolve().as_uri()}?mode=rw"
    with (
        closing(sqlite3.connect(address, uri=True, isolation_level=None, timeout=10)) as live,
        closing(sqlite3.connect(target, isolation_level=None)) as copy,
        ProgressLine("copying the live file", source.stat().st_size) as line,
    ):
        live.execute("BEGIN")
        live.execute("SELECT count(*) FROM migration").fetchone()
        size = int(live.execute("PRAGMA page_size").fetchone()[0])
        live.backup(
            copy,
            pages=_PAGES,
            progress=lambda _status, left, total: line.update((total - left) * size),
        )
        live.execute("ROLLBACK")


def _copy_notice(folder: Path, part: Path) -> None:
    """Copy what people were told and still are to be told, and the key of links already sent."""
    if (folder / NOTICE_FILE).exists():
        copy_outbox(folder, part)
    if (folder / KEY_FILE).exists():
        _copy_secret(folder / KEY_FILE, part)


def _copy_people(people: PeopleFile | None, part: Path) -> None:
    """Copy who may log in; without it nobody could after a restore."""
    if people is not None and people.path.exists():
        _copy_secret(people.path, part)


def _copy_secret(source: Path, part: Path) -> None:
    (part / source.name).touch(mode=0o600)
    _copy_file(source, part / source.name)


def _copy_archive(folder: Path, part: Path, site: str) -> None:
    with closing(SqliteStore(part)) as store, closing(Past(store, part)) as past:
        files = past.manifest.files()
        # Made from the copied chain: the copy beside the archive may be ahead of it by now.
        bring_up_copy(store, copy_path(part, site))
    for file in files:
        name = file.path.relative_to(part)
        try:
            digest = _copy_file(folder / name, file.path)
        except FileNotFoundError as gone:
            raise _Vanished(str(name)) from gone
        if digest != file.sha256:
            raise StoreError(
                f"{folder / name} is damaged: it is not what was written; set right the archive "
                "(the keeper sets damaged files aside) and make the backup again"
            )


def _copy_folder(source: Path, target: Path) -> None:
    if source.is_dir():
        for path in sorted(source.rglob("*")):
            if path.is_file():
                _copy_file(path, target / path.relative_to(source))


def _copy_file(source: Path, target: Path) -> str:
    """Copy a file to the disk and return the SHA-256 of what was read."""
    digest = hashlib.sha256()
    with source.open("rb") as old:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as new:
            while block := old.read(_BLOCK):
                digest.update(block)
                new.write(block)
            new.flush()
            os.fsync(new.fileno())
    return digest.hexdigest()


def _read_back(part: Path) -> Backup:
    """Return what the copy holds, having read all of it.

    Raises:
        StoreError: The copy is not whole.
    """
    with closing(SqliteStore(part)) as store, closing(Past(store, part)) as past:
        _ensure_whole(store, past.manifest.files(), part)
        live = int(store.run("SELECT count(*) FROM reading").fetchone()[0])
        archived = sum(file.row_count for file in past.manifest.files())
        events = int(store.run("SELECT count(*) FROM event").fetchone()[0])
        span = past.span()
    size = sum(path.stat().st_size for path in _files(part))
    return Backup(part, live + archived, events, span, size)


def _ensure_whole(store: SqliteStore, files: list[ArchiveFile], part: Path) -> None:
    found = [row[0] for row in store.rows("PRAGMA integrity_check")]
    if found != ["ok"]:
        raise StoreError(f"the copy of {LIVE_FILE} is not whole: {found[0]}; check the live file")
    broken = first_break(store.events())
    if broken is not None:
        raise StoreError(f"the chain of events is broken at place {broken}; check the live file")
    for file in files:
        with file.path.open("rb") as handle:
            if hashlib.file_digest(handle, "sha256").hexdigest() != file.sha256:
                raise StoreError(f"{file.path.relative_to(part)} was not copied whole; try again")


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in folder.rglob("*") if path.is_file())


def _sync_tree(folder: Path) -> None:
    for path in (folder, *folder.rglob("*")):
        sync(path)
