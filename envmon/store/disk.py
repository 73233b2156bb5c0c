"""What a crash must not take back: a file or a folder's names seen to the disk."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def sync(path: Path) -> None:
    """Return when a file's bytes, or a folder's names, have reached the disk.

    Raises:
        OSError: The disk fails.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
