"""SenML in CBOR: what RFC 8428 section 6 allows, and what a hostile sender could try."""

from __future__ import annotations

import struct
from decimal import Decimal
from fractions import Fraction
from uuid import UUID

import cbor2
import pytest

from envmon.errors import PayloadError
from envmon.intake.senml import resolve
from envmon.intake.senml_payload import parse_senml, parse_senml_cbor

NOW_US = 1_768_374_000_000_000


def one_value(payload: bytes) -> object:
    (record,) = resolve(parse_senml_cbor(payload), NOW_US)
    return record.v


@pytest.mark.parametrize("value", [23, -5, 23.5, Decimal("23.1"), 1e300, 2**64 - 1])
def test_integers_floats_and_decimal_fractions_are_numbers(value: float | Decimal) -> None:
    # RFC 8428 section 6, first bullet; Python's float() as the reference conversion
    assert one_value(cbor2.dumps([{0: "a", 2: value}])) == float(value)


@pytest.mark.parametrize("code", ["f94d00", "fa41a00000", "fb4034000000000000"])
def test_floats_of_each_width(code: str) -> None:
    # RFC 8949 section 3.3: half, single and double precision; each is 20.
    assert one_value(bytes.fromhex("81a200616102" + code)) == 20


def test_indefinite_lengths_are_taken() -> None:
    # RFC 8949 section 3.2: array, map and text of indefinite length
    assert one_value(bytes.fromhex("9fbf007f61616162ff0214ffff")) == 20


def refused_values() -> dict[str, bytes]:
    values: dict[str, object] = {
        "boolean": True,
        "text": "20.5",
        "bytes": b"20.5",
        "null": None,
        "undefined": cbor2.undefined,
        "simple value": cbor2.CBORSimpleValue(99),
        "NaN": float("nan"),
        "infinity": float("-inf"),
        "decimal NaN": Decimal("NaN"),
        "decimal beyond a double": Decimal("1e400"),
        "big integer": 2**64,
        "negative big integer": -(2**70),
        "fraction": Fraction(1, 3),
        "unknown tag": cbor2.CBORTag(4711, 1),
        "pattern": cbor2.CBORTag(35, "(a+)+$"),
        "identifier": UUID(int=1),
        "array": [1],
        "map": {1: 2},
    }
    return {name: cbor2.dumps([{0: "a", 2: value}]) for name, value in values.items()}


@pytest.mark.parametrize("payload", refused_values().values(), ids=refused_values().keys())
def test_value_that_is_no_number(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        parse_senml_cbor(payload)


MALFORMED = {
    "empty": b"",
    "map": cbor2.dumps({0: "a", 2: 1}),
    "no records": b"\x80",
    "record is a number": b"\x81\x01",
    "empty record key": cbor2.dumps([{b"n": "a", 2: 1}]),
    "boolean key": cbor2.dumps([{0: "a", True: "Cel", 2: 1}]),
    "float key": bytes.fromhex("81a2006161f9400001"),
    "key in text": cbor2.dumps([{"n": "a", "v": 1}]),
    "duplicate key": bytes.fromhex("81a300616102010202"),
    "duplicate unknown key": bytes.fromhex("81a40061610201617801617802"),
    "UTF-8 broken": bytes.fromhex("81a20062ffff0201"),
    "cut off": bytes.fromhex("82a20061610201"),
    "more behind": bytes.fromhex("81a2006161020100"),
    "two packs": bytes.fromhex("81a2006161020181a20061610201"),
    "data as text": cbor2.dumps([{0: "a", 8: "aGkgCg"}]),
    "version as float": cbor2.dumps([{-1: 10.0, 0: "a", 2: 1}]),
    "1001 records": cbor2.dumps([{0: "a", 2: 1}] * 1001),
    "17 levels": cbor2.dumps([{0: "a", 2: 1, "x": [[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]}]),
    "thousands of levels": b"\x81" * 60_000,
    "thousands of tags": b"\xc4" * 60_000,
    "huge array promised": b"\x9b" + b"\xff" * 8,
    "huge text promised": b"\x81\xa2\x00\x7b" + struct.pack(">Q", 2**40),
    "huge exponent": bytes.fromhex("81a200616102c4821b7fffffffffffffff01"),
    "cycle": bytes.fromhex("d81c81d81d00"),
    "cycle in an unknown field": bytes.fromhex("81a300616102016178d81c81d81d00"),
    "more than 64 KiB": cbor2.dumps([{0: "a", 3: "x" * 65_536}]),
}


@pytest.mark.parametrize("payload", MALFORMED.values(), ids=MALFORMED.keys())
def test_malformed_cbor_is_refused(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        parse_senml_cbor(payload)


def test_every_tag_but_the_decimal_fraction_is_refused() -> None:
    # RFC 8949 section 3.4: a tag is major type 6; all of one and two bytes are tried.
    for tag in range(65_536):
        payload = b"\x81\xa3\x00\x61a\x02\x01\x61x\xd9" + struct.pack(">H", tag) + b"\x80"
        with pytest.raises(PayloadError):
            parse_senml(payload)


def test_message_names_the_place() -> None:
    with pytest.raises(PayloadError, match=r"record 1, v is nan"):
        parse_senml_cbor(cbor2.dumps([{0: "a", 2: 1}, {0: "b", 2: float("nan")}]))
