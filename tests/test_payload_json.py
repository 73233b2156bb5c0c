"""JSON payloads and JSON Pointers: RFC 8259, RFC 6901, and jsonpointer as the reference."""

from __future__ import annotations

import json
from typing import Any

import jsonpointer
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import PayloadError
from envmon.intake.json_payload import MISSING, parse_json, tokens_from_pointer, value_at

# RFC 6901 section 5: the document and what each pointer evaluates to
DOCUMENT: dict[str, Any] = {
    "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6,
    " ": 7, "m~n": 8,
}  # fmt: skip
POINTERS = [
    ("", DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1),
    ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
]  # fmt: skip


@pytest.mark.parametrize(("pointer", "value"), POINTERS)
def test_pointers_of_the_standard(pointer: str, value: object) -> None:
    document = parse_json(json.dumps(DOCUMENT).encode())

    assert value_at(document, tokens_from_pointer(pointer)) == value


@pytest.mark.parametrize(
    "pointer",
    ["/bar", "/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/x", "/foo/0/0", "//", "/foo/٠"],
)
def test_pointer_that_leads_nowhere(pointer: str) -> None:
    # RFC 6901 section 4: no such member; an index has no leading zero; "-" is not there
    assert value_at(DOCUMENT, tokens_from_pointer(pointer)) is MISSING


def test_escapes_are_undone_in_the_order_of_the_standard() -> None:
    # RFC 6901 section 4: "~01" is "~1", not "/"
    assert tokens_from_pointer("/~01") == ("~1",)


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text("a/~ 0", max_size=2),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text("a/~01", max_size=2), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(JSON_VALUES, st.lists(st.text("a/~01", max_size=2), max_size=4))
def test_walk_agrees_with_the_reference_library(document: Any, parts: list[str]) -> None:
    pointer = jsonpointer.JsonPointer.from_parts(parts)
    try:
        expected = pointer.resolve(document)
    except jsonpointer.JsonPointerException:
        expected = MISSING
    if isinstance(expected, jsonpointer.EndOfList):
        expected = MISSING
    if type(expected) is str and any(part.isdigit() for part in parts):
        return  # the library indexes into text, which RFC 6901 does not
    found = value_at(document, tokens_from_pointer(pointer.path))

    assert found is expected or found == expected


@given(JSON_VALUES)
def test_documents_read_as_the_standard_library_reads_them(document: Any) -> None:
    for ascii_only in (True, False):
        payload = json.dumps(document, ensure_ascii=ascii_only).encode()
        if payload.count(b"[") + payload.count(b"{") <= 16:
            assert parse_json(payload) == json.loads(payload)


MALFORMED = {
    "empty": b"",
    "no JSON": b"t=20.5",
    "NaN": b'{"t":NaN}',
    "Infinity": b'{"t":Infinity}',
    "beyond a double": b'{"t":1e999}',
    "5000 digits": b'{"t":' + b"9" * 5000 + b"}",
    "duplicate key": b'{"t":1,"t":2}',
    "duplicate key deep inside": b'{"a":[{"b":{"t":1,"t":1}}]}',
    "duplicate key by escape": b'{"t":1,"\\u0074":2}',
    "duplicate key beside a huge integer": b'{"a":99999999999999999999999,"t":1,"t":2}',
    "duplicate key with quotation marks": b'{"\\"":1,"\\"":2}',
    "duplicate key made up for by escapes": b'{"t":1,"t":2,"x":"\\u0022\\u0022"}',
    "UTF-8 broken": b'{"t":"\xff"}',
    "UTF-16": '{"t":1}'.encode("utf-16-le"),
    "byte order mark": b'\xef\xbb\xbf{"t":1}',
    "single quotes": b"{'t':1}",
    "comma at the end": b'{"t":1,}',
    "comment": b'{"t":1}//',
    "leading zero": b'{"t":01}',
    "17 levels": b"[" * 17 + b"]" * 17,
    "thousands of levels": b"[" * 32_000 + b"]" * 32_000,
    "thousands of objects": b'{"a":' * 10_000 + b"1" + b"}" * 10_000,
    "more than 64 KiB": b'"' + b"a" * 65_536 + b'"',
}


@pytest.mark.parametrize("payload", MALFORMED.values(), ids=MALFORMED.keys())
def test_malformed_json_is_refused(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        parse_json(payload)


def test_limits_are_taken_where_they_lie() -> None:
    assert parse_json(b"[" * 16 + b"]" * 16)
    assert parse_json(json.dumps([{"t": [1]}] * 100).encode())
    assert parse_json(b'{"t":"' + b"[" * 100 + b'"}')
    assert parse_json(b'"' + b"a" * 65_534 + b'"')
