"""Readings per second of the decoder, beside what plain Python needs for the same payloads.

Run as ``python tests/benchmarks/decode.py``. Each figure is the best of several rounds; compare
the ratios, as absolute figures follow the machine.
"""

from __future__ import annotations

import json
import timeit
from typing import TYPE_CHECKING

import cbor2
import jsonpointer

from envmon.intake import senml_payload
from envmon.intake.decode import Decoder
from envmon.intake.json_payload import (
    ensure_unique_keys,
    parse_json,
    tokens_from_pointer,
    value_at,
)
from envmon.intake.senml import resolve
from envmon.shop.models import Point

if TYPE_CHECKING:
    from collections.abc import Callable

NOW_US = 1_768_374_001_000_000
AIR = {"air_temp_c": {"name": "t"}, "rel_hum_pct": {"name": "h"}}
POINTED = {"air_temp_c": {"pointer": "/env/t"}, "rel_hum_pct": {"pointer": "/env/h"}}
PACK = (
    b'[{"bn":"north/air/","bt":1768374000.123,"n":"t","u":"Cel","v":20.5},'
    b'{"n":"h","u":"%RH","v":45}]'
)
SUSPICIOUS = PACK.replace(b'"n":"h"', b'"n":"\\u0068"')
CBOR = cbor2.dumps(
    [
        {-2: "north/air/", -3: 1768374000.123, 0: "t", 1: "Cel", 2: 20.5},
        {0: "h", 1: "%RH", 2: 45},
    ]
)
DOCUMENT = b'{"env":{"t":20.5,"h":45},"battery":3.01,"id":"a7"}'


def decoder() -> Decoder:
    """Return a decoder of five points."""
    points = [
        Point.model_validate({"id": "air", "topic": "air", "reads": AIR}),
        Point.model_validate({"id": "{1}-air", "bay": "{1}", "topic": "bay/+/air", "reads": AIR}),
        Point.model_validate({"id": "js", "topic": "js", "format": "json", "reads": POINTED}),
        Point.model_validate(
            {"id": "num", "topic": "num", "format": "number", "reads": {"air_temp_c": {}}}
        ),
        Point.model_validate({"id": "other", "topic": "other", "reads": AIR}),
    ]
    return Decoder(points, {("air", "air_temp_c"): (1.01, -0.2)}, ["north", "south"])


def micros(call: Callable[[], object]) -> float:
    """Return the time of one call, best of seven rounds [µs]."""
    return min(timeit.repeat(call, number=5000, repeat=7)) / 5000 * 1e6


def bare_json() -> list[float]:
    """Read the two numbers of the pack without looking at anything."""
    return [float(record["v"]) for record in json.loads(PACK)]


def bare_cbor() -> list[float]:
    """Read the two numbers of the CBOR pack without looking at anything."""
    return [float(record[2]) for record in cbor2.loads(CBOR)]


def report() -> None:
    """Print the table."""
    ours = decoder()
    decoded = senml_payload._decode_json(PACK)
    raw = senml_payload.parse_senml_json(PACK)
    document = parse_json(DOCUMENT)
    tokens = tokens_from_pointer("/env/t")
    pointer = jsonpointer.JsonPointer("/env/t")
    rows: list[tuple[str, int, Callable[[], object]]] = [
        ("bare json.loads + float, pack", 2, bare_json),
        ("bare cbor2.loads + float, pack", 2, bare_cbor),
        ("bare json.loads, document", 2, lambda: json.loads(DOCUMENT)),
        ("bare float(bytes)", 1, lambda: float(b"20.5")),
        ("decode SenML JSON", 2, lambda: ours.decode("air", PACK, NOW_US)),
        ("decode SenML JSON, + topic", 2, lambda: ours.decode("bay/north/air", PACK, NOW_US)),
        ("decode SenML JSON with escapes", 2, lambda: ours.decode("air", SUSPICIOUS, NOW_US)),
        ("decode SenML CBOR", 2, lambda: ours.decode("air", CBOR, NOW_US)),
        ("decode JSON by pointer", 2, lambda: ours.decode("js", DOCUMENT, NOW_US)),
        ("decode number", 1, lambda: ours.decode("num", b"20.5", NOW_US)),
        ("  part: typed JSON decode", 2, lambda: senml_payload._decode_json(PACK)),
        ("  part: duplicate keys", 2, lambda: ensure_unique_keys(PACK, decoded)),
        ("  part: parse SenML JSON", 2, lambda: senml_payload.parse_senml_json(PACK)),
        ("  part: parse SenML CBOR", 2, lambda: senml_payload.parse_senml_cbor(CBOR)),
        ("  part: resolve", 2, lambda: resolve(raw, NOW_US)),
        ("  part: own pointer walk", 1, lambda: value_at(document, tokens)),
        ("  part: jsonpointer library", 1, lambda: pointer.resolve(document, None)),
    ]
    print(f"{'what':34} {'µs/message':>10} {'readings/s':>12}")
    for name, count, call in rows:
        each_us = micros(call)
        print(f"{name:34} {each_us:10.2f} {count / each_us * 1e6:12,.0f}")


if __name__ == "__main__":
    report()
