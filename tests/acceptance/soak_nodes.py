"""The nodes of the soak, one process in a network of its own: they buffer, and note the truth.

``python soak_nodes.py HOST SEED SPEED DAYS REAL_START_US FIRST_US TRUTH CA_FILE KEYS`` measures
until the simulated days are over, then sends what waits. Each node logs in by TLS, its password in
a folder of ``KEYS``. Each reading made is written to the truth first: node, what, time [µs],
value; the checks hold the store against it. A node keeps a message until some seconds after its
acknowledgement and sends it again when the connection broke meanwhile: a killed broker forgets what
it acknowledged since it last wrote its file.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from tests.acceptance.soak_story import (  # noqa: E402 - run as a script
    BEGIN_US,
    FIELDS,
    NODE_EVERY_REAL_S,
    Weather,
    conditions,
)
from tests.acceptance.soak_text import NODES_PORT  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

KEEPALIVE_S = 4
HELD_S = 9.0
"""So long after its acknowledgement a message is kept [s]; the broker writes every 5 to 6 s."""
WINDOW = 50
LONGEST_END_S = 120.0


class Node:
    """One node: a buffer in order, and a connection that comes back by itself.

    paho's thread only notes what it is told; everything else happens in the caller's.
    """

    def __init__(self, host: str, name: str, authority: Path, password: str) -> None:
        self.name = name
        self._waiting: deque[bytes] = deque()
        self._under_way: dict[int, bytes] = {}
        self._held: deque[tuple[float, bytes]] = deque()
        self._acknowledged: deque[tuple[float, int]] = deque()
        self._broke = threading.Event()
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id=f"node-{name}", clean_session=True
        )
        self._client.max_inflight_messages_set(WINDOW)
        self._client.connect_timeout = 2.0
        self._client.reconnect_delay_set(1, 2)
        self._client.on_publish = self._on_publish
        self._client.on_disconnect = lambda *_rest: self._broke.set()
        self._client.tls_set(ca_certs=str(authority))
        self._client.username_pw_set(name, password)
        self._client.connect_async(host, NODES_PORT, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def _on_publish(self, _client: Client, _data: object, mid: int, *_rest: object) -> None:
        self._acknowledged.append((time.monotonic(), mid))

    def put(self, payload: bytes) -> None:
        """Measure once more."""
        self._waiting.append(payload)
        self.send()

    def send(self) -> None:
        """Heed what paho was told, then send what waits as far as the window is open."""
        while self._acknowledged:
            at, mid = self._acknowledged.popleft()
            self._held.append((at, self._under_way.pop(mid)))
        if self._broke.is_set():
            # What was under way paho sends again by itself; what the broker may have forgotten
            # is put before what waits.
            self._broke.clear()
            self._waiting.extendleft(payload for _, payload in reversed(self._held))
            self._held.clear()
        while self._held and self._held[0][0] < time.monotonic() - HELD_S:
            self._held.popleft()
        while self._client.is_connected() and self._waiting and len(self._under_way) < WINDOW:
            payload = self._waiting.popleft()
            sent = self._client.publish(f"soak/{self.name}", payload, qos=1)
            self._under_way[sent.mid] = payload

    @property
    def done(self) -> bool:
        """Whether all is acknowledged."""
        return not self._waiting and not self._under_way

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop_stop()


def measure(
    nodes: list[Node], weather: Weather, truth: TextIO, at_us: int, put: Callable[..., None]
) -> None:
    """Let every node measure once, a reading's own time cut to the millisecond."""
    for node in nodes:
        values = weather.of(node.name, at_us)
        if not values:
            node.send()
            continue
        truth.writelines(f"{node.name},{what},{at_us},{value}\n" for what, value in values.items())
        records = [{"n": n, "v": v, "t": at_us / 1e6} for n, v in values.items()]
        put(node, json.dumps(records).encode())


def main() -> int:
    """Measure to the end; return 0 when all was acknowledged."""
    host, seed, speed, days, real_start, first, truth_file, authority, keys = sys.argv[1:]
    over, pause = threading.Event(), threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: over.set())
    run_s, start_us = float(speed), int(real_start)
    end_us = int(first) + round(float(days) * 86_400e6)
    passwords = {name: Path(keys, name, "password").read_text("utf-8").strip() for name in FIELDS}
    nodes = [Node(host, name, Path(authority), passwords[name]) for name in FIELDS]
    found = conditions(int(seed), run_s, float(days), int(first))
    weather = Weather(found, int(seed))
    with Path(truth_file).open("w", encoding="utf-8", buffering=1) as truth:
        while not over.wait(NODE_EVERY_REAL_S):
            at_us = BEGIN_US + round((time.time_ns() // 1000 - start_us) * run_s)
            if at_us >= end_us:
                break
            measure(nodes, weather, truth, at_us // 1000 * 1000, Node.put)
    until = time.monotonic() + LONGEST_END_S
    while not all(node.done for node in nodes) and time.monotonic() < until:
        for node in nodes:
            node.send()
        pause.wait(0.05)
    done = all(node.done for node in nodes)
    for node in nodes:
        node.close()
    return 0 if done else 1


if __name__ == "__main__":
    sys.exit(main())
