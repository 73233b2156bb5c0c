"""JSON documents read strictly, and the number a JSON Pointer leads to.

Duplicate keys are found without a second parser. Outside escapes every quotation mark of a
JSON text begins or ends a key or a string, so a document that is encoded again has as many
quotation marks as the payload, unless the decoder dropped a key. Only where the counts differ,
or where the payload holds escapes, the slow parser looks at each key.

Source: RFC 8259 (JSON), RFC 6901 (JSON Pointer).
"""

from __future__ import annotations

import json
import re
from typing import Any

import msgspec

from envmon.errors import PayloadError
from envmon.intake.number_payload import ensure_size
from envmon.intake.plain_words import plain

MAX_DEPTH = 16
"""Deepest nesting of arrays and objects."""

MISSING: Any = object()
"""What ``value_at`` returns where a pointer leads nowhere."""

_decode = msgspec.json.Decoder().decode
_encode = msgspec.json.Encoder().encode
_BACKSLASH = 0x5C  # as a number: ten times faster to look for than as bytes
_STRINGS = re.compile(rb'"(?:[^"\\]|\\.)*+"', re.DOTALL)
_BRACKETS = re.compile(rb"[\[{\]}]")
_ARRAY_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


def ensure_depth(payload: bytes) -> None:
    """Refuse a JSON text that nests too deeply.

    Raises:
        PayloadError: Deeper than ``MAX_DEPTH``.
    """
    if payload.count(b"[") + payload.count(b"{") <= MAX_DEPTH:
        return
    depth = 0
    for bracket in _BRACKETS.findall(_STRINGS.sub(b"", payload)):
        depth += 1 if bracket in b"[{" else -1
        if depth > MAX_DEPTH:
            raise PayloadError(f"JSON nests more than {MAX_DEPTH} levels deep; send it flatter")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in members if keys.count(key) > 1)
        raise PayloadError(f"JSON key {twice[:60]!r} stands twice in one object; once is allowed")
    return members


def ensure_unique_keys(payload: bytes, decoded: object) -> Any:
    """Refuse duplicate keys, at the cost of one encoding for ordinary payloads.

    Args:
        payload: Well-formed JSON text.
        decoded: What a decoder made of it; fields it dropped count as suspicious.

    Returns:
        None if no key can be twice and none was dropped; else the whole document.

    Raises:
        PayloadError: A key twice in one object, text that is not UTF-8, or nested too deeply.
    """
    if _BACKSLASH not in payload and payload.count(b'"') == _quotation_marks(decoded):
        return None
    ensure_depth(payload)
    try:
        return json.loads(payload.decode("utf-8"), object_pairs_hook=_unique)
    except ValueError as error:
        raise PayloadError(f"payload is no JSON in UTF-8: {plain(error)}") from None


def _quotation_marks(decoded: object) -> int:
    try:
        return _encode(decoded).count(b'"')
    except OverflowError:  # whole numbers beyond 64 bits can be read but not written
        return -1


def parse_json(payload: bytes) -> Any:
    """Return a JSON document; numbers may still be too large for a double.

    Raises:
        PayloadError: Too large, not JSON in UTF-8, NaN or Infinity, a number beyond a double, a
            key twice in one object, or nested too deeply.
    """
    ensure_size(payload)
    ensure_depth(payload)
    try:
        document = _decode(payload)
    except (ValueError, RecursionError) as error:
        raise PayloadError(f"payload is no JSON in UTF-8: {plain(error)}") from None
    ensure_unique_keys(payload, document)
    return document


def tokens_from_pointer(pointer: str) -> tuple[str, ...]:
    """Return the reference tokens of a JSON Pointer, unescaped (RFC 6901 section 4)."""
    tokens = pointer.split("/")[1:]
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in tokens)


def value_at(document: Any, tokens: tuple[str, ...]) -> Any:
    """Return the value reference tokens lead to, or ``MISSING``."""
    for token in tokens:
        if type(document) is dict:
            document = document.get(token, MISSING)
        elif type(document) is list and _ARRAY_INDEX.fullmatch(token):
            index = int(token)
            document = document[index] if index < len(document) else MISSING
        else:
            return MISSING
    return document
