"""What a payload is guessed to be: packs of RFC 8428, and JSON as small nodes send it.

fixtures/check/senml_vectors.json holds the packs the standard prints (section 5.1); units are those
of section 12.1. The JSON documents are common practice. Whether a guess is right is also asked of
the decoder that reads the payload once the point is claimed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.facts import Flag
from envmon.field.claim import Claim, Taken, with_claim
from envmon.field.guess import MOST_OFFERS, Offer, guess_of
from envmon.intake.decode import Decoder
from envmon.shop.load import check_text
from tests.points_support import SHOP

VECTORS: dict[str, list[dict[str, Any]]] = {
    vector["name"]: vector["pack"]
    for vector in json.loads(
        (Path(__file__).parents[1] / "fixtures/check/senml_vectors.json").read_text("utf-8")
    )
}
PLACES = ("air_temp_c", "panel_temp_c", "water_temp_c", "outdoor_temp_c")
NOW_US = 1_795_000_000_000_000


def offers(topic: str, document: object) -> dict[str, Offer]:
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    return {offer.place: offer for offer in guess_of(topic, payload).offers}


@pytest.mark.parametrize("name", VECTORS)
def test_every_pack_of_the_standard_is_senml(name: str) -> None:
    guess = guess_of("a/b", json.dumps(VECTORS[name]).encode())
    assert (guess.format, guess.why) == ("senml", "")


@pytest.mark.parametrize("name", ["ex1", "ex10", "ex11"])
def test_a_temperature_whose_place_nobody_says_is_left_to_the_person(name: str) -> None:
    (offer,) = offers("a/b", VECTORS[name]).values()
    assert offer.sure == "open"
    assert offer.quantities == PLACES
    assert "whether of air, panel, water or outdoor is yours to say" in offer.words


def test_a_topic_that_names_the_place_says_it() -> None:
    (offer,) = offers("shop/north/panel", VECTORS["ex1"]).values()
    assert (offer.sure, offer.quantities) == ("said", ("panel_temp_c",))


def test_a_person_who_knows_better_can_say_so() -> None:
    (offer,) = offers("shop/hall/air", VECTORS["ex1"]).values()
    assert offer.quantities == ("air_temp_c",)
    assert offer.others == ("panel_temp_c", "water_temp_c", "outdoor_temp_c")


def test_names_used_twice_in_a_pack_stay_whole() -> None:
    found = offers("a/b", VECTORS["ex6"])
    assert found["2001:db8::2/humidity"].quantities == ("rel_hum_pct",)
    assert found["2001:db8::1/temperature"].value == 12.3


def test_voltage_current_and_position_are_nothing_to_claim() -> None:
    for name in ("ex2", "ex3", "ex5"):
        assert [offer.quantities for offer in offers("a/b", VECTORS[name]).values()
                if offer.sure != "none"] == []  # fmt: skip


def test_cbor_is_told_from_json() -> None:
    payload = cbor2.dumps([{-2: "hall:", 0: "temp", 1: "Cel", 2: 21.5}])
    guess = guess_of("shop/air", payload)
    assert guess.format == "senml"
    assert guess.offers[0].place == "temp"


def test_a_pack_says_its_time_only_when_it_is_absolute() -> None:
    assert guess_of("x", b'[{"n":"t","u":"Cel","v":1,"t":1.5e9}]').t_us == 1_500_000_000_000_000
    assert guess_of("x", b'[{"n":"t","u":"Cel","v":1,"t":-5}]').t_us is None


def test_a_ratio_that_cannot_be_one_is_said_so() -> None:
    """RFC 8428, 12.1: % is a ratio, so 45 of it would be 4500 %RH."""
    (offer,) = offers("x", [{"n": "rh", "u": "%", "v": 45}]).values()
    assert offer.sure == "none"
    assert "cannot be one" in offer.words


@pytest.mark.parametrize(
    ("topic", "document", "place", "quantities", "sure", "unit"),
    [
        ("z/1", {"temperature": 21.3, "humidity": 40}, "/temperature", PLACES, "open", ""),
        ("z/1", {"temperature": 21.3, "humidity": 40}, "/humidity", ("rel_hum_pct",), "said", ""),
        ("z/1", {"airTempF": 68.0}, "/airTempF", ("air_temp_c",), "said", "°F"),
        ("z/outside", {"t": 21, "rh": 60}, "/rh", ("outdoor_rel_hum_pct",), "said", ""),
        ("z/1", {"t": 21.3}, "/t", PLACES, "open", ""),
        ("z/air", {"t": 21.3}, "/t", ("air_temp_c",), "thin", ""),
        ("z/1", {"env": {"p": 1.0, "pressure_hpa": 1013.2}}, "/env/pressure_hpa",
         ("air_pressure_pa",), "said", "hPa"),
        ("z/1", {"value": 70, "unit": "degF"}, "/value", PLACES, "open", "°F"),
        ("z/1", {"a/b": {"door": True}}, "/a~1b/door", ("door_open",), "said", ""),
        ("z/door", b"on", "", ("door_open",), "thin", ""),
        ("z/water", b"38.5", "", ("water_temp_c",), "thin", ""),
        ("z/1", {"heater": {"on": False}}, "/heater/on", ("heater_on",), "said", ""),
        ("z/1", {"energy_kwh": 123.4}, "/energy_kwh", ("energy_kwh",), "said", "kWh"),
        ("z/1", {"dewpoint": 3.0}, "/dewpoint", (), "none", ""),
        ("z/1", {"linkquality": 100}, "/linkquality", (), "none", ""),
        ("z/1", {"temperature": 900}, "/temperature", (), "none", ""),
    ],
)  # fmt: skip
def test_a_number_is_guessed_by_name_unit_and_size(
    topic: str, document: object, place: str, quantities: tuple[str, ...], sure: str, unit: str
) -> None:
    offer = offers(topic, document)[place]
    assert (offer.quantities, offer.sure, offer.unit) == (quantities, sure, unit)


@pytest.mark.parametrize(
    ("document", "text"),
    [
        ({"battery": 87, "t": 1}, "87 %"),
        ({"vbat": 3.012}, "3.01 V"),
        ({"battery_mv": 2995}, "3.00 V"),
        ([{"n": "bat", "u": "%EL", "v": 81}], "81 %"),
        ([{"n": "battery", "u": "V", "v": 2.9}], "2.90 V"),
        ([{"n": "left", "u": "EL", "v": 7200}], "2 h left"),
        ({"t": 21}, ""),
        ([{"n": "battery", "u": "V", "v": 1e308}], ""),
        ([{"n": "battery", "u": "mV", "v": -5}], ""),
        ([{"n": "bat", "u": "%EL", "v": 1e30}], ""),
        ([{"n": "left", "u": "EL", "v": 1e30}], ""),
    ],
)
def test_a_battery_is_read(document: object, text: str) -> None:
    """%EL and EL are units of RFC 8428, 12.1: remaining battery in per cent, and in seconds."""
    assert guess_of("x", json.dumps(document).encode()).battery == text


@pytest.mark.parametrize(
    ("payload", "word"),
    [
        (b"open sesame", "text"),
        (b"", "empty"),
        (b'{"t": "21"}', "quotes"),
        (b"\xff\xfe\0", "SenML"),
    ],
)
def test_what_cannot_be_read_says_why(payload: bytes, word: str) -> None:
    guess = guess_of("x", payload)
    assert guess.offers == ()
    assert word in guess.why


@given(st.text(max_size=40), st.binary(max_size=200))
def test_no_bytes_are_too_odd(topic: str, payload: bytes) -> None:
    guess = guess_of(topic, payload)
    assert len(guess.offers) <= MOST_OFFERS


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(st.text(max_size=40), JSON)
def test_no_document_is_too_odd(topic: str, document: object) -> None:
    guess = guess_of(topic, json.dumps(document).encode())
    assert len(guess.offers) <= MOST_OFFERS


PAYLOADS = [
    *((name, json.dumps(pack).encode()) for name, pack in VECTORS.items()),
    ("json", b'{"temperature":21.3,"humidity":40.2,"pressure_hpa":1001,"x":7,"d/o~r":true}'),
    ("fahrenheit", b'{"outdoor":{"tempF":14.2,"rh":70}}'), ("number", b"23.5"), ("state", b"off"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "payload"), PAYLOADS)
def test_what_is_offered_is_read_once_it_is_claimed(name: str, payload: bytes) -> None:
    """Each offer, as its first quantity, through the shop file to a reading in range."""
    guess = guess_of("z/1", payload)
    for offer in guess.offers:
        for quantity in (*offer.quantities, *offer.others):
            unit = "" if offer.in_payload else offer.unit
            bay = None if quantity.startswith("outdoor_") else "north"
            claim = Claim("new", bay, "z/1", guess.format, (Taken(quantity, offer.place, unit),))
            shop, faults = check_text(with_claim(SHOP, claim), "shop.toml")
            assert shop is not None, (name, faults)
            readings = Decoder(shop.point, {}, ["north", "south"]).decode("z/1", payload, NOW_US)
            assert {reading.quantity for reading in readings} == {quantity}
            assert all(not reading.flag & Flag.RANGE for reading in readings)
