"""SenML packs of RFC 8428 and what they resolve to; fixtures/check/senml_vectors.json."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cbor2
import msgspec
import pytest

from envmon.errors import PayloadError
from envmon.intake.senml import Record, resolve
from envmon.intake.senml_payload import parse_senml, parse_senml_cbor, parse_senml_json

VECTORS: list[dict[str, Any]] = json.loads(
    (Path(__file__).parents[1] / "fixtures/check/senml_vectors.json").read_text(encoding="utf-8")
)
NOW_US = 1_498_780_179_000_000
# RFC 8428 section 6, table of CBOR labels, written out apart from the code.
CBOR_LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7,
}  # fmt: skip


def plain(record: Record) -> dict[str, Any]:
    """Return a record as the resolved files print it, time in µs."""
    fields: dict[str, Any] = msgspec.to_builtins(record)
    fields["n"] = fields.pop("name")
    del fields["end"]
    if "unit" in fields:
        fields["u"] = fields.pop("unit")
    return fields


def expected(vector: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the resolved records of the file in the order of time (RFC 8428 section 4.6)."""
    records = vector.get("resolved_by_independent_reading", vector["resolved"])
    version = next((r["bver"] for r in vector["pack"] if "bver" in r), None)
    rows = []
    for record in records:
        row = {key: value for key, value in record.items() if key != "t"}
        row["t_us"] = round(record["t"] * 1e6)
        rows.append(row if version is None else row | {"bver": version})
    return sorted(rows, key=lambda row: row["t_us"])


def now_us(vector: dict[str, Any]) -> int:
    now_s: float = vector.get("now_used", 1_500_000_000.0)
    return round(now_s * 1e6)


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["name"])
def test_json_pack_resolves_as_the_working_group_has_it(vector: dict[str, Any]) -> None:
    records = resolve(parse_senml_json(json.dumps(vector["pack"]).encode()), now_us(vector))

    assert [plain(record) for record in records] == expected(vector)


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["name"])
def test_cbor_pack_resolves_as_the_json_one(vector: dict[str, Any]) -> None:
    pack = [
        {
            (8 if key == "vd" else CBOR_LABELS[key]): (
                b"hi \n" if key == "vd" else value  # aGkgCg in base64url (RFC 4648)
            )
            for key, value in record.items()
        }
        for record in vector["pack"]
    ]
    payload = cbor2.dumps(pack)

    assert resolve(parse_senml(payload), now_us(vector)) == resolve(
        parse_senml(json.dumps(vector["pack"]).encode()), now_us(vector)
    )


def test_data_value_is_kept_although_the_resolved_file_lost_it() -> None:
    # RFC 8428 section 5.1.5 and 4.6; the caveat stands in the vector "ex7".
    vector = next(vector for vector in VECTORS if vector["name"] == "ex7")
    records = resolve(parse_senml(json.dumps(vector["pack"]).encode()), now_us(vector))

    assert [record.vd for record in records][-1] == "aGkgCg"
    assert len(records) == len(vector["resolved"]) + 1


def test_record_of_base_fields_only_sets_the_base_and_yields_nothing() -> None:
    # RFC 8428 section 5.1.7, first example; caveat in the vector "ex9".
    records = resolve(parse_senml(b'[{"bn":"x:","bu":"Cel"},{"n":"t","v":1}]'), NOW_US)

    assert [(record.name, record.unit) for record in records] == [("x:t", "Cel")]


@pytest.mark.parametrize(
    "pack", [b'[{"bn":"x:","u":"Cel"}]', b'[{"bn":"x:","n":"t"}]', b"[{}]", b'[{"bn":"x","t":1}]']
)
def test_record_with_own_fields_but_no_value_is_refused(pack: bytes) -> None:
    # RFC 8428 section 4.2
    with pytest.raises(PayloadError, match="neither a value"):
        resolve(parse_senml(pack), NOW_US)


def test_version_5_is_kept_in_the_records() -> None:
    # RFC 8428 section 4.6: a version other than 10 stands in every resolved record.
    vector = next(vector for vector in VECTORS if vector["name"] == "ex3")
    records = resolve(parse_senml(json.dumps(vector["pack"]).encode()), NOW_US)

    assert {record.bver for record in records} == {5}


def test_cbor_example_of_the_standard_equals_its_json() -> None:
    # RFC 8428 section 6: the dump of the example of section 5.1.2, as in the working group's
    # repository core-wg/senml-spec, file ex3.gen.cbor.hex.
    payload = bytes.fromhex(
        "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a"
        "22fb41d303a15b00106223614120050067766f6c7461676501615602fb405e06"
        "6666666666a3006763757272656e74062402fb3ff3333333333333a300676375"
        "7272656e74062302fb3ff4cccccccccccda3006763757272656e74062202fb3f"
        "f6666666666666a3006763757272656e74062102f93e00a3006763757272656e"
        "74062002fb3ff999999999999aa3006763757272656e74060002fb3ffb333333"
        "333333"
    )
    pack = next(vector["pack"] for vector in VECTORS if vector["name"] == "ex3")
    from_json = resolve(parse_senml_json(json.dumps(pack).encode()), NOW_US)

    assert resolve(parse_senml_cbor(payload), NOW_US) == from_json
