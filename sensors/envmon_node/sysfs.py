"""Reading what the kernel offers as files under /sys."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from envmon.errors import PayloadError

if TYPE_CHECKING:
    from pathlib import Path

_NOT_NAME = re.compile(r"[^a-z0-9]+")
_NAME_MAX = 40


def text_of(path: Path) -> str:
    """Return the text of an attribute.

    Raises:
        PayloadError: It is missing, or the driver could not read its device.
    """
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except FileNotFoundError:
        raise PayloadError(
            f"{path} is missing; is the device plugged in and its driver loaded?"
        ) from None
    except OSError as error:
        raise PayloadError(
            f"{path}: {error.strerror}; the device did not answer as it should, look at its cable"
        ) from error


def number_of(path: Path) -> float:
    """Return the number of an attribute.

    Raises:
        PayloadError: It cannot be read, or is no number.
    """
    text = text_of(path)
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise PayloadError(f"{path} says {text[:40]!r}, which is no number")
    return number


def slug(text: str) -> str:
    """Return a text as a sensor's name: a-z, 0-9 and - only, at most 40 of them."""
    return _NOT_NAME.sub("-", text.lower()).strip("-")[:_NAME_MAX].strip("-")


def device_of(entry: Path) -> str:
    """Return the name of the hardware device behind a class or bus entry, such as ``1-0044``.

    Entries are numbered in the order they were found; the device keeps its name: bus and address
    of an I2C chip, name and address in the device tree of another.
    """
    device = entry / "device"
    return device.resolve().name if device.exists() else entry.resolve().parent.name
