"""Files that are whole or not there, and that nobody else may read where that matters."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.store.disk import sync

if TYPE_CHECKING:
    from pathlib import Path

PRIVATE = 0o600
PUBLIC = 0o644
RUNNABLE = 0o755


def write_whole(path: Path, content: bytes, mode: int = PUBLIC) -> None:
    """Write a file that is the old one or the new one, whatever happens in between.

    Written by root it belongs to whom the folder belongs to, so that a service can read its keys.

    Raises:
        InputError: It cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE)
        with open(handle, "wb") as file:  # noqa: PTH123 - a descriptor, not a path
            file.write(content)
            file.flush()
            os.fchmod(file.fileno(), mode)
            give_to_owner_of(path.parent, file.fileno())
            os.fsync(file.fileno())
        part.replace(path)
        sync(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise InputError(
            f"cannot write {path}: {error.strerror}; check the folder's rights and the disk's room"
        ) from error


def write_new(path: Path, content: bytes, mode: int = PUBLIC) -> None:
    """Write a file that must not be there yet.

    Raises:
        InputError: It is there, or it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with open(handle, "wb") as file:  # noqa: PTH123 - a descriptor, not a path
            file.write(content)
            give_to_owner_of(path.parent, file.fileno())
    except FileExistsError:
        raise InputError(f"{path} is there already and is left alone; give another name") from None
    except OSError as error:
        raise InputError(
            f"cannot write {path}: {error.strerror}; check the folder's rights and the disk's room"
        ) from error


def give_to_owner_of(folder: Path, target: int | Path) -> None:
    """Let a file belong to whom its folder belongs to; only root can, others already do."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.chown(target, owner.st_uid, owner.st_gid)
