"""From message to readings: topics, units, calibration, times and flags."""

from __future__ import annotations

from typing import Any

import pytest

from envmon.errors import InputError, PayloadError
from envmon.facts import Flag, Reading
from envmon.intake.decode import MAX_RESOLVED, Decoder
from envmon.shop.models import Point
from envmon.shop.points import expand_points

NOW_US = 1_768_374_001_000_000
BAYS = ("north", "south")


def point(**fields: Any) -> Point:
    return Point.model_validate({"id": "air", "topic": "t", "reads": {"air_temp_c": {}}} | fields)


def decode(payload: bytes | str, **fields: Any) -> list[Reading]:
    data = payload.encode() if isinstance(payload, str) else payload
    return Decoder([point(**fields)], {}, BAYS).decode("t", data, NOW_US)


def senml(quantity: str, value: str, unit: str = "") -> float:
    label = f',"u":"{unit}"' if unit else ""
    (reading,) = decode(f'[{{"n":"x"{label},"v":{value}}}]', reads={quantity: {"name": "x"}})
    return reading.value


def test_pack_of_two_records() -> None:
    pack = (
        '[{"bn":"n1/","bt":1768374000.123,"n":"t","u":"Cel","v":20.5},'
        '{"n":"h","u":"%RH","v":45},{"n":"battery","u":"V","v":3}]'
    )
    reads = {"air_temp_c": {"name": "t"}, "rel_hum_pct": {"name": "n1/h"}}
    t_us = 1_768_374_000_123_000

    assert decode(pack, reads=reads) == [
        Reading("air", "air_temp_c", t_us, 20.5, Flag.GOOD, NOW_US),
        Reading("air", "rel_hum_pct", t_us, 45.0, Flag.GOOD, NOW_US),
    ]


def test_pack_without_time_takes_arrival() -> None:
    (reading,) = decode('[{"n":"air_temp_c","v":20}]')

    assert (reading.t_us, reading.seen_us) == (NOW_US, NOW_US)


def test_name_may_stand_behind_the_base_name_but_not_inside_the_name() -> None:
    assert decode('[{"bn":"x/","n":"t","v":1}]', reads={"air_temp_c": {"name": "t"}})
    with pytest.raises(PayloadError, match="none of the records t"):
        decode('[{"n":"x/t","v":1}]', reads={"air_temp_c": {"name": "t"}})


# Expected by hand from the definition of each symbol: RFC 8428 section 12.1 and RFC 8798
# section 3 (senml_rules.json has both lists).
@pytest.mark.parametrize(
    ("quantity", "value", "unit", "expected"),
    [
        ("rel_hum_pct", "45", "%RH", 45),
        ("rel_hum_pct", "0.45", "%", 45),
        ("rel_hum_pct", "0.45", "/", 45),
        ("rel_hum_pct", "45", "/100", 45),
        ("rel_hum_pct", "45", "", 45),
        ("air_temp_c", "293.15", "K", 20),
        ("air_temp_c", "20", "Cel", 20),
        ("air_pressure_pa", "1013.25", "hPa", 101_325),
        ("air_pressure_pa", "101325", "Pa", 101_325),
        ("vapour_ppm", "0.0001", "/", 100),
        ("vapour_ppm", "0.0001", "%", 100),
        ("vapour_ppm", "100", "ppm", 100),
        ("vapour_ppm", "100", "", 100),
        ("vapour_ppm", "0.1", "/1000", 100),
        ("energy_kwh", "7.2e6", "J", 2),
        ("energy_kwh", "2000", "Wh", 2),
        ("energy_kwh", "2", "kWh", 2),
        ("heater_power_w", "3", "kW", 3000),
        ("particulate_ug_m3", "5e-8", "kg/m3", 50),
        ("particulate_ug_m3", "50", "ug/m3", 50),
        ("fuel_m3", "1500", "l", 1.5),
        ("fuel_l", "1.5", "m3", 1500),
        ("door_open", "1", "/", 1),
    ],
)
def test_unit_by_symbol(quantity: str, value: str, unit: str, expected: float) -> None:
    assert senml(quantity, value, unit) == pytest.approx(expected, rel=1e-12)


def test_unit_of_the_shop_file_holds_where_the_pack_has_none() -> None:
    pack = '[{"n":"air_temp_c","v":68},{"n":"air_temp_c","u":"Cel","v":1}]'

    assert [r.value for r in decode(pack, reads={"air_temp_c": {"unit": "°F"}})] == [
        pytest.approx(20),
        1,
    ]


@pytest.mark.parametrize(("quantity", "unit"), [("air_temp_c", "V"), ("rel_hum_pct", "Cel")])
def test_unit_of_another_dimension(quantity: str, unit: str) -> None:
    with pytest.raises(PayloadError, match=f"unit is '{unit}' for {quantity}; allowed: "):
        senml(quantity, "1", unit)


def test_calibration_is_gain_then_offset_in_the_quantity_unit() -> None:
    calibrations = {("air", "air_temp_c"): (1.02, -0.5)}
    decoder = Decoder([point()], calibrations, BAYS)
    (reading,) = decoder.decode("t", b'[{"n":"air_temp_c","u":"K","v":293.15}]', NOW_US)

    assert reading.value == pytest.approx(1.02 * 20 - 0.5)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        ("21.2346", "", 21.235),
        ("21.2344", "", 21.234),
        ("-21.2346", "", -21.235),
        ("-0.0004", "", 0.0),
        ("68.1", "°F", 20.056),  # 36.1 / 1.8 = 20.0555...
        ("293.1501", "K", 20.0),
    ],
)
def test_values_are_kept_in_whole_thousandths(value: str, unit: str, expected: float) -> None:
    """After conversion and calibration, in the unit of the quantity; in every format."""
    reads = {"air_temp_c": {"name": "t", "pointer": "/t", "unit": unit or None}}
    packs = {"senml": f'[{{"n":"t","v":{value}}}]', "json": f'{{"t":{value}}}', "number": value}
    for payload_format, payload in packs.items():
        (reading,) = decode(payload, reads=reads, format=payload_format)
        assert reading.value == expected


def test_value_is_kept_in_thousandths_after_calibration() -> None:
    calibrations = {("air", "air_temp_c"): (1.001, 0.0004)}
    (reading,) = Decoder([point()], calibrations, BAYS).decode(
        "t", b'[{"n":"air_temp_c","v":20.01}]', NOW_US
    )
    assert reading.value == 20.03  # 20.03001 + 0.0004 = 20.03041


@pytest.mark.parametrize(
    ("value", "kept", "flag"),
    [("103.0004", 103.0, Flag.GOOD), ("103.0006", 103.001, Flag.RANGE)],
)
def test_range_is_judged_by_the_kept_value(value: str, kept: float, flag: Flag) -> None:
    (reading,) = decode(f'[{{"n":"rel_hum_pct","v":{value}}}]', reads={"rel_hum_pct": {}})
    assert (reading.value, reading.flag) == (kept, flag)


@pytest.mark.parametrize(
    ("payload_format", "payload"),
    [("senml", b'[{"n":"air_temp_c","v":20}]'), ("json", b'{"air_temp_c":20}'), ("number", b"20")],
)
def test_message_taken_in_with_others_is_seen_when_they_are(
    payload_format: str, payload: bytes
) -> None:
    decoder = Decoder([point(format=payload_format)], {}, BAYS)
    (reading,) = decoder.decode("t", payload, NOW_US, NOW_US + 7)
    assert (reading.t_us, reading.seen_us) == (NOW_US, NOW_US + 7)


def test_calibration_of_a_filled_in_point_wins_over_that_of_its_template() -> None:
    points = [point(id="{1}-air", bay="{1}", topic="b/+/air", format="number")]
    calibrations = {("{1}-air", "air_temp_c"): (1.0, 1.0), ("north-air", "air_temp_c"): (1.0, 2.0)}
    decoder = Decoder(points, calibrations, BAYS)

    assert decoder.decode("b/north/air", b"20", NOW_US)[0].value == 22
    assert decoder.decode("b/south/air", b"20", NOW_US)[0].value == 21


@pytest.mark.parametrize("value", ["-61", "81", "1e15"])
def test_value_no_working_sensor_sends_is_flagged_and_kept(value: str) -> None:
    (reading,) = decode(value, format="number")

    assert (reading.value, reading.flag) == (float(value), Flag.RANGE)


@pytest.mark.parametrize(
    ("ahead_s", "flag"), [(-3600, Flag.GOOD), (120, Flag.GOOD), (121, Flag.CLOCK)]
)
def test_time_ahead_of_arrival_is_flagged_and_kept(ahead_s: int, flag: Flag) -> None:
    t_s = NOW_US // 1_000_000 + ahead_s
    (reading,) = decode(f'[{{"n":"air_temp_c","t":{t_s},"v":20}}]')

    assert (reading.t_us, reading.flag) == (t_s * 1_000_000, flag)


def test_both_flags() -> None:
    (reading,) = decode('[{"n":"air_temp_c","t":1768375000,"v":99}]')

    assert reading.flag == Flag.CLOCK | Flag.RANGE


@pytest.mark.parametrize("t_s", ["268435456", "946684799.9", "4102444800", "9e10", "-1e10"])
def test_time_before_2000_or_from_2100(t_s: str) -> None:
    # 2000-01-01 is 946684800 s, 2100-01-01 is 4102444800 s (POSIX time)
    with pytest.raises(PayloadError, match="has the time"):
        decode(f'[{{"n":"air_temp_c","t":{t_s},"v":20}}]')


def test_time_of_a_record_not_asked_for_may_be_absurd() -> None:
    assert len(decode('[{"n":"x","t":9e10,"v":1},{"n":"air_temp_c","v":20}]')) == 1


@pytest.mark.parametrize("value", ["9007199254740992", "-1e300"])
def test_number_beyond_2_to_the_53(value: str) -> None:
    with pytest.raises(PayloadError, match="below 9 007 199 254 740 992"):
        senml("air_temp_c", value)
    assert len(decode(f'[{{"n":"id","v":{value}}},{{"n":"air_temp_c","v":20}}]')) == 1


@pytest.mark.parametrize("field", ['"vs":"20"', '"vb":true', '"vd":"YQ"', '"s":20'])
def test_asked_record_without_number(field: str) -> None:
    with pytest.raises(PayloadError, match="brings air_temp_c without v"):
        decode(f'[{{"n":"air_temp_c",{field}}}]')


@pytest.mark.parametrize(
    ("payload", "fields"),
    [
        (b'[{"n":"door_open","vb":true}]', {}),
        (b'[{"n":"door_open","v":1}]', {}),
        (b"\x81\xa2\x00\x69door_open\x04\xf5", {}),
        (b'{"door_open":true}', {"format": "json"}),
        (b'{"door_open":1}', {"format": "json"}),
        (b"on", {"format": "number"}),
    ],
)
def test_state_is_one(payload: bytes, fields: dict[str, Any]) -> None:
    (reading,) = decode(payload, reads={"door_open": {}}, **fields)

    assert (reading.value, reading.flag) == (1.0, Flag.GOOD)


def test_state_between_off_and_on() -> None:
    with pytest.raises(PayloadError, match="a state is 0 or 1"):
        senml("door_open", "0.5")


def test_json_by_pointer() -> None:
    reads = {
        "air_temp_c": {"pointer": "/env/0/t", "unit": "°F"},
        "rel_hum_pct": {"pointer": "/env/0/a~1b"},
        "panel_temp_c": {"pointer": "/not/there"},
    }
    readings = decode('{"env":[{"t":68,"a/b":45}]}', format="json", reads=reads)

    assert [(r.quantity, r.value, r.t_us) for r in readings] == [
        ("air_temp_c", pytest.approx(20), NOW_US),
        ("rel_hum_pct", 45, NOW_US),
    ]


@pytest.mark.parametrize("value", ["true", '"20"', "null", "[20]", "{}", "9007199254740993"])
def test_json_value_that_is_no_number(value: str) -> None:
    with pytest.raises(PayloadError, match="/air_temp_c is"):
        decode(f'{{"air_temp_c":{value}}}', format="json")


def test_json_with_nothing_asked_for() -> None:
    with pytest.raises(PayloadError, match="nothing at /air_temp_c"):
        decode('{"t":20}', format="json")


def test_topic_no_point_claims() -> None:
    with pytest.raises(PayloadError, match="no point claims this topic"):
        Decoder([point()], {}, BAYS).decode("u", b"20", NOW_US)


def test_two_points_on_one_topic() -> None:
    points = [point(), point(id="panel", reads={"panel_temp_c": {}})]
    pack = b'[{"n":"air_temp_c","v":20},{"n":"panel_temp_c","v":18}]'

    assert [r.point for r in Decoder(points, {}, BAYS).decode("t", pack, NOW_US)] == [
        "air",
        "panel",
    ]


def test_slots_are_filled_from_the_wildcards() -> None:
    points = [point(id="{1}-{2}", bay="{1}", topic="shop/+/+/t", format="number")]
    decoder = Decoder(points, {}, BAYS)
    (reading,) = decoder.decode("shop/north/roof/t", b"20", NOW_US)

    assert reading.point == "north-roof"
    assert decoder.bay_of("north-roof") == "north"
    assert decoder.known == {"north-roof": "north"}


def test_known_points_stand_before_the_first_message() -> None:
    points = [
        point(id="{1}-air", bay="{1}", topic="shop/+/air"),
        point(id="yard", topic="yard"),
        point(id="panel-{1}", bay="south", topic="panel/+"),
    ]

    assert Decoder(points, {}, BAYS).known == {
        "north-air": "north", "south-air": "south", "yard": None,
    }  # fmt: skip


def test_bay_that_is_not_in_the_shop_file() -> None:
    points = [point(id="{1}-air", bay="{1}", topic="shop/+/air")]
    with pytest.raises(
        PayloadError, match="names the bay 'west'; bays of the shop file: north, so"
    ):
        Decoder(points, {}, BAYS).decode("shop/west/air", b"20", NOW_US)


@pytest.mark.parametrize("level", ["Roof", "", "a b", "å", "x" * 41])
def test_level_that_makes_no_point_id(level: str) -> None:
    points = [point(id="{1}", topic="shop/+", format="number")]
    with pytest.raises(PayloadError, match="makes the point id"):
        Decoder(points, {}, BAYS).decode(f"shop/{level}", b"20", NOW_US)


def test_points_from_topics_are_bounded() -> None:
    decoder = Decoder([point(id="{1}", topic="shop/+", format="number")], {}, BAYS)
    for number in range(MAX_RESOLVED):
        decoder.decode(f"shop/{number}", b"20", NOW_US)

    with pytest.raises(PayloadError, match="points are allowed"):
        decoder.decode("shop/one-more", b"20", NOW_US)
    assert len(decoder.decode("shop/7", b"20", NOW_US)) == 1


def test_expanded_points_decode_as_their_template() -> None:
    template = [point(id="{2}-air", bay="{2}", topic="s/+/+", format="number")]
    messages = ("s/left/north", "s/right/south")
    decoders = [Decoder(points, {}, BAYS) for points in (template, expand_points(template, BAYS))]
    first, second = [[d.decode(m, b"20", NOW_US) for m in messages] for d in decoders]

    assert first == second
    assert decoders[0].known == decoders[1].known


@pytest.mark.parametrize(
    "fields",
    [
        {"id": "{2}", "topic": "a/+"},
        {"bay": "{1}", "topic": "a"},
        {"topic": "a/#"},
        {"reads": {"air_tmp_c": {}}},
        {"reads": {"dew_point_c": {}}},
    ],
)
def test_point_that_cannot_be(fields: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        Decoder([point(**fields)], {}, BAYS)


@pytest.mark.parametrize("payload_format", ["senml", "json", "number"])
@pytest.mark.parametrize("payload", [b"", b"1" * 65_537])
def test_payload_empty_or_too_large(payload: bytes, payload_format: str) -> None:
    with pytest.raises(PayloadError, match=r"payload (is empty|has 65537 bytes)"):
        decode(payload, format=payload_format)


def test_a_wildcard_that_names_no_bay_leaves_the_topic_to_the_point_that_claims_it() -> None:
    points = [
        point(id="{1}-air", bay="{1}", topic="b/+/air", format="number"),
        point(id="outdoor", topic="b/outdoor/air", format="number"),
    ]
    decoder = Decoder(points, {}, BAYS)

    assert [r.point for r in decoder.decode("b/outdoor/air", b"20", NOW_US)] == ["outdoor"]
    with pytest.raises(PayloadError, match="names the bay 'west'"):
        decoder.decode("b/west/air", b"20", NOW_US)
