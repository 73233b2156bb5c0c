"""A forecast is kept apart from readings, gives way to a later one, and is nothing else than that.

Source of the message: RFC 8428 (SenML), sections 4.5.3 (times relative to now) and 4.6 (records
resolve to a time each). Source of retained messages: OASIS MQTT 3.1.1, section 3.3.1.3.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import DAY_US, HOUR_US, SECOND_US
from envmon.errors import InputError
from envmon.facts import Foretold
from envmon.guard.plan import plan_from_shop
from envmon.intake.decode import Decoder
from envmon.intake.health_rules import health_rules
from envmon.intake.link import Message
from envmon.shop.load import check_text
from envmon.store.sqlite import SqliteStore
from tests.guard_support import SHOP, START_US, shop_from
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path

POINT = """
[[point]]
id = "weather"
topic = "hall/weather"
reads = { outdoor_forecast_c = { name = "temp" } }
"""
TEXT = SHOP + POINT
H_S = 3_600.0


def pack(*pairs: tuple[float, float], base_s: float = 0.0) -> bytes:
    """Return a forecast: (hours behind the test's start, °C), with times of its own."""
    records: list[dict[str, Any]] = [
        {"n": "temp", "u": "Cel", "v": temp_c, "t": hours * H_S} for hours, temp_c in pairs
    ]
    records[0]["bt"] = START_US / 1e6 + base_s
    return json.dumps(records).encode()


def kept(store: SqliteStore) -> list[tuple[float, float]]:
    return [((one.t_us - START_US) / HOUR_US, one.temp_c) for one in store.foretold()]


def test_times_to_come_are_kept_and_are_no_readings(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, TEXT)
    said = [(-2.0, -3.0), (1.0, -4.5), (2.0, -6.0), (240.0, -9.0)]
    assert watch.turn(10, ("hall/weather", pack(*said))) == 1
    assert kept(watch.store) == said
    assert {one.heard_us - START_US for one in watch.store.foretold()} == {10 * SECOND_US}
    assert list(watch.store.readings(0, 2**62)) == []
    assert watch.store.series() == {}
    assert watch.link.acknowledged == [pack(*said)]


def test_a_later_one_takes_the_place_of_an_earlier_one_over_its_whole_span(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, TEXT)
    first = [(0.0, -1.0), (1.0, -2.0), (2.0, -3.0), (3.0, -4.0), (6.0, -5.0)]
    watch.turn(10, ("hall/weather", pack(*first)))
    watch.turn(20, ("hall/weather", pack((0.5, -10.0), (3.0, -12.0))))
    assert kept(watch.store) == [(0.0, -1.0), (0.5, -10.0), (3.0, -12.0), (6.0, -5.0)]


def test_two_in_one_turn_and_one_delivered_again(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, TEXT)
    early, late = pack((1.0, -2.0), (2.0, -3.0)), pack((1.0, -8.0), (2.0, -9.0))
    watch.turn(10, ("hall/weather", early), ("hall/weather", late), ("hall/weather", late))
    assert kept(watch.store) == [(1.0, -8.0), (2.0, -9.0)]


def test_what_is_over_for_a_day_is_forgotten(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, TEXT)
    watch.turn(0, ("hall/weather", pack((0.0, -2.0), (5.0, -3.0))))
    watch.turn(26 * H_S, ("hall/weather", pack((27.0, 1.0))))
    assert kept(watch.store) == [(5.0, -3.0), (27.0, 1.0)]


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (pack((1.0, -4.0), (241.0, -4.0)), "10 days ahead is allowed"),
        (pack((1.0, -4.0), (2.0, 75.0)), "-60 to 60 is allowed"),
        (b'[{"n": "temp", "u": "kPa", "v": 1}]', "unit is 'kPa'"),
        (b'[{"n": "temp", "vs": "cold"}]', "send a number"),
        (b'[{"n": "temp", "v": 3', "JSON"),
    ],
)
def test_one_that_cannot_be_read_is_refused_whole_and_counted(
    tmp_path: Path, payload: bytes, why: str
) -> None:
    watch = HandWatch(tmp_path, TEXT)
    assert watch.turn(10, ("hall/weather", payload)) == 1
    (reject,) = watch.store.rejects()
    assert why in reject.reason
    assert watch.store.reject_total() == 1
    assert watch.store.foretold() == []


def test_a_sensor_may_still_not_speak_of_times_to_come(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, TEXT)
    watch.turn(10, ("hall/panel", senml("temp", 12.0, 2 * H_S)))
    (found,) = watch.store.readings(0, 2**62)
    assert found.flag.name == "CLOCK"


def retained(payload: bytes) -> Message:
    return Message("hall/weather", payload, 1, 1, 1, retained=True)


def test_one_the_broker_had_kept_counts_from_its_first_time(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, TEXT)
    said = pack((-5.0, 1.0), (1.0, 2.0))
    watch.link.waiting.append(retained(said))
    watch.turn(10)
    assert {one.heard_us for one in watch.store.foretold()} == {START_US - 5 * HOUR_US}
    # Sent just now it is fresh, and the copy the broker kept does not make it old again.
    watch.turn(20, ("hall/weather", said))
    watch.link.waiting.append(retained(said))
    watch.turn(30)
    assert {one.heard_us for one in watch.store.foretold()} == {START_US + 20 * SECOND_US}


@pytest.mark.parametrize("t", [0, 3_600])
def test_kept_by_the_broker_with_times_counted_from_now_nobody_knows_its_age(
    tmp_path: Path, t: float
) -> None:
    watch = HandWatch(tmp_path, TEXT)
    watch.link.waiting.append(retained(json.dumps([{"n": "temp", "v": -4, "t": t}]).encode()))
    watch.turn(10)
    assert watch.store.foretold() == []
    assert "retained" in watch.store.rejects()[0].reason


def test_guard_alarms_and_health_know_nothing_of_it(tmp_path: Path) -> None:
    shop, plain = shop_from(TEXT), shop_from(SHOP)
    assert repr(plan_from_shop(shop)) == repr(plan_from_shop(plain)), "not even silence"
    assert health_rules(shop) == health_rules(plain)
    watch, other = HandWatch(tmp_path / "a", TEXT), HandWatch(tmp_path / "b", SHOP)
    for hours in range(30):
        said = [("hall/weather", pack((hours + 1.0, -4.0)))] if hours < 3 else []
        watch.turn(hours * H_S, ("hall/air-a", senml("temp", 20.0, hours * H_S)), *said)
        other.turn(hours * H_S, ("hall/air-a", senml("temp", 20.0, hours * H_S)))
    assert watch.watch.state.bays == other.watch.state.bays
    assert watch.event_kinds() == other.event_kinds()


def test_a_disk_that_fails_leaves_it_at_the_broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = HandWatch(tmp_path, TEXT)
    monkeypatch.setattr("envmon.service.watch.RETRY_S", 0.0)
    with monkeypatch.context() as broken:
        broken.setattr("envmon.store.sqlite._FORETOLD", "INSERT INTO gone VALUES (?, ?, ?, ?)")
        air = ("hall/air-a", senml("temp", 20.0))
        assert watch.turn(10, ("hall/weather", pack((1.0, -4.0))), air) == 0
    assert watch.link.acknowledged == []
    assert list(watch.store.readings(0, 2**62)) == [], "one transaction: all or nothing"
    assert watch.turn(20) == 2
    assert kept(watch.store) == [(1.0, -4.0)]


def test_an_older_live_file_gets_its_place(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.run("DROP TABLE forecast")
    store.run("DELETE FROM migration WHERE name = '0004_forecast'")
    store.close()
    store = SqliteStore(tmp_path)
    store.add_foretold([Foretold("weather", START_US, 1.0, START_US)], START_US - DAY_US)
    assert len(store.foretold()) == 1
    store.close()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (POINT.replace("reads", 'format = "number"\nreads').replace('name = "temp"', ""),
         "format 'number'; allowed is 'senml'"),
        (POINT.replace("topic", 'bay = "one"\ntopic'), "is outdoors, but the point has a bay"),
        (POINT.replace('name = "temp"', 'name = "temp", spike = 3'), "spike is not asked of"),
    ],
)  # fmt: skip
def test_the_shop_file_says_what_cannot_be(text: str, why: str) -> None:
    _, faults = check_text(SHOP + text, "test.toml")
    assert why in " ".join(map(str, faults))


def test_nothing_can_be_held_against_a_forecast() -> None:
    limit = '[[product.limit]]\nstage = "coating"\nquantity = "outdoor_forecast_c"\nlow = 1\n'
    text = SHOP.replace("[[procedure]]", limit + "[[procedure]]", 1)
    assert check_text(text, "test.toml")[1]


def test_the_decoder_refuses_a_form_without_times() -> None:
    shop = shop_from(TEXT)
    point = shop.point[-1].model_copy(update={"format": "json"})
    with pytest.raises(InputError, match="whose records carry the time"):
        Decoder([point], {}, ["one", "two"])
