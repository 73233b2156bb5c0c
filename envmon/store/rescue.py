"""The live file found damaged or gone: set aside, and a fresh one made of what can be saved.

The fresh file is made in a folder of its own and takes the old one's place only when it is whole,
so a crash on the way costs a second try and nothing else. A damaged file is never deleted.
"""

from __future__ import annotations

import logging
import os
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SECOND_US
from envmon.errors import StoreError
from envmon.facts import NewEvent
from envmon.store.chain import GENESIS, canonical, link
from envmon.store.chain_copy import copy_path, read_copy
from envmon.store.disk import sync
from envmon.store.salvage import REFERENCE_IS_WHOLE, STATE_IS_WHOLE, Salvage, openable, read_only
from envmon.store.sqlite import LIVE_FILE, SqliteStore, is_damage

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.facts import Event

log = logging.getLogger("envmon.store")

RENEWED = "store_renewed"
"""Event: the live file was damaged or gone, and a fresh one was made."""
SUSPECT_FILE = "live.suspect"
"""Comes into the data folder when another process than the watch met damage."""
_MAKING, _MADE, _ASIDE, _STUB = "renewing", "renewed", "aside", "stub"
_WAL_BEGINS = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")


class Renewal(NamedTuple):
    """What was found and what became of it.

    Attributes:
        file: Name of the damaged file; empty when there was none.
        why: What was wrong with it.
        events: Events that came over into the fresh file.
        readings: Readings that came over.
        source: Where the events came from: salvage, copy, or both; empty without any.
    """

    file: str
    why: str
    events: int
    readings: int
    source: str

    def text(self) -> str:
        """Return what the person is told."""
        kept = "what was not archived yet is lost"
        if self.file:
            kept = f"the damaged one is kept as {self.file}"
        return (
            f"the live file was renewed ({self.why}): {self.events} events and {self.readings} "
            f"readings were saved, {kept}; look at the disk"
        )


def renewal_from(event: Event) -> Renewal:
    """Return the renewal that an event of the chain tells of."""
    said = event.data
    return Renewal(said["file"], said["why"], said["events"], said["readings"], said["from"])


def open_or_renew(folder: Path, site: str, now_us: int) -> tuple[SqliteStore, Renewal | None]:
    """Open the live file; renew it first where it is damaged, or gone while its archive is there.

    For the one process that writes the chain, while it holds the folder.

    Args:
        folder: Data folder.
        site: Short name of the site, which the copy of the chain stands under.
        now_us: Time now [µs].

    Raises:
        StoreError: The disk or the folder fails; a damaged file stays as it is.
    """
    renewal = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        why = "" if (folder / _MADE).exists() else what_is_wrong(folder, site)
        if why:
            log.error("%s: %s; renewing it", folder / LIVE_FILE, why)
            renewal = _make(folder, site, why, now_us)
            log.error(renewal.text())
        if (folder / _MADE).exists():
            _swap_in(folder)
        (folder / SUSPECT_FILE).unlink(missing_ok=True)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"cannot look after {folder / LIVE_FILE}: {error}; check that the disk has room and "
            "the folder is writable"
        ) from error
    return SqliteStore(folder), renewal


def what_is_wrong(folder: Path, site: str) -> str:
    """Return what is wrong with a folder's live file; empty when nothing is."""
    live, copy = folder / LIVE_FILE, copy_path(folder, site)
    if not live.exists() or live.stat().st_size == 0:
        kept = copy.exists() or any(copy.parent.glob("month=*/*.parquet"))
        return "it is missing or empty, while its archive is there" if kept else ""
    if _wal_is_garbage(live):
        return "the file beside it with the newest entries (-wal) is garbage"
    try:
        with closing(read_only(live)) as db:
            # 0.65 s for 164 MB.
            found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                return str(found).strip("* ").replace("\n", " ")
            return _cut_short(db, copy)
    except sqlite3.Error as error:
        # Anything but damage (no room, no right to write) shows again when it is opened.
        return str(error) if is_damage(error) else ""


def _wal_is_garbage(live: Path) -> bool:
    wal = live.with_name(live.name + "-wal")
    if not wal.exists() or wal.stat().st_size == 0:
        return False
    with wal.open("rb") as handle:
        return handle.read(4) not in _WAL_BEGINS


def _cut_short(db: sqlite3.Connection, copy: Path) -> str:
    """Return words for a chain that its own copy goes beyond: what was committed is gone."""
    try:
        row = db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
    except sqlite3.OperationalError:
        row = None  # killed before it had made its tables
    seq, digest = row or (0, GENESIS)
    copied = _copied(copy)
    if len(copied) <= seq or (seq and copied[seq - 1].hash != digest):
        return ""
    whole = len(_chained([copied]))
    return f"it ends at event {seq}, its copy in the archive at {whole}" if whole > seq else ""


def _copied(copy: Path) -> list[Event]:
    try:
        return read_copy(copy)
    except StoreError as error:
        log.warning("%s", error)
        return []


def _chained(sources: Sequence[Sequence[Event]]) -> list[Event]:
    """Return the longest chain from place 1 on that the sources give together."""
    known: dict[int, list[Event]] = {}
    for source in sources:
        for event in source:
            known.setdefault(event.seq, []).append(event)
    chain: list[Event] = []
    before = GENESIS
    while True:
        seq = len(chain) + 1
        found = [event for event in known.get(seq, ()) if _follows(before, seq, event)]
        if not found:
            return chain
        chain.append(found[0])
        before = found[0].hash


def _follows(before: str, seq: int, event: Event) -> bool:
    with suppress(StoreError):
        plain = NewEvent(event.at_us, event.kind, event.bay, event.data)
        return link(before, seq, plain).hash == event.hash
    return False


def _make(folder: Path, site: str, why: str, now_us: int) -> Renewal:
    """Make the fresh file beside the old one, whole and on the disk."""
    making, live = folder / _MAKING, folder / LIVE_FILE
    shutil.rmtree(making, ignore_errors=True)
    SqliteStore(making).close()
    aside = _name_aside(folder, now_us)
    there = live.exists() and live.stat().st_size > 0
    saved = _saved(live if there else None, making, copy_path(folder, site))
    renewal = Renewal(aside if there else "", why, *saved)
    said = renewal._asdict()
    said["from"] = said.pop("source")
    store = SqliteStore(making)
    store.add_events([NewEvent(now_us, RENEWED, "", said)])
    store.close()
    (making / _ASIDE).write_text(aside, encoding="utf-8")
    (making / _STUB).write_text("envmon is renewing this file\n", encoding="utf-8")
    for path in (*making.iterdir(), making):
        sync(path)
    making.rename(folder / _MADE)
    sync(folder)
    return renewal


def _saved(live: Path | None, making: Path, copy: Path) -> tuple[int, int, str]:
    """Bring into the fresh file what can be had; return events, readings and the source."""
    source = openable(live, making) if live is not None else None
    with closing(sqlite3.connect(making / LIVE_FILE, isolation_level=None, uri=True)) as db:
        # Until it is whole the file counts for nothing, so speed is all.
        db.execute("PRAGMA journal_mode = MEMORY")
        db.execute("PRAGMA synchronous = OFF")
        salvage = Salvage(db, source)
        chain = _chained([list(salvage.events.values()), _copied(copy)])
        _write_chain(db, chain)
        salvage.take_readings()
        salvage.take_numbered("request")
        salvage.take_numbered("reject")
        salvage.take_whole("job_reference", REFERENCE_IS_WHOLE)
        # A state of the guard stands on the events before it.
        whole = not salvage.events_lost and len(chain) == len(salvage.events)
        last_us = chain[-1].at_us if chain else -1
        older = "" if whole else f" AND at_us <= {last_us}"
        salvage.take_numbered("checkpoint", f"{STATE_IS_WHOLE}{older}")
        if whole:
            salvage.take_whole("snapshot", STATE_IS_WHOLE)
        count = db.execute("SELECT count(*) FROM reading").fetchone()[0]
    for patched in making.glob("patched*"):
        patched.unlink()
    read = {event.hash for event in salvage.events.values()}
    there = sum(event.hash in read for event in chain)
    parts = ["salvage"] * (there > 0) + ["copy"] * (there < len(chain))
    return len(chain), count, " and ".join(parts)


def _write_chain(db: sqlite3.Connection, chain: Sequence[Event]) -> None:
    db.execute("BEGIN")
    db.executemany(
        "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)",
        ((e.seq, e.at_us, e.kind, e.bay, canonical(e.data), e.hash) for e in chain),
    )
    db.execute("COMMIT")


def _name_aside(folder: Path, now_us: int) -> str:
    moment = datetime.fromtimestamp(now_us // SECOND_US, UTC)
    stamp, number = f"{LIVE_FILE}.damaged-{moment:%Y%m%dT%H%M%SZ}", 1
    name = stamp
    while any(folder.glob(f"{name}*")):
        number += 1
        name = f"{stamp}-{number}"
    return name


def _swap_in(folder: Path) -> None:
    """Set the damaged file aside and put the fresh one in its place; goes on where it stopped.

    In between a stub that is no database stands there, so that no other process opens the fresh
    file with the newest entries (-wal) of the old one, or the old one with entries of its own.
    """
    made, live = folder / _MADE, folder / LIVE_FILE
    if (made / LIVE_FILE).exists():
        aside = folder / (made / _ASIDE).read_text(encoding="utf-8")
        if (made / _STUB).exists():
            _name_also(live, aside)
            (made / _STUB).replace(live)
        for tail in ("-wal", "-shm"):
            beside = live.with_name(live.name + tail)
            if beside.exists():
                beside.replace(aside.with_name(aside.name + tail))
        (made / LIVE_FILE).replace(live)
        sync(folder)
    shutil.rmtree(made)


def _name_also(live: Path, aside: Path) -> None:
    """Give a file a second name, so that there is always one of the first."""
    if live.exists() and not aside.exists():
        try:
            os.link(live, aside)
        except OSError:
            live.rename(aside)  # a file system without second names
