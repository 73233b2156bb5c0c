"""Records as they are kept in the data folder: without the vehicle's reference."""

from __future__ import annotations

import json
import os
import re
from typing import TYPE_CHECKING, Any

from envmon.errors import StoreError
from envmon.service.record.proof import digest_of, text_of
from envmon.store.disk import sync

if TYPE_CHECKING:
    from pathlib import Path

FOLDER = "records"


def keep_record(folder: Path, document: dict[str, Any]) -> None:
    """Keep a record; it is on the disk when this returns.

    Args:
        folder: Data folder.
        document: A sealed record.

    Raises:
        StoreError: The disk fails.
    """
    stem = f"{_stem(document['job']['id'])}_{document['digest'][:16]}"
    bare = {**document, "reference": None}
    write_whole(folder / FOLDER / f"{stem}.json", text_of(bare).encode())


def kept_record(folder: Path, job_id: str, version: int) -> dict[str, Any] | None:
    """Return the newest record kept of a closed job at this version, or None.

    One that does not hold its own digest any more is passed over.
    """
    found = []
    for path in sorted((folder / FOLDER).glob(f"{_stem(job_id)}_*.json")):
        document = _read(path)
        if document and document.get("version_seq") == version and not document.get("open"):
            found.append(document)
    return max(found, key=lambda document: str(document["made"]), default=None)


def _read(path: Path) -> dict[str, Any] | None:
    try:
        text = path.read_bytes().decode()
        document = json.loads(text)
        sound = text == text_of(document) and document["digest"] == digest_of(document)
    except (OSError, ValueError, KeyError, TypeError, RecursionError, StoreError):
        return None
    return document if sound else None


def _stem(job_id: str) -> str:
    return re.sub(r"[^0-9A-Za-z-]", "_", job_id)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that gets its name when it is whole and on the disk.

    Raises:
        StoreError: The disk fails.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content)
        sync(part)
        part.replace(path)
        sync(path.parent)
    except OSError as error:
        raise StoreError(f"cannot write {path}: {error}; check that the disk has room") from error
    finally:
        part.unlink(missing_ok=True)
