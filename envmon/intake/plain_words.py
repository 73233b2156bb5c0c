"""What a decoder says of a message, as a person with a sensor in hand reads it."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal

_KINDS = {
    "array": "a list", "object": "a group in braces", "str": "text", "int": "a whole number",
    "float": "a number", "bool": "true or false", "null": "nothing (null)",
}  # fmt: skip
_EXPECTED = re.compile(r"Expected `(\w+)`, got `(\w+)`(?: - at `\$(.*)`)?$")
_BEYOND = re.compile(r"Number out of range(?: - at `\$(.*)`)?$")
_BYTE = re.compile(r"\(byte (\d+)\)")
_BY_KIND: tuple[tuple[type[Exception], str], ...] = (
    (UnicodeDecodeError, "a text in it is not UTF-8; send UTF-8"),
    (RecursionError, "it nests too deep; send it flatter"),
)
_CUT_OFF = "it breaks off before its end: was it cut, or is the sensor's buffer too short?"


def kind_of(value: object) -> str:
    """Return what kind of thing a decoder found, in words."""
    known: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (bool, "bool"), (int, "int"), ((float, Decimal), "float"), (str, "str"),
        ((list, tuple), "array"), (dict, "object"), (type(None), "null"),
    )  # fmt: skip
    for kind, name in known:
        if isinstance(value, kind):
            return _KINDS[name]
    if isinstance(value, bytes):
        return "raw bytes"
    return "a date" if isinstance(value, date) else "something else"


def plain(error: Exception) -> str:
    """Return why a message could not be read, without a word of the decoder's.

    Args:
        error: What the decoder raised.
    """
    said = str(error)
    for kind, words in _BY_KIND:
        if isinstance(error, kind):
            return words
    if (found := _EXPECTED.match(said)) is not None:
        allowed, got = (_KINDS.get(name, name) for name in found.groups()[:2])
        return f"{_place(found[3])} is {got}; allowed is {allowed}"
    if (found := _BEYOND.match(said)) is not None:
        return f"{_place(found[1])} is larger than any number here can be; send a smaller one"
    if "truncated" in said or "premature end" in said:
        return _CUT_OFF
    at_byte = _BYTE.search(said)
    if at_byte is not None and "malformed" in said:
        place = int(at_byte[1]) + 1
        more = "more stands behind its end" if "trailing" in said else "it cannot be read"
        return f"{more} from character {place} on; compare with the format set for this topic"
    return said


def _place(path: str | None) -> str:
    """Return a place such as ``[0].v`` in words."""
    if not path:
        return "the whole"
    record = re.match(r"\[(\d+)\]\.?(.*)", path)
    if record is None:
        return path.lstrip(".")
    inside = f", {record[2]}" if record[2] else ""
    return f"record {record[1]}{inside}"
