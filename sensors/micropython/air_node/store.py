"""Where what waits is kept while the power is off: a file on the flash."""

import os

from air_node.ring import Ring

FILE = "waiting.bin"
_NEW = ".new"


def save(ring: Ring, times: tuple[int, int], path: str = FILE) -> None:
    """Write what waits; the file before stays whole until the new one is.

    Args:
        ring: What waits.
        times: Time since power came on, and the board's time of day [ms].
        path: The file.

    Raises:
        OSError: The flash is full or worn.
    """
    with open(path + _NEW, "wb") as file:
        for piece in ring.pieces(*times):  # noqa: FURB122 - MicroPython has no writelines
            file.write(piece)
    try:
        os.rename(path + _NEW, path)
    except OSError:
        # A FAT file system does not put a file in the place of another.
        os.remove(path)
        os.rename(path + _NEW, path)


def load(ring: Ring, path: str = FILE) -> bool:
    """Take what waited when power went; return whether there was something whole."""
    for name in (path, path + _NEW):
        try:
            with open(name, "rb") as file:
                data = file.read()
        except OSError:
            continue
        if ring.take(data) is not None:
            return True
    return False


def remove(path: str = FILE) -> None:
    """Take the file away, if there is one."""
    for name in (path, path + _NEW):
        try:
            os.remove(name)
        except OSError:
            pass
