"""SenML packs as they come over the wire: JSON and CBOR, read strictly.

Both yield the same records. CBOR takes decimal fractions (tag 4), as RFC 8428 section 6 allows,
and no other tag; indefinite lengths are taken, though the standard keeps them for streams, as
small encoders write them. No field may be null. What the fields mean stands in
``envmon.intake.senml``.
"""

from __future__ import annotations

import base64
import io
import math
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NoReturn

import cbor2
import msgspec

from envmon.errors import PayloadError
from envmon.intake.json_payload import MAX_DEPTH, ensure_unique_keys
from envmon.intake.number_payload import ensure_size
from envmon.intake.plain_words import kind_of, plain
from envmon.intake.senml import RawRecord

if TYPE_CHECKING:
    from collections.abc import Iterable

MAX_RECORDS = 1000
"""Most records in one pack."""

_LABELS = frozenset(RawRecord.__struct_fields__)
_decode_json = msgspec.json.Decoder(list[RawRecord]).decode

# RFC 8428 section 6, table 4
_CBOR_LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip


def _refuse_tag(*_: object) -> NoReturn:
    raise PayloadError("a CBOR tag other than 4 (decimal fraction) is not allowed in SenML")


# Every tag cbor2 would act on by itself: compiling a pattern or closing a cycle is not for
# a sensor to order. Tags it does not know end in the hook.
_REFUSED_TAGS = dict.fromkeys(
    (
        0,
        1,
        2,
        3,
        5,
        25,
        28,
        29,
        30,
        35,
        36,
        37,
        52,
        54,
        100,
        256,
        258,
        260,
        261,
        1004,
        43000,
        55799,
    ),
    _refuse_tag,
)


def parse_senml(payload: bytes) -> list[RawRecord]:
    """Return the records of a pack; JSON begins with ``[``, everything else is CBOR.

    Raises:
        PayloadError: The payload is no SenML pack.
    """
    if payload[:1] == b"[" or payload.lstrip(b" \t\r\n")[:1] in b"[{":
        return parse_senml_json(payload)
    return parse_senml_cbor(payload)


def parse_senml_json(payload: bytes) -> list[RawRecord]:
    """Return the records of a SenML pack in JSON (RFC 8428 section 5).

    Raises:
        PayloadError: Too large, no JSON in UTF-8, a wrong type, a number beyond a double, a key
            twice, an unknown field that must be understood (4.4), or more than 1000 records.
    """
    ensure_size(payload)
    try:
        records = _decode_json(payload)
    except (ValueError, RecursionError) as error:
        raise PayloadError(f"payload is no SenML pack in JSON: {plain(error)}") from None
    document = ensure_unique_keys(payload, records)
    if document is not None:
        for position, fields in enumerate(document):
            _ensure_understood(fields, position)
    return _ensure_count(records)


def _ensure_understood(labels: Iterable[str], position: int) -> None:
    for label in labels:
        if label.endswith("_"):
            raise PayloadError(
                f"record {position} has the field {label[:60]!r}, which must be understood "
                "(RFC 8428 section 4.4) and is not; send it without"
            )


def _ensure_count(records: list[RawRecord]) -> list[RawRecord]:
    if not 0 < len(records) <= MAX_RECORDS:
        raise PayloadError(f"pack has {len(records)} records; 1 to {MAX_RECORDS} are allowed")
    return records


def parse_senml_cbor(payload: bytes) -> list[RawRecord]:
    """Return the records of a SenML pack in CBOR (RFC 8428 section 6).

    Raises:
        PayloadError: As for JSON; besides a tag other than 4, NaN or infinity, or bytes behind
            the pack.
    """
    ensure_size(payload)
    pack = _load_cbor(payload)
    if len(pack) > MAX_RECORDS:
        raise PayloadError(f"pack has {len(pack)} records; 1 to {MAX_RECORDS} are allowed")
    named = [_fields_from_cbor(fields, position) for position, fields in enumerate(pack)]
    try:
        return _ensure_count(msgspec.convert(named, list[RawRecord]))
    except msgspec.ValidationError as error:
        raise PayloadError(f"payload is no SenML pack in CBOR: {plain(error)}") from None


def _load_cbor(payload: bytes) -> list[Any]:
    stream = io.BytesIO(payload)
    decoder = cbor2.CBORDecoder(
        stream,
        tag_hook=_refuse_tag,
        semantic_decoders=_REFUSED_TAGS,
        max_depth=MAX_DEPTH,
        allow_duplicate_keys=False,
    )
    try:
        pack = decoder.decode()
    except (cbor2.CBORError, ValueError, TypeError, RecursionError) as error:
        cause = plain(error)
        if error.__cause__ and cause == str(error):
            cause = f"{error}: {error.__cause__}"
        raise PayloadError(f"payload is no SenML pack in JSON or CBOR: {cause}") from None
    if type(pack) is not list:
        raise PayloadError("payload is neither a JSON array nor a CBOR array; send a SenML pack")
    if stream.tell() != len(payload):
        behind = len(payload) - stream.tell()
        raise PayloadError(f"{behind} bytes stand behind the CBOR pack; none are allowed")
    return pack


def _fields_from_cbor(fields: object, position: int) -> dict[str, Any]:
    if type(fields) is not dict:
        raise PayloadError(
            f"record {position} is {kind_of(fields)}; allowed is a group of names and values"
        )
    named: dict[str, Any] = {}
    for key, value in fields.items():
        if type(key) is int:
            label = _CBOR_LABELS.get(key)
            if label is not None:
                named[label] = _value_from_cbor(label, value, position)
        elif type(key) is not str or key in _LABELS:
            raise PayloadError(
                f"record {position} has the key {key!r:.60}; SenML in CBOR takes the integers of "
                "RFC 8428 table 4 and text for extensions"
            )
        else:
            _ensure_understood((key,), position)
    return named


def _value_from_cbor(label: str, value: object, position: int) -> object:
    where = f"record {position}, {label}"
    if label == "vd":
        if type(value) is not bytes:
            raise PayloadError(f"{where} is {kind_of(value)}; allowed is raw bytes")
        return base64.urlsafe_b64encode(value).rstrip(b"=").decode()
    if label == "bver" and type(value) is not int:
        raise PayloadError(f"{where} is {kind_of(value)}; allowed is a whole number")
    if isinstance(value, Decimal):
        value = float(value)
    if type(value) is float and not math.isfinite(value):
        raise PayloadError(f"{where} is {value}; a finite number is allowed")
    return value
