"""One MQTT client per node: what it measured is kept until the broker has acknowledged it."""

from __future__ import annotations

from collections import deque
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

WINDOW = 20
BUFFER_PACKS = 20_000


class NodeClient:
    """Sends a node's packs in order, QoS 1, over broker outages.

    Packs wait in a bounded buffer; when it is full the oldest is lost and counted. At most
    ``WINDOW`` packs are with the MQTT library. It sends those again after a reconnect, and only
    when all of them are acknowledged does the buffer go on, so order is kept.

    All methods belong to one thread. The library's thread only leaves notes: it calls back with
    its own lock held, so a lock of ours around ``publish`` would be a deadlock.

    Args:
        name: Node name; the client id and the status topic follow from it.
        address: Host and port of the broker.
        buffer_packs: Most packs that may wait.
    """

    def __init__(
        self, name: str, address: tuple[str, int], buffer_packs: int = BUFFER_PACKS
    ) -> None:
        self.lost = 0
        self._buffer: deque[tuple[str, bytes]] = deque()
        self._limit = buffer_packs
        self._in_flight: set[int] = set()
        self._acknowledged: deque[int] = deque()
        self._settling = False
        self._status_topic = f"shop/{name}/status"
        client_id = "node-" + name.replace("/", "-")
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.will_set(self._status_topic, b"offline", qos=1, retain=True)
        self._client.reconnect_delay_set(min_delay=1, max_delay=10)
        self._client.max_inflight_messages_set(WINDOW)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish
        self._client.connect_async(*address, keepalive=30)

    @property
    def pending(self) -> int:
        """Packs not yet acknowledged."""
        self._drain()
        return len(self._buffer) + len(self._in_flight)

    def start(self) -> None:
        """Connect, and connect again whenever the broker is lost."""
        self._client.loop_start()

    def send(self, topic: str, payload: bytes) -> None:
        """Take a pack for sending; the oldest waiting one is lost when the buffer is full."""
        if len(self._buffer) >= self._limit:
            self._buffer.popleft()
            self.lost += 1
        self._buffer.append((topic, payload))

    def push(self) -> None:
        """Hand waiting packs to the library as far as the window and the connection allow."""
        self._drain()
        if not self._in_flight:
            self._settling = False
        while self._buffer and len(self._in_flight) < WINDOW and self._may_publish():
            topic, payload = self._buffer.popleft()
            self._in_flight.add(self._client.publish(topic, payload, qos=1).mid)

    def stop(self) -> None:
        """Say goodbye and end the client's thread; what still waits is given up."""
        if self._client.is_connected():
            farewell = self._client.publish(self._status_topic, b"offline", qos=1, retain=True)
            if self._client.is_connected():
                farewell.wait_for_publish(1.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _may_publish(self) -> bool:
        return self._client.is_connected() and not self._settling

    def _drain(self) -> None:
        while self._acknowledged:
            self._in_flight.discard(self._acknowledged.popleft())

    def _on_connect(self, client: Client, *_: Any) -> None:
        client.publish(self._status_topic, b"online", qos=0, retain=True)

    def _on_disconnect(self, *_: Any) -> None:
        self._settling = True

    def _on_publish(self, _client: Client, _userdata: Any, mid: int, *_: Any) -> None:
        self._acknowledged.append(mid)
