"""Whatever bytes come: readings or a PayloadError, never anything else."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import cbor2
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from envmon.errors import PayloadError
from envmon.intake.decode import Decoder
from envmon.shop.models import Point

if TYPE_CHECKING:
    from envmon.facts import Reading

NOW_US = 1_768_374_001_000_000
READS = {"air_temp_c": {"name": "t", "pointer": "/t"}, "door_open": {"name": "d", "pointer": "/d"}}
DECODER = Decoder(
    [
        Point.model_validate({"id": f, "topic": f, "format": f, "reads": READS})
        for f in ("senml", "json", "number")
    ],
    {},
    [],
)
# RFC 8428 section 6, table of CBOR labels
CBOR_LABELS = {"bn": -2, "bt": -3, "bu": -4, "bv": -5, "n": 0, "u": 1, "v": 2, "vb": 4, "t": 6}

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=4)
    | st.sampled_from(["t", "d", "Cel", "%", 1768374000.5, 2**53, -1e308, 1e308, 1e-320])
)
LABELS = st.sampled_from([*CBOR_LABELS, "bs", "bver", "vs", "vd", "s", "ut", "x", "x_", "d"])
NESTED = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(LABELS, inner, max_size=3)
)
PACKS = st.lists(st.dictionaries(LABELS, NESTED, max_size=5), max_size=4)


def outcome(topic: str, payload: bytes) -> list[Reading] | None:
    try:
        readings = DECODER.decode(topic, payload, NOW_US)
    except PayloadError:
        return None
    assert readings
    assert all(math.isfinite(reading.value) for reading in readings)
    return readings


@pytest.mark.parametrize("topic", ["senml", "json", "number"])
@given(payload=st.binary(max_size=200))
@example(payload=b"\x81\xa1\x00\xf9\x7e\x00")
def test_any_bytes(topic: str, payload: bytes) -> None:
    outcome(topic, payload)
    for start in (b"[", b"\x81", b"\x81\xa2\x00\x61t\x02"):
        outcome(topic, start + payload)


@pytest.mark.parametrize("topic", ["senml", "json", "number"])
@given(pack=PACKS | NESTED)
def test_any_json(topic: str, pack: Any) -> None:
    outcome(topic, json.dumps(pack).encode())


@given(pack=PACKS)
def test_any_cbor(pack: list[dict[str, Any]]) -> None:
    labelled = [{CBOR_LABELS.get(key, key): value for key, value in r.items()} for r in pack]
    outcome("senml", cbor2.dumps(labelled))


@given(pack=PACKS, data=st.data())
def test_any_damage_to_cbor(pack: list[dict[str, Any]], data: st.DataObject) -> None:
    payload = bytearray(
        cbor2.dumps([{CBOR_LABELS.get(key, key): value for key, value in r.items()} for r in pack])
    )
    for _ in range(data.draw(st.integers(0, 4))):
        payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    outcome("senml", bytes(payload))


VALUES = st.floats(-1e6, 1e6) | st.integers(-1000, 1000)
RECORDS = st.lists(
    st.fixed_dictionaries(
        {"n": st.just("t"), "v": VALUES},
        optional={"u": st.sampled_from(["Cel", "K"]), "t": st.floats(-1e4, 100), "bv": VALUES},
    )
    | st.fixed_dictionaries({"n": st.just("d"), "vb": st.booleans()}),
    min_size=1,
    max_size=5,
)


@given(records=RECORDS, base_s=st.floats(1e9, 2e9))
def test_json_and_cbor_give_equal_readings(records: list[dict[str, Any]], base_s: float) -> None:
    pack = [{"bn": "x/", "bt": base_s}, *records]
    labelled = [{CBOR_LABELS[key]: value for key, value in record.items()} for record in pack]
    from_json = outcome("senml", json.dumps(pack).encode())

    assert from_json is not None
    assert len(from_json) == len(records)
    assert outcome("senml", cbor2.dumps(labelled)) == from_json
