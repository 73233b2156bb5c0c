"""Why a message is refused is said in words of a person, not of a programmer.

What is wrong with each message follows from RFC 8428 (SenML) and RFC 8259 (JSON).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import cbor2
import pytest

from envmon.errors import PayloadError
from envmon.intake.json_payload import parse_json
from envmon.intake.number_payload import ensure_number, parse_number
from envmon.intake.senml_payload import parse_senml

if TYPE_CHECKING:
    from collections.abc import Callable

OF_PROGRAMMERS = re.compile(
    r"`|\$|NoneType|\b(str|int|bool|dict|bytes|codec|malformed|truncated|stream|array, got)\b"
)
CUT = "it breaks off before its end: was it cut"
CASES: tuple[tuple[Callable[[bytes], object], bytes, str], ...] = (
    (parse_senml, b'[{"n":"a","v":"x"}]', "record 0, v is text; allowed is a number"),
    (parse_senml, b'[{"n":"a","vb":1}]', "record 0, vb is a whole number; allowed is true or"),
    (parse_senml, b'[{"n":"a","v":null}]', "record 0, v is nothing (null); allowed is a number"),
    (parse_senml, b"[1]", "record 0 is a whole number; allowed is a group in braces"),
    (parse_senml, b'[{"n":"a","v":1e999}]', "record 0, v is larger than any number here can be"),
    (parse_senml, b'[{"n":"a","v":1', CUT),
    (parse_senml, b'[{"n":"a","v":1}]x', "more stands behind its end from character 19 on"),
    (parse_senml, b'[{"n":"\xff","v":1}]', "a text in it is not UTF-8; send UTF-8"),
    (parse_senml, cbor2.dumps([1]), "record 0 is a whole number; allowed is a group of names"),
    (parse_senml, cbor2.dumps([{0: "a", 2: "x"}]), "record 0, v is text; allowed is a number"),
    (parse_senml, cbor2.dumps([{0: "a", 2: 1.0}])[:-3], CUT),
    (parse_json, b"t=20", "it cannot be read from character 5 on; compare with the format"),
    (parse_json, b'{"a":1', CUT),
    (parse_number, b"abc", "payload is 'abc'; allowed is a plain number such as 20.5"),
)


@pytest.mark.parametrize(("read", "payload", "said"), CASES)
def test_a_refusal_is_in_plain_words(
    read: Callable[[bytes], object], payload: bytes, said: str
) -> None:
    with pytest.raises(PayloadError) as refused:
        read(payload)
    assert said in str(refused.value)
    assert OF_PROGRAMMERS.search(str(refused.value)) is None


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (True, "/t is True, which is true or false; a number is allowed"),
        ("x", "/t is 'x', which is text; a number"),
        (None, "/t is nothing (null); a number is allowed"),
        ([1], "/t is [1], which is a list; a number"),
        (1e300, "/t is 1e+300; a number below 9 007 199 254 740 992 in size is allowed"),
    ],
)
def test_what_is_no_number_is_named_by_its_kind(value: object, said: str) -> None:
    with pytest.raises(PayloadError, match=re.escape(said)) as refused:
        ensure_number(value, "/t")
    assert OF_PROGRAMMERS.search(str(refused.value)) is None
