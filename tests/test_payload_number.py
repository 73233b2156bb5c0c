"""Plain number payloads: the grammar stands in the module, ``float`` is the reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import PayloadError
from envmon.intake.number_payload import EXACT_LIMIT, ensure_number, parse_number


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"20.5", 20.5),
        (b" 20.5\r\n", 20.5),
        (b"\t-3", -3.0),
        (b"+.5", 0.5),
        (b"7.", 7.0),
        (b"1.5e-3", 0.0015),
        (b"2E2", 200.0),
        (b"007", 7.0),
        (b"9007199254740991", 2.0**53 - 1),
    ],
)
def test_number(payload: bytes, value: float) -> None:
    assert parse_number(payload) == value


@pytest.mark.parametrize(
    "payload",
    [
        b"", b" ", b"nan", b"NaN", b"inf", b"-Infinity", b"1e999", b"1_000", b"20,5", b"0x1f",
        b"20.5 Cel", "20.5 °C".encode(), b"20.5C", b"1 2", b"true", b"on", b"--1", b"e5", b".",
        "٢٠".encode(), "20.5".encode("utf-16"), b"\xef\xbb\xbf20.5", b"20.5\0", b"9007199254740992",
        b"1" * 65, b" " * 65 + b"1", b"[20.5]", b'"20.5"', b"\xff",
    ],
)  # fmt: skip
def test_no_number(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        parse_number(payload)


@pytest.mark.parametrize("payload", [b"true", b"on", b"1", b"ON", b" True\n", b"1.0"])
def test_state_that_is_on(payload: bytes) -> None:
    assert parse_number(payload, state=True) == 1


@pytest.mark.parametrize("payload", [b"false", b"off", b"0", b"Off\n"])
def test_state_that_is_off(payload: bytes) -> None:
    assert parse_number(payload, state=True) == 0


@pytest.mark.parametrize("payload", [b"yes", b"open", b"null", b"truetrue"])
def test_no_state(payload: bytes) -> None:
    with pytest.raises(PayloadError, match="true, false, on, off, 1 or 0"):
        parse_number(payload, state=True)


@pytest.mark.parametrize(
    "value", [True, "1", None, [1], float("nan"), float("inf"), 2**53, -(2**53)]
)
def test_value_that_is_no_number(value: object) -> None:
    with pytest.raises(PayloadError, match="place is"):
        ensure_number(value, "place")


def test_huge_integer_is_refused_without_writing_it_out() -> None:
    with pytest.raises(PayloadError, match="more than 256 bits"):
        ensure_number(10**5000, "place")


@given(st.integers(-EXACT_LIMIT + 1, EXACT_LIMIT - 1))
def test_whole_numbers_below_2_to_the_53_are_exact(value: int) -> None:
    # IEEE 754 double: 53 bits of significand
    assert int(ensure_number(value, "place")) == value


@given(st.floats(-1e15, 1e15))
def test_any_repr_of_a_float_reads_back(value: float) -> None:
    assert parse_number(repr(value).encode()) == value
