"""Packets of the microcontroller's node, and answers that no real broker gives.

Source: OASIS MQTT Version 3.1.1; what a real broker answers is in test_micropython_broker.
"""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from air_node import store
from air_node.errors import BrokerError
from air_node.link import BACKOFF_CAP_MS, Link
from air_node.mqtt import (
    ANSWER_MS,
    QUIET_MS,
    Login,
    Mqtt,
    connect_packet,
    publish_packet,
    taken_apart,
)
from air_node.node import LATE_MS, Node, Parts
from air_node.ring import Measured, Ring
from air_node.settings import checked
from air_node.sht3x import Sht3x
from air_node.times import Times
from tests.test_micropython_logic import GOOD, NOW_MS, SetClock

if TYPE_CHECKING:
    from pathlib import Path

LOGIN = Login("node-s-hall", ("hall", "word"), "s/hall/status")
ACCEPTED = b"\x20\x02\x00\x00"


class Line:
    """A connection whose other side is a list."""

    def __init__(self) -> None:
        self.coming: list[bytes] = []
        self.sent: list[bytes] = []
        self.closed = False

    def read(self, _most: int) -> bytes | None:
        return self.coming.pop(0) if self.coming else None

    def write_all(self, data: bytes) -> None:
        self.sent.append(bytes(data))

    def wait(self, ms: int) -> None:
        pass

    def close(self) -> None:
        self.closed = True


class Lines:
    """A network that gives a new connection for each call."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.refuse = False

    def up(self) -> bool:
        return True

    def why(self) -> str:
        return ""

    def dial(self) -> Line:
        if self.refuse:
            raise OSError(111)
        self.lines.append(Line())
        return self.lines[-1]

    def pause(self, ms: int) -> None:
        pass


def published(packet: bytes) -> tuple[str, int]:
    """Return topic and packet identifier of PUBLISH at QoS 1 (section 3.3.2)."""
    apart = taken_apart(packet)
    assert apart is not None
    body = apart[1]
    end = 2 + int.from_bytes(body[:2], "big")
    return body[2:end].decode(), int.from_bytes(body[end : end + 2], "big")


def acknowledgement(number: int) -> bytes:
    return b"\x40\x02" + number.to_bytes(2, "big")


# MQTT 3.1.1, table 2.4: size of the Remaining Length field
@pytest.mark.parametrize(
    ("length", "field"),
    [
        (127, b"\x7f"),
        (128, b"\x80\x01"),
        (16_383, b"\xff\x7f"),
        (16_384, b"\x80\x80\x01"),
    ],
)
def test_lengths_are_written_as_the_standard_says(length: int, field: bytes) -> None:
    packet = publish_packet("t", bytes(length - 3), 0, retain=False)
    assert packet[1 : 1 + len(field)] == field
    assert len(packet) == 1 + len(field) + length


def test_connect_is_as_the_standard_says() -> None:
    """Section 3.1.2: MQTT, level 4, flags 0b11101110 (name, password, will retained, QoS 1, clean);
    section 3.1.3: client, will topic, will, name, password."""
    assert connect_packet(LOGIN) == (
        b"\x10\x3b\x00\x04MQTT\x04\xee\x00\x1e\x00\x0bnode-s-hall\x00\x0ds/hall/status"
        b"\x00\x07offline\x00\x04hall\x00\x04word"
    )


@given(st.binary(max_size=40), st.integers(0, 42))
def test_a_packet_in_pieces_waits_for_its_rest(body: bytes, cut: int) -> None:
    packet = publish_packet("t", body, 7, retain=False)
    whole = taken_apart(packet + b"rest")
    assert whole is not None
    assert whole[2] == b"rest"
    if cut < len(packet):
        assert taken_apart(packet[:cut]) is None


@given(st.binary(min_size=1, max_size=300))
def test_nothing_that_comes_breaks_it(data: bytes) -> None:
    line = Line()
    mqtt = Mqtt(line, LOGIN, 0)
    line.coming = [data[:100], data[100:]] if len(data) > 100 else [data]
    with contextlib.suppress(BrokerError):
        mqtt.turn(0, 0)
        mqtt.turn(0, 0)
    assert line.sent == [connect_packet(LOGIN)]


def test_an_acknowledgement_of_another_message_releases_nothing() -> None:
    ring, lines = Ring(10), Lines()
    link = Link(lines, LOGIN, "s/hall/air", ring)
    ring.push(Measured(NOW_MS, (1, 1), None, dated=True))
    link.turn(0, 0)
    (line,) = lines.lines
    line.coming = [ACCEPTED]
    link.turn(0, 1)
    topic, status = published(line.sent[-1])
    assert topic == "s/hall/status"
    line.coming = [acknowledgement(status)]
    link.turn(0, 2)
    topic, number = published(line.sent[-1])
    assert topic == "s/hall/air"
    line.coming = [acknowledgement(number + 1), acknowledgement(status), b"\xd0\x00"]
    for _ in range(4):
        link.turn(0, 3)
    assert ring.waiting == 1
    assert published(line.sent[-1]) == ("s/hall/air", number)
    line.coming = [acknowledgement(number)]
    link.turn(0, 4)
    assert ring.waiting == 0


def test_what_was_not_acknowledged_is_sent_again_on_the_next_connection() -> None:
    ring, lines = Ring(10), Lines()
    link = Link(lines, LOGIN, "s/hall/air", ring)
    for number in range(3):
        ring.push(Measured(NOW_MS + number, (number, 1), None, dated=True))
    for now_ms in (0, 100_000):
        link.turn(0, now_ms)
        line = lines.lines[-1]
        line.coming = [ACCEPTED]
        link.turn(0, now_ms)
        line.coming = [acknowledgement(1)]
        link.turn(0, now_ms)
        assert published(line.sent[-1]) == ("s/hall/air", 2)
        assert b'"t":0.002' in line.sent[-1]
        line.coming = [b""]
        link.turn(0, now_ms)
        assert line.closed
        assert not link.up
        assert "ended the connection" in link.trouble
    assert ring.waiting == 3


def test_a_broker_that_falls_silent_is_asked_and_then_given_up() -> None:
    line = Line()
    mqtt = Mqtt(line, LOGIN, 0)
    line.coming = [ACCEPTED]
    mqtt.turn(0, 0)
    mqtt.turn(0, QUIET_MS + 1)
    assert line.sent[-1] == b"\xc0\x00"  # PINGREQ, section 3.12
    mqtt.turn(0, QUIET_MS + ANSWER_MS)
    with pytest.raises(BrokerError, match="does not answer"):
        mqtt.turn(0, QUIET_MS + ANSWER_MS + 2)


def test_tries_come_ever_more_seldom_with_jitter_and_a_cap() -> None:
    lines = Lines()
    lines.refuse = True
    link, now_ms = Link(lines, LOGIN, "t", Ring(1)), 0
    waits = []
    for _ in range(200):
        link.turn(0, now_ms)
        waits.append(link._retry_ms - now_ms)
        now_ms = link._retry_ms
    assert max(waits) <= BACKOFF_CAP_MS
    assert waits[0] <= 1_000
    assert waits[1] <= 2_000
    late = waits[10:]
    assert len(set(late)) > 100
    assert 0.3 * BACKOFF_CAP_MS < sum(late) / len(late) < 0.7 * BACKOFF_CAP_MS


class Hand(SetClock):
    """A board that a test moves."""

    def __init__(self, answer: bytes = b"") -> None:
        super().__init__(1970)
        self.fed, self.answer = 0, answer

    def writeto(self, _address: int, _data: bytes) -> None:
        if not self.answer:
            raise OSError(19)

    def readfrom(self, _address: int, _count: int) -> bytes:
        return self.answer

    def feed(self) -> None:
        self.fed += 1

    def battery_mv(self) -> int | None:
        return None

    def ask_time(self) -> None:
        raise OSError(110)

    def started_by(self) -> str:
        return "a test"

    def sleep(self, ms: int, keep: bytes) -> None:
        raise AssertionError(ms, keep)


def node_of(hand: Hand, lines: Lines) -> Node:
    times, ring = Times(hand), Ring(200)
    link = Link(lines, LOGIN, "s/hall/air", ring)
    sensor = Sht3x(hand, 0x44, lambda _ms: None)
    return Node(checked(json.dumps(GOOD)), Parts(hand, times, sensor), ring, link)


def test_the_watchdog_is_fed_only_while_measurements_are_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    hand, lines = Hand(), Lines()
    lines.refuse = True
    node = node_of(hand, lines)
    for _ in range(100):
        node.turn()
        hand.ticks += 1_000
    assert hand.fed == 100
    assert "no answer at address 0x44" in capsys.readouterr().out
    node._next_ms += 10**9  # a fault that makes it measure never again
    hand.ticks += 30_000 + LATE_MS
    before = hand.fed
    for _ in range(10):
        node.turn()
        hand.ticks += 1_000
    assert hand.fed == before


def test_a_day_without_a_broker_wears_the_flash_no_more_than_promised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    writings: list[int] = []
    real = store.save

    def save(ring: Ring, times: tuple[int, int]) -> None:
        writings.append(ring.waiting)
        real(ring, times)

    monkeypatch.setattr(store, "save", save)
    lines = Lines()
    lines.refuse = True
    hand = Hand(b"\xbe\xef\x92" * 2)
    hand.ms = NOW_MS
    node = node_of(hand, lines)
    for _ in range(86_400 // 10):
        node.turn()
        hand.ticks += 10_000
    assert 86_400 // 600 - 2 <= len(writings) <= 86_400 // 600
    assert writings[-1] == 200
    assert [path.name for path in tmp_path.iterdir()] == [store.FILE]
    again = Ring(200)
    assert store.load(again)
    assert again.lost == (86_400 - 600) // 30 + 1 - 200  # one each 30 s, up to 23:50
