"""What counts as a number, and the payload that is nothing but one.

A plain number payload is ASCII: optional sign, digits with a point, optional exponent, blanks
or a line end around it, at most 64 bytes. No unit (it stands in the shop file), no thousands
separators, no decimal comma, no hexadecimal, no ``nan`` or ``inf``.
"""

from __future__ import annotations

import re

from envmon.errors import PayloadError
from envmon.intake.plain_words import kind_of

MAX_BYTES = 64 * 1024
"""Largest payload looked at [bytes]."""

EXACT_LIMIT = 2**53
"""From here on a double skips whole numbers; no sensor of a bay sends such a number."""

_MAX_NUMBER_BYTES = 64
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_STATES = {b"true": 1.0, b"on": 1.0, b"false": 0.0, b"off": 0.0}


def ensure_size(payload: bytes) -> None:
    """Refuse a payload that is empty or too large.

    Raises:
        PayloadError: Empty, or larger than ``MAX_BYTES``.
    """
    if not payload:
        raise PayloadError("payload is empty; the format set for this topic is expected")
    if len(payload) > MAX_BYTES:
        raise PayloadError(
            f"payload has {len(payload)} bytes; at most {MAX_BYTES} are allowed: send smaller packs"
        )


def ensure_number(value: object, where: str) -> float:
    """Return a value as float if it is a number a double holds exactly to the unit.

    Args:
        value: What a decoder found; a truth value or text is no number.
        where: Names the place in the message.

    Raises:
        PayloadError: No number, not finite, or as large as 2**53.
    """
    if type(value) is not float and type(value) is not int:
        said = "nothing (null)" if value is None else f"{_short(value)}, which is {kind_of(value)}"
        raise PayloadError(f"{where} is {said}; a number is allowed")
    if not -EXACT_LIMIT < value < EXACT_LIMIT:
        raise PayloadError(
            f"{where} is {_short(value)}; a number below 9 007 199 254 740 992 in size is allowed"
        )
    return float(value)


def _short(value: object) -> str:
    if type(value) is int and value.bit_length() > 256:
        return "a whole number of more than 256 bits"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def parse_number(payload: bytes, *, state: bool = False) -> float:
    r"""Return the number a plain payload holds.

    Args:
        payload: Such as ``b"20.5"`` or ``b" 20.5\n"``.
        state: Whether the quantity is a state; then ``true``, ``false``, ``on`` and ``off`` in
            any case are allowed too.

    Raises:
        PayloadError: Anything else.
    """
    ensure_size(payload)
    text = payload.strip(b" \t\r\n")
    if state and text.lower() in _STATES:
        return _STATES[text.lower()]
    if len(payload) > _MAX_NUMBER_BYTES or _NUMBER.fullmatch(text) is None:
        allowed = "a plain number such as 20.5 (the unit stands in the shop file)"
        if state:
            allowed = "true, false, on, off, 1 or 0"
        said = _short(payload.decode("ascii", "backslashreplace"))
        raise PayloadError(f"payload is {said}; allowed is {allowed}")
    return ensure_number(float(text), "payload")
