"""The simulated shop against a real Mosquitto on loopback."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

import envmon
import envmon_sensors
from envmon.clock import ScaledClock
from envmon_sensors.nodes import KINDS
from envmon_sensors.scenario import demo_start_us
from tests.benchmarks.broker_trials import free_port

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed"),
]


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    poll = threading.Event()
    while not condition():
        assert time.monotonic() < deadline, f"timed out waiting for {what}"
        poll.wait(0.02)


def listening(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Broker:
    """A Mosquitto that can be stopped and started again on the same port."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
            f"persistence true\npersistence_location {folder}/\nuser root\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = ["mosquitto", "-c", str(self._config)]
        self._process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        wait_until(lambda: listening(self.port), "the broker")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    running = Broker(tmp_path)
    running.start()
    yield running
    running.stop()


class Listener:
    """A subscriber that keeps what it hears, with topics."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id="listener",
            clean_session=False,  # a node may be back before the listener is
        )
        self._client.reconnect_delay_set(min_delay=1, max_delay=1)
        self._ready = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe([("#", 1)])
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))

    def topics(self) -> set[str]:
        return {topic for topic, _ in list(self.heard)}

    def last(self, topic: str) -> bytes | None:
        return next((body for name, body in reversed(list(self.heard)) if name == topic), None)

    def times(self, topic: str) -> list[float]:
        """Return the base times of a node's packs in the order they arrived [s]."""
        return [json.loads(body)[0]["bt"] for name, body in list(self.heard) if name == topic]

    def order(self, **order: object) -> None:
        self._client.publish("demo/pull", json.dumps(order), qos=1).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listener(broker: Broker) -> Iterator[Listener]:
    ears = Listener(broker.port)
    yield ears
    ears.close()


@pytest.fixture
def start_shop(broker: Broker) -> Iterator[Callable[..., subprocess.Popen[bytes]]]:
    """Yield a function that starts the simulated shop at a speed, with more options."""
    roots = [Path(module.__file__ or "").parent.parent for module in (envmon, envmon_sensors)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(map(str, roots))}
    started: list[subprocess.Popen[bytes]] = []

    def start(speed: float, *options: str) -> subprocess.Popen[bytes]:
        clock = ScaledClock(time.time_ns() // 1000, demo_start_us(), speed).as_text()
        command = [sys.executable, "-m", "envmon_sensors", "--port", str(broker.port)]
        process = subprocess.Popen([*command, "--clock", clock, *options], env=environment)
        started.append(process)
        return process

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.wait(10)


Start = Callable[..., "subprocess.Popen[bytes]"]


def test_all_nodes_talk_and_a_pulled_one_falls_silent(
    listener: Listener, start_shop: Start
) -> None:
    process = start_shop(60.0)
    expected = {kind.topic for kind in KINDS}
    wait_until(lambda: expected <= listener.topics(), "all nodes")
    wait_until(lambda: listener.last("shop/north/air/status") == b"online", "the status")
    listener.order(node="north/air", out=True)

    def pulled() -> list[str]:
        rows = json.loads(listener.last("demo/nodes") or b"[]")
        return [row["node"] for row in rows if row["pulled"]]

    wait_until(lambda: pulled() == ["north/air"], "the list of nodes")
    other, silent = len(listener.times("shop/north/air2")), listener.times("shop/north/air")
    wait_until(lambda: len(listener.times("shop/north/air2")) > other + 20, "its neighbour")
    assert len(listener.times("shop/north/air")) <= len(silent) + 1  # one may have been under way
    listener.order(node="north/air", out=False)
    wait_until(lambda: len(listener.times("shop/north/air")) > len(silent) + 3, "its return")
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    wait_until(lambda: listener.last("shop/north/air/status") == b"offline", "the farewell")


def test_run_for_an_hour_at_high_speed_is_complete_and_ends(
    listener: Listener, start_shop: Start
) -> None:
    process = start_shop(1200.0, "--hours", "1")
    assert process.wait(60) == 0
    for node, interval_s in (("north/air", 5), ("south/panel", 5), ("outdoor/air", 10)):
        rows = []
        for topic, body in list(listener.heard):
            if topic == f"shop/{node}":
                records = json.loads(body)
                rows += sorted({records[0]["bt"] + entry.get("t", 0.0) for entry in records})
        steps = {round(later - earlier, 1) for earlier, later in pairwise(rows)}
        assert steps == {float(interval_s)}
        assert 3600 - 2 * interval_s <= rows[-1] - rows[0] <= 3600


def test_a_given_beginning_makes_the_readings_repeat_on_the_wire(
    listener: Listener, start_shop: Start
) -> None:
    options = ("--from-us", str(demo_start_us()), "--hours", "0.05")
    runs = []
    for _ in range(2):
        listener.heard.clear()
        assert start_shop(600.0, *options).wait(60) == 0
        wait_until(lambda: listener.last("shop/outdoor/air/status") == b"offline", "the end")
        heard = list(listener.heard)
        runs.append({kind.topic: [b for t, b in heard if t == kind.topic] for kind in KINDS})
    assert runs[0] == runs[1]
    assert min(len(bodies) for bodies in runs[0].values()) >= 6


def test_broker_outage_loses_nothing_and_keeps_order(
    broker: Broker, listener: Listener, start_shop: Start
) -> None:
    process = start_shop(60.0)
    wait_until(lambda: len(listener.times("shop/south/air")) > 20, "first packs")
    broker.stop()
    before_s = listener.times("shop/south/air")[-1]
    threading.Event().wait(1.5)  # the length of the outage, not a synchronisation
    broker.start()
    wait_until(lambda: listener.times("shop/south/air")[-1] > before_s + 180, "the time after")
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    times = listener.times("shop/south/air")
    once = list(dict.fromkeys(times))  # a redelivered pack is allowed, out of order is not
    assert once == sorted(once)
    assert {round(b - a, 1) for a, b in pairwise(once)} == {5.0}


def test_killed_shop_leaves_its_last_will(listener: Listener, start_shop: Start) -> None:
    process = start_shop(60.0)
    wait_until(lambda: listener.last("shop/south/door/status") == b"online", "the status")
    process.kill()
    wait_until(lambda: listener.last("shop/south/door/status") == b"offline", "the last will")


def test_bad_order_is_refused_and_the_shop_goes_on(listener: Listener, start_shop: Start) -> None:
    start_shop(60.0)
    wait_until(lambda: listener.last("demo/nodes") is not None, "the list of nodes")
    listener.order(node="attic", out=True)
    listener.order(bay="south", door=True)

    def door_open() -> bool:
        body = listener.last("shop/south/door")
        return body is not None and json.loads(body)[0]["vb"] is True

    wait_until(door_open, "the open door")


@pytest.mark.parametrize("options", [["--clock", "noon"], ["--seed", "-1"], ["--hours", "0"]])
def test_bad_options_are_named(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    from envmon_sensors.__main__ import main

    handlers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        assert main(options) == 2
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
    assert "allowed" in capsys.readouterr().err
