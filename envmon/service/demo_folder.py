"""The folder a demo throws away, and those that demos killed before they could have left."""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from stat import S_ISDIR
from typing import TYPE_CHECKING

from envmon.service.ending import take_lock

if TYPE_CHECKING:
    from collections.abc import Iterator

PREFIX = "envmon-demo-"
LOCK_FILE = "demo.lock"
LOCKS = (LOCK_FILE, "watch.lock")
"""Held by the demo and by its watch, which may end a moment later."""
YOUNG_S = 10.0
"""A demo that begins makes its lock file a moment before it holds it."""


@contextmanager
def folder_thrown_away() -> Iterator[Path]:
    """Make a folder that is gone when the block ends; first those that killed demos left.

    Raises:
        ServiceError: It cannot be written.
    """
    sweep()
    folder = Path(tempfile.mkdtemp(prefix=PREFIX))
    try:
        with take_lock(folder / LOCK_FILE, "another demo has the folder", "make room in it"):
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sweep() -> list[Path]:
    """Remove this user's folders of demos that no process holds any more; return them."""
    left = [one for one in sorted(Path(tempfile.gettempdir()).glob(f"{PREFIX}*")) if _is_left(one)]
    for folder in left:
        shutil.rmtree(folder, ignore_errors=True)
    return left


def _is_left(folder: Path) -> bool:
    try:
        about, lock = folder.lstat(), (folder / LOCK_FILE).lstat()
    except OSError:
        return False
    own = S_ISDIR(about.st_mode) and about.st_uid == os.getuid()
    if not own or time.time() - lock.st_mtime < YOUNG_S:
        return False
    return not any(_is_held(folder / name) for name in LOCKS)


def _is_held(path: Path) -> bool:
    try:
        with path.open("r+") as handle:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False
