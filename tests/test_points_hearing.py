"""What is heard on a broker is kept in a memory that has an end, whatever is sent.

Retained messages and what `#` hears: OASIS MQTT 3.1.1, 3.3.1.3 and 4.7.2, with a real Mosquitto.
"""

from __future__ import annotations

import tracemalloc
from typing import TYPE_CHECKING

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.field.hearing import KEPT_BYTES, LOOKED_AT, HeardTopics
from envmon.field.hearing_link import Hearing
from envmon.intake.link import Account
from envmon.service.points.heard import (
    SHOWN_LETTERS,
    batteries,
    shown_payload,
    suggested_stale,
    unclaimed_document,
)
from envmon.shop.load import check_text
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto, wait_until
from tests.points_support import SHOP

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.field.hearing import Heard
    from envmon.shop.models import Shop


def shop() -> Shop:
    found, faults = check_text(SHOP, "shop.toml")
    assert found is not None, faults
    return found


def heard(topics: HeardTopics) -> dict[str, Heard]:
    return {each.topic: each for each in topics.all()}


def test_a_topic_tells_how_often_it_is_heard() -> None:
    topics = HeardTopics()
    for at_s in (10.0, 40.0, 70.0):
        topics.take("a", b"1", at_s, retained=False)
    (one,) = topics.all()
    assert (one.count, one.every_s, one.at_s) == (3, 30.0, 70.0)


def test_what_was_kept_by_the_broker_is_no_hearing() -> None:
    topics = HeardTopics()
    topics.subscribed(5.0)
    topics.take("a", b"1", 6.0, retained=True)
    assert heard(topics)["a"].retained
    assert heard(topics)["a"].count == 0
    topics.take("a", b"2", 7.0, retained=True)  # some brokers leave the flag on what is new
    assert not heard(topics)["a"].retained
    assert heard(topics)["a"].count == 1
    topics.subscribed(8.0)
    topics.take("a", b"2", 9.0, retained=True)
    assert heard(topics)["a"].retained


def test_our_own_topics_and_the_brokers_are_left_out() -> None:
    topics = HeardTopics()
    for topic in ("envmon/north/state", "$SYS/broker/uptime", "envmonitor/x"):
        topics.take(topic, b"1", 1.0, retained=False)
    assert list(heard(topics)) == ["envmonitor/x"]


def test_a_flood_of_topics_forgets_its_own_and_keeps_those_heard_again() -> None:
    topics = HeardTopics()
    for at_s in (1.0, 2.0):
        topics.take("shop/air", b"21.5", at_s, retained=False)
    tracemalloc.start()
    for number in range(100_000):
        topics.take(f"flood/{number}", b"x" * 4_000, 3.0, retained=False)
    size, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert size < 3_000_000
    assert topics.forgotten == 99_000
    assert len(topics.all()) == 1_001
    assert "shop/air" in heard(topics)


def test_a_long_payload_is_looked_at_when_it_comes_but_not_in_a_flood() -> None:
    topics = HeardTopics()
    long = b'{"pad":"' + b"x" * 600 + b'","temperature":21}'
    for number in range(LOOKED_AT + 1):
        topics.take(f"long/{number}", long, 1.0, retained=False)
    found = heard(topics)
    assert len(found["long/0"].payload) == KEPT_BYTES
    assert found["long/0"].guessed().offers[0].place == "/temperature"
    assert "not looked at" in found[f"long/{LOOKED_AT}"].guessed().why
    topics.take(f"long/{LOOKED_AT}", long, 12.0, retained=False)
    assert heard(topics)[f"long/{LOOKED_AT}"].guessed().offers


def test_claimed_topics_are_left_out_and_say_their_battery() -> None:
    topics = HeardTopics()
    pack = b'[{"n":"temp","u":"Cel","v":21},{"n":"bat","u":"%EL","v":81}]'
    topics.take("fjord/north/air", pack, 1.0, retained=False)
    topics.take("fjord/north/panel", b"9.5", 2.0, retained=False)
    document = unclaimed_document(shop(), topics.all(), 5.0, 0)
    (row,) = document["unclaimed"]
    assert (row["topic"], row["bay"], row["point"]) == ("fjord/north/panel", "north", "north-panel")
    assert row["age_s"] == 3.0
    assert batteries(shop(), topics.all()) == {"north-air": "81 %"}


def test_what_can_be_claimed_stands_first() -> None:
    topics = HeardTopics()
    for place, (topic, payload) in enumerate({"a": b"9.5", "b": b"online", "c": b"8"}.items()):
        topics.take(topic, payload, float(place), retained=False)
    document = unclaimed_document(shop(), topics.all(), 5.0, 0)
    assert [row["topic"] for row in document["unclaimed"]] == ["c", "a", "b"]


@pytest.mark.parametrize(
    ("every_s", "text"), [(None, ""), (20.0, ""), (30.0, "2 min"), (300.0, "15 min")]
)
def test_a_sensor_that_speaks_seldom_is_stale_later(every_s: float | None, text: str) -> None:
    assert suggested_stale(every_s) == text


@pytest.mark.parametrize(
    ("payload", "shown"),
    [
        (b'{"t":21}', '{"t":21}'),
        (b"a\x1b[31mred\r\n", "a\\x1b[31mred\\r\\n"),
        ("right\u202eleft".encode(), "right\\u202eleft"),
        (b"\xa1\x02\xf9", "3 bytes: a1 02 f9"),
        (b"x" * 300, "x" * SHOWN_LETTERS + "…"),
    ],
)
def test_a_payload_is_shown_as_one_short_plain_line(payload: bytes, shown: str) -> None:
    assert shown_payload(payload, len(payload)) == shown


def test_a_letter_cut_in_two_does_not_make_a_payload_binary() -> None:
    whole = ("ü" * 300).encode()
    assert shown_payload(whole[:511], len(whole)) == "ü" * SHOWN_LETTERS + "…"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


class TestWithMosquitto:
    pytestmark = NEEDS_MOSQUITTO

    def test_it_hears_what_is_kept_and_what_comes(self, broker: Mosquitto) -> None:
        broker.publish("fjord/old", "1", "-r")
        broker.publish("envmon/watch/heartbeat", "up", "-r")
        hearing = Hearing(("127.0.0.1", broker.port), Account())
        hearing.listen()
        try:
            assert hearing.up.wait(30)
            broker.publish("fjord/new", "2")
            wait_until(lambda: len(hearing.topics.all()) == 2, "both topics")
        finally:
            hearing.close()
        found = heard(hearing.topics)
        assert {topic: each.retained for topic, each in found.items()} == {
            "fjord/old": True, "fjord/new": False,
        }  # fmt: skip

    def test_it_ends_when_nobody_asks_any_more_and_begins_again(self, broker: Mosquitto) -> None:
        hearing = Hearing(("127.0.0.1", broker.port), Account(), linger_s=1.0)
        for _ in range(2):
            hearing.listen()
            assert hearing.up.wait(30)
            wait_until(lambda: not hearing.up.is_set(), "the end of listening")
        hearing.close()

    def test_it_comes_back_with_the_broker(self, broker: Mosquitto) -> None:
        hearing = Hearing(("127.0.0.1", broker.port), Account())
        hearing.listen()
        assert hearing.up.wait(30)
        broker.stop()
        wait_until(lambda: not hearing.up.is_set(), "the loss")
        broker.start()
        assert hearing.up.wait(60)
        hearing.close()

    def test_a_thousand_messages_at_once_are_all_heard(self, broker: Mosquitto) -> None:
        hearing = Hearing(("127.0.0.1", broker.port), Account())
        hearing.listen()
        assert hearing.up.wait(30)
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        for number in range(1_000):
            client.publish("fjord/fast", str(number), qos=1)
        try:
            wait_until(lambda: _count(hearing) == 1_000, "a thousand messages")
        finally:
            client.disconnect()
            client.loop_stop()
            hearing.close()


def _count(hearing: Hearing) -> int:
    return sum(each.count for each in hearing.topics.all())


def test_without_a_broker_it_says_so() -> None:
    hearing = Hearing(("127.0.0.1", free_port()), Account())
    hearing.listen()
    wait_until(lambda: hearing.trouble, "the trouble")
    hearing.close()
    assert "cannot be reached" in hearing.trouble
