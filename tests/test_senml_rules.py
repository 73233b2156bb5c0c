"""Rules of RFC 8428, a vector each (fixtures/check/senml_rules.json), and what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cbor2
import pytest

from envmon.errors import PayloadError
from envmon.intake.senml import Record, resolve
from envmon.intake.senml_payload import parse_senml

RULES: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "fixtures/check/senml_rules.json").read_text(encoding="utf-8")
)
BY_NAME = {rule["name"]: rule for rule in RULES["rule_vectors"]}
REFUSED = [rule for rule in RULES["rule_vectors"] if rule["expected"] in ("reject", "error")]
TAKEN = [rule for rule in RULES["rule_vectors"] if rule not in REFUSED]
NOW_US = 1_768_374_000_000_000


def resolved(pack: object) -> list[Record]:
    payload = pack if isinstance(pack, bytes) else json.dumps(pack).encode()
    return resolve(parse_senml(payload), NOW_US)


def by_rule(name: str) -> list[Record]:
    return resolved(BY_NAME[name]["pack"])


def test_every_rule_vector_is_sorted_into_taken_or_refused() -> None:
    assert len(REFUSED) == 10
    assert len(TAKEN) == 10


@pytest.mark.parametrize("rule", REFUSED, ids=lambda rule: rule["name"])
def test_refused(rule: dict[str, Any]) -> None:
    with pytest.raises(PayloadError):
        resolved(rule["pack"])


@pytest.mark.parametrize("rule", TAKEN, ids=lambda rule: rule["name"])
def test_taken(rule: dict[str, Any]) -> None:
    assert len(resolved(rule["pack"])) == len(rule["pack"])


def test_base_value_is_added() -> None:
    assert [record.v for record in by_rule("base_value_adds")] == [21.5, 19.5]


def test_base_sum_stands_for_a_missing_sum() -> None:
    assert [(record.v, record.s) for record in by_rule("base_sum_only")] == [(1, 100)]


def test_unit_overrides_base_unit_for_its_record_only() -> None:
    assert [record.unit for record in by_rule("unit_override")] == ["Cel", "%RH"]


@pytest.mark.parametrize(
    ("name", "t_us"),
    [
        ("time_relative_limit", NOW_US + 268_435_455_000_000),
        ("time_absolute_limit", 268_435_456_000_000),
        ("time_negative_from_absolute_base", NOW_US + 268_435_450_000_000),
    ],
)
def test_time_below_2_to_the_28_is_relative_to_now(name: str, t_us: int) -> None:
    assert [record.t_us for record in by_rule(name)] == [t_us]


def test_unknown_label_is_ignored_and_case_matters() -> None:
    assert [record.name for record in by_rule("label_case")] == ["b"]


def test_field_to_be_understood_is_named_in_the_message() -> None:
    with pytest.raises(PayloadError, match=r"record 0 has the field 'crit_'"):
        by_rule("field_ending_underscore")


def test_field_to_be_understood_is_found_in_cbor() -> None:
    with pytest.raises(PayloadError, match="crit_"):
        resolved(cbor2.dumps([{0: "a", 2: 1, "crit_": 2}]))


def test_unknown_label_is_ignored_in_cbor() -> None:
    assert len(resolved(cbor2.dumps([{0: "a", 2: 1, "foo": [2], 30: 1}]))) == 1


def test_versions_may_not_differ_in_a_pack() -> None:
    # RFC 8428 section 4.4 (from memory): all records of a pack have one version.
    with pytest.raises(PayloadError, match="one version"):
        resolved([{"n": "a", "v": 1}, {"bver": 5, "n": "b", "v": 1}])


@pytest.mark.parametrize("version", [0, -1, 11, 25, 2**40])
def test_version_not_understood(version: int) -> None:
    with pytest.raises(PayloadError, match="bver is"):
        resolved([{"bver": version, "n": "a", "v": 1}])


def test_version_with_secondary_units_is_understood() -> None:
    # RFC 9100 (from memory): 10 plus 2**4 for the feature "secondary units".
    assert resolved([{"bver": 26, "n": "a", "u": "hPa", "v": 1}])[0].bver == 26


@pytest.mark.parametrize("fields", [{"v": 1, "vb": True}, {"vs": "a", "vd": "YQ"}])
def test_two_values_in_a_record(fields: dict[str, object]) -> None:
    # RFC 8428 section 4.2
    with pytest.raises(PayloadError, match="one is allowed"):
        resolved([{"n": "a"} | fields])


@pytest.mark.parametrize("name", ["", "a b", "-a", "a\n", "é", "a\x00"])
def test_name_not_allowed(name: str) -> None:
    # RFC 8428 section 4.5.1; name_regex of the rule file
    with pytest.raises(PayloadError, match="name is"):
        resolved([{"n": name, "v": 1}])


def test_records_come_in_the_order_of_time() -> None:
    # RFC 8428 section 4.6
    records = resolved(
        [{"bn": "a", "bt": 1768374000.0, "v": 3}, {"t": -2, "v": 1}, {"t": -1, "v": 2}]
    )

    assert [record.v for record in records] == [1, 2, 3]


@pytest.mark.parametrize(
    ("base", "own", "t_us"),
    [
        ("1768374000.123", "0", 1_768_374_000_123_000),
        ("1768374000.123457", "0.000001", 1_768_374_000_123_458),
        ("4102444799.999999", "-0.999999", 4_102_444_799_000_000),
        ("2200811971.545614", "0.000249", 2_200_811_971_545_863),
        ("1.768374e9", "-5.1", 1_768_373_994_900_000),
    ],
)
def test_time_is_exact_to_the_microsecond(base: str, own: str, t_us: int) -> None:
    # Decimal arithmetic by hand: base + own, in µs.
    pack = f'[{{"bt":{base},"n":"a","t":{own},"v":1}}]'.encode()

    assert resolved(pack)[0].t_us == t_us


@pytest.mark.parametrize("time", ["1e11", "-1e11", "1e300"])
def test_time_out_of_all_bounds(time: str) -> None:
    with pytest.raises(PayloadError, match="time is"):
        resolved(f'[{{"n":"a","t":{time},"v":1}}]'.encode())


# A pack a receiver must not take, by what is wrong with it. Grammar: RFC 8259; types: RFC 8428
# table 2; duplicate names: RFC 8259 section 4 leaves them open, so they are refused.
MALFORMED = {
    "boolean as number": b'[{"n":"a","v":true}]',
    "text as number": b'[{"n":"a","v":"20.5"}]',
    "null": b'[{"n":"a","v":null}]',
    "NaN": b'[{"n":"a","v":NaN}]',
    "Infinity": b'[{"n":"a","v":-Infinity}]',
    "beyond a double": b'[{"n":"a","v":1e999}]',
    "400 digits": b'[{"n":"a","v":' + b"9" * 400 + b"}]",
    "5000 digits in an unknown field": b'[{"n":"a","v":1,"x":' + b"9" * 5000 + b"}]",
    "number as name": b'[{"n":5,"v":1}]',
    "number as text": b'[{"n":"a","vs":1}]',
    "version as text": b'[{"bver":"10","n":"a","v":1}]',
    "duplicate number": b'[{"n":"a","v":1,"v":2}]',
    "duplicate text": b'[{"n":"a","n":"b","v":1}]',
    "duplicate by escape": b'[{"n":"a","v":1,"\\u0076":2}]',
    "duplicate unknown": b'[{"n":"a","v":1,"x":1,"x":1}]',
    "duplicate inside unknown": b'[{"n":"a","v":1,"x":{"y":1,"y":1}}]',
    "UTF-8 broken in a name": b'[{"n":"a\xff","v":1}]',
    "UTF-8 broken in an unknown field": b'[{"n":"a","v":1,"x":"\xff"}]',
    "UTF-8 broken in an unknown key": b'[{"n":"a","v":1,"\xff":1}]',
    "surrogate in UTF-8": b'[{"n":"a","v":1,"x":"\xed\xa0\x80"}]',
    "Latin-1": '[{"n":"a","v":1,"x":"å"}]'.encode("latin-1"),
    "UTF-16": '[{"n":"a","v":1}]'.encode("utf-16"),
    "byte order mark": b'\xef\xbb\xbf[{"n":"a","v":1}]',
    "object": b'{"n":"a","v":1}',
    "number": b"20.5",
    "array of numbers": b"[1]",
    "cut off": b'[{"n":"a","v":1}',
    "more behind": b'[{"n":"a","v":1}]]',
    "two packs": b'[{"n":"a","v":1}][{"n":"a","v":1}]',
    "empty": b"",
    "blanks": b"  \n",
    "control character": b'[{"n":"a\x01","v":1}]',
    "17 levels": b'[{"n":"a","v":1,"x":' + b"[" * 15 + b"]" * 15 + b"}]",
    "thousands of levels": b'[{"n":"a","v":1,"x":' + b"[" * 30_000 + b"]" * 30_000 + b"}]",
    "thousands of open levels": b"[" * 60_000,
    "1001 records": json.dumps([{"n": "a", "v": 1}] * 1001).encode(),
    "more than 64 KiB": b'[{"n":"a","v":1}]' + b" " * 65_536,
}


@pytest.mark.parametrize("payload", MALFORMED.values(), ids=MALFORMED.keys())
def test_malformed_json_is_refused(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        parse_senml(payload)


def test_limits_are_taken_where_they_lie() -> None:
    nested = b'[{"n":"a","v":1,"x":' + b"[" * 14 + b"]" * 14 + b"}]"
    assert len(parse_senml(nested)) == 1
    assert len(parse_senml(json.dumps([{"n": "a", "v": 1}] * 1000).encode())) == 1000
    pack = b'[{"n":"a","v":1}]'
    assert len(parse_senml(pack + b" " * (65_536 - len(pack)))) == 1


def test_quotation_marks_and_brackets_in_text_raise_no_suspicion() -> None:
    text = r"[\"{" * 20
    assert len(parse_senml(f'[{{"n":"a","vs":"{text}"}}]'.encode())) == 1
    assert len(parse_senml(b'[{"n":"a","vs":"' + b"[" * 40 + b'"}]')) == 1


def test_escaped_label_counts_as_the_label() -> None:
    assert resolved(b'[{"\\u006e":"a","v":1}]')[0].name == "a"
