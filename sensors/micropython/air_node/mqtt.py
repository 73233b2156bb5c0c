"""MQTT 3.1.1 as far as a node needs it: log in with a last will, publish at QoS 1, stay alive.

Source: OASIS MQTT Version 3.1.1; the sections stand at the functions.
"""

import struct

from air_node.errors import BrokerError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from air_node.kinds import Stream

KEEPALIVE_S = 30
QUIET_MS = 15_000
"""After so long without a word of ours the broker is asked whether it is there [ms]."""
ANSWER_MS = 15_000
"""A broker that has not answered for so long is gone [ms]."""
MOST_BYTES = 2_048
_CONNACK, _PUBACK, _PINGRESP = 0x20, 0x40, 0xD0
_PINGREQ, _DISCONNECT = b"\xc0\x00", b"\xe0\x00"
_REFUSED = {
    1: "it does not speak MQTT 3.1.1",
    2: "it does not like the name of this node",
    3: "it has no time for us now",
    4: "check broker.username and broker.password in the settings",
    5: "check broker.username and broker.password in the settings",
}


class Login:
    """Who we are at the broker, and what it says of us when we are gone."""

    def __init__(self, client_id: str, account: tuple[str, str], will_topic: str) -> None:
        self.client_id, self.will_topic = client_id, will_topic
        self.username, self.password = account


def _field(data: bytes) -> bytes:
    return struct.pack(">H", len(data)) + data


def _packet(kind: int, body: bytes) -> bytes:
    """Return a packet with its length in front (section 2.2.3)."""
    length, rest = bytearray(), len(body)
    while True:
        rest, low = rest >> 7, rest & 0x7F
        length.append(low | (0x80 if rest else 0))
        if not rest:
            return bytes([kind]) + bytes(length) + body


def connect_packet(login: Login) -> bytes:
    """Return CONNECT (section 3.1): clean session, will retained at QoS 1, name and password."""
    flags = 0x80 | 0x40 | 0x20 | 0x08 | 0x04 | 0x02
    head = _field(b"MQTT") + struct.pack(">BBH", 4, flags, KEEPALIVE_S)
    texts = (login.client_id, login.will_topic, "offline", login.username, login.password)
    return _packet(0x10, head + b"".join(_field(text.encode()) for text in texts))


def publish_packet(topic: str, payload: bytes, number: int, *, retain: bool) -> bytes:
    """Return PUBLISH (section 3.3): at QoS 1 with its number, at QoS 0 where that is 0."""
    kind = 0x30 | (0x02 if number else 0) | (0x01 if retain else 0)
    identifier = struct.pack(">H", number) if number else b""
    return _packet(kind, _field(topic.encode()) + identifier + payload)


def taken_apart(data: bytes) -> tuple[int, bytes, bytes] | None:
    """Return kind, body and what follows of the first packet; None while it is not whole.

    Raises:
        BrokerError: It is longer than anything a broker has to tell a node.
    """
    length, shift, place = 0, 0, 1
    while place < len(data):
        length |= (data[place] & 0x7F) << shift
        if length > MOST_BYTES or shift > 21:
            raise BrokerError("it sends what is no answer of an MQTT broker")
        place, shift, more = place + 1, shift + 7, data[place] & 0x80
        if not more:
            end = place + length
            return (data[0], data[place:end], data[end:]) if len(data) >= end else None
    return None


class Mqtt:
    """One connection to the broker. One message at a time is on its way.

    Args:
        stream: Connection that stands.
        login: Who we are.
        now_ms: Any time [ms].

    Attributes:
        accepted: The broker has let us in.
        on_way: Number of the message that is not acknowledged yet; 0 for none.

    Raises:
        OSError: From every method, when the connection is lost.
        BrokerError: From every method, when the broker refuses us or has fallen silent.
    """

    def __init__(self, stream: "Stream", login: Login, now_ms: int) -> None:
        self._stream, self._received = stream, b""
        self.accepted, self.on_way = False, 0
        self._number = 0
        self._said_ms = self._asked_ms = now_ms
        self._waits = True
        try:
            stream.write_all(connect_packet(login))
        except OSError:
            stream.close()
            raise

    def publish(self, topic: str, payload: bytes, now_ms: int, *, retain: bool = False) -> None:
        """Send a message at QoS 1; only while none is ``on_way``."""
        self._number = self._number % 0xFFFF + 1
        self.on_way = self._number
        self._ask(publish_packet(topic, payload, self.on_way, retain=retain), now_ms)

    def turn(self, wait_ms: int, now_ms: int) -> None:
        """Take in what the broker says, and stay alive.

        Args:
            wait_ms: Longest wait for it [ms].
            now_ms: The same time as before [ms].
        """
        self._stream.wait(wait_ms)
        self._take_in()
        if self._waits and now_ms - self._asked_ms > ANSWER_MS:
            raise BrokerError("it does not answer any more")
        if self.accepted and not self._waits and now_ms - self._said_ms > QUIET_MS:
            self._ask(_PINGREQ, now_ms)

    def close(self) -> None:
        """Say goodbye (section 3.14), so that the last will is not spoken, and end."""
        try:
            self._stream.write_all(_DISCONNECT)
        except OSError:
            pass
        self._stream.close()

    def abandon(self) -> None:
        """End without a goodbye: the broker will speak the last will."""
        self._stream.close()

    def _ask(self, packet: bytes, now_ms: int) -> None:
        self._stream.write_all(packet)
        self._said_ms = self._asked_ms = now_ms
        self._waits = True

    def _take_in(self) -> None:
        data = self._stream.read(256)
        if data is None:
            return
        if not data:
            raise OSError("it has ended the connection")
        self._received += data
        while self._received:
            apart = taken_apart(self._received)
            if apart is None:
                return
            kind, body, self._received = apart
            self._answer(kind & 0xF0, body)

    def _answer(self, kind: int, body: bytes) -> None:
        if kind == _CONNACK and len(body) == 2:
            if body[1]:
                raise BrokerError("refuses us: " + _REFUSED.get(body[1], "it does not say why"))
            self.accepted, self._waits = True, False
        elif kind == _PUBACK and len(body) == 2:
            # An acknowledgement of something else is none of what is on its way.
            if struct.unpack(">H", body)[0] == self.on_way:
                self.on_way, self._waits = 0, False
        elif kind == _PINGRESP and not self.on_way:
            self._waits = False
