"""A second copy of the event chain beside the archive, for the day the live file is lost.

One line of canonical JSON an event: [place, time µs, kind, bay, data, hash].
"""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

from envmon.errors import StoreError
from envmon.facts import Event
from envmon.store.chain import canonical
from envmon.store.manifest import ARCHIVE

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.store.sqlite import SqliteStore

COPY_FILE = "events.jsonl"


def copy_path(folder: Path, site: str) -> Path:
    """Return where the copy of a site's chain stands in a data folder."""
    return folder / ARCHIVE / f"site={site}" / COPY_FILE


def read_copy(path: Path) -> list[Event]:
    """Return the events of a copy, in order; a line torn by a crash ends them.

    Raises:
        StoreError: The file cannot be read.
    """
    try:
        text = path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""
    except OSError as error:
        raise StoreError(f"cannot read {path}: {error}; check the disk") from error
    events: list[Event] = []
    for line in text.splitlines():
        try:
            events.append(Event(*json.loads(line)))
        except (ValueError, TypeError):
            break
    return events


def bring_up_copy(store: SqliteStore, path: Path) -> int:
    """Append the events the copy does not have yet and see them to the disk; return how many.

    A copy that is torn, or that does not belong to this chain, is kept under another name and
    written anew.

    Raises:
        StoreError: The disk or the folder fails.
    """
    last = _last_line(path)
    if last is not None and not _follows(store, last):
        path.rename(path.with_name(f"{path.name}.{last[0]}.other"))
        last = None
    elif last is None and path.exists():
        path.rename(path.with_name(f"{path.name}.torn"))
    lines = [
        canonical([e.seq, e.at_us, e.kind, e.bay, e.data, e.hash]) + "\n"
        for e in store.events(last[0] if last else 0)
    ]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as handle:
            handle.write("".join(lines))
            handle.flush()
            os.fsync(handle.fileno())
    except OSError as error:
        raise StoreError(f"cannot write {path}: {error}; check that the disk has room") from error
    return len(lines)


def _last_line(path: Path) -> tuple[int, str] | None:
    """Return place and hash of the last whole line, or None for no copy or a torn one."""
    if not path.exists() or path.stat().st_size == 0:
        return None
    with path.open("rb") as handle:
        handle.seek(-min(path.stat().st_size, 1 << 20), os.SEEK_END)
        tail = handle.read()
    try:
        found = json.loads(tail.splitlines()[-1]) if tail.endswith(b"\n") else None
        return None if found is None else (int(found[0]), str(found[5]))
    except (ValueError, TypeError, IndexError):
        return None


def _follows(store: SqliteStore, last: tuple[int, str]) -> bool:
    event = next(store.events(last[0] - 1), None)
    return event is not None and event.seq == last[0] and event.hash == last[1]
