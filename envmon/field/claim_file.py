"""The shop file changed by a claim: whole or not at all, and never over a person's own change."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import stat
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError, ShopFileError
from envmon.field.claim import with_claim
from envmon.field.files import write_new, write_whole
from envmon.shop.load import check_text, load_shop

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.field.claim import Claim
    from envmon.shop.models import Shop


class ShopText(NamedTuple):
    """A shop file as it was read.

    Attributes:
        path: Where it is, links followed.
        text: What stands in it.
        shop: The same, checked.
    """

    path: Path
    text: str
    shop: Shop

    @property
    def digest(self) -> str:
        """SHA-256 of the text; another one is another file."""
        return _digest(self.text.encode())


def read_shop_text(path: Path) -> ShopText:
    """Read and check a shop file.

    Raises:
        ShopFileError: It has faults.
        InputError: It cannot be read.
    """
    real = path.resolve()
    content = _bytes_of(real)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        load_shop(path)  # says which byte it is
        raise
    return ShopText(real, text, _checked(text, str(path)))


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot read {path}: {error.strerror}; check name and rights") from error


def _checked(text: str, file: str) -> Shop:
    shop, faults = check_text(text, file)
    if shop is None or faults:
        raise ShopFileError(file, faults)
    return shop


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def claimed_text(read: ShopText, claim: Claim) -> str:
    """Return the shop file with a claim added, checked.

    Raises:
        InputError: It cannot be added, or the shop file would have faults with it.
    """
    text = with_claim(read.text, claim)
    _, faults = check_text(text, str(read.path))
    if faults:
        said = "; ".join(f"{fault.path}: {fault.message}" for fault in faults)
        raise InputError(f"{claim.topic[:60]!r} is not claimed; with it the shop file says: {said}")
    return text


def is_writable(path: Path) -> bool:
    """Return whether a claim can be written into this shop file by this process."""
    path = path.resolve()
    locked = not path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)
    return not locked and os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def write_claim(read: ShopText, text: str, stamp: str) -> Path:
    """Put the new text in the place of the old one; the old one stays beside it.

    Nothing is written when the file is another one by now. After an error the old file is there.

    Args:
        read: The file as it was read.
        text: What is to stand in it, checked.
        stamp: Time, for the name of the copy.

    Returns:
        Where the copy of the old file is.

    Raises:
        InputError: The file has changed meanwhile, or cannot be written.
    """
    path = read.path
    if not is_writable(path):
        raise InputError(f"{path} or its folder is read-only here; put the lines in by hand")
    with _held(path):
        old = path.stat()
        _ensure_same(read)
        before = _kept(path, read.text.encode(), stamp, stat.S_IMODE(old.st_mode))
        _ensure_same(read)
        write_whole(path, text.encode(), stat.S_IMODE(old.st_mode))
        if os.geteuid() == 0:
            os.chown(path, old.st_uid, old.st_gid)
    return before


def _kept(path: Path, content: bytes, stamp: str, mode: int) -> Path:
    names = (f"{path.name}.before-{stamp}{f'-{n}' if n else ''}" for n in range(1_000))
    before = next(there for name in names if not (there := path.with_name(name)).exists())
    try:
        write_new(before, content, mode)
    except InputError:
        with contextlib.suppress(OSError):
            before.unlink(missing_ok=True)
        raise
    return before


def _ensure_same(read: ShopText) -> None:
    if _digest(_bytes_of(read.path)) != read.digest:
        raise InputError(
            f"{read.path} has been changed by somebody meanwhile and is left alone; look again, "
            "then claim again"
        )


@contextlib.contextmanager
def _held(path: Path) -> Iterator[None]:
    """Let one claim at a time write; what was replaced meanwhile is noticed by its digest."""
    try:
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        raise InputError(f"cannot open {path.parent}: {error.strerror}; check rights") from error
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)
