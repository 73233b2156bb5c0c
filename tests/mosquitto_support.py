"""A real Mosquitto on loopback for tests, and waiting for what must come to be true."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion

from envmon.service.broker import LOOPBACK, wait_until_listening
from tests.benchmarks.broker_trials import free_port

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType
    from typing import Self

SHIPPED = Path(__file__).resolve().parent.parent / "fixtures" / "mosquitto" / "envmon.conf"
"""Our own file for a permanent shop; it keeps the same over a crash as that of `envmon install`."""
MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
NEEDS_MOSQUITTO = [
    pytest.mark.broker,
    pytest.mark.skipif(
        MOSQUITTO is None or shutil.which("mosquitto_pub") is None,
        reason="Debian's mosquitto and mosquitto-clients are not installed",
    ),
]


def wait_until(
    condition: Callable[[], object],
    what: str,
    timeout_s: float = 60.0,
    meanwhile: Callable[[], object] | None = None,
) -> None:
    """Return when the condition holds; do ``meanwhile`` (or pause a moment) until then."""
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not condition():
        assert time.monotonic() < deadline, f"waited {timeout_s:g} s for {what}"
        if meanwhile is None:
            pause.wait(0.02)
        else:
            meanwhile()


def shipped_config(folder: Path, port: int) -> str:
    """Return our file for a broker in a folder, on another port; all else as it is shipped."""
    text = SHIPPED.read_text(encoding="utf-8")
    for was, now in (
        (r"(?m)^pid_file .*$", f"pid_file {folder}/mosquitto.pid\nuser root"),
        (r"(?m)^log_dest .*$", "log_dest none"),
        (r"(?m)^listener 1883 ", f"listener {port} "),
        (r"(?m)^persistence_location .*$", f"persistence_location {folder}/"),
    ):
        text, count = re.subn(was, now, text)
        assert count == 1, was
    return text


class Mosquitto:
    """A broker that can be killed and started again on the same port with what it kept."""

    def __init__(self, folder: Path, *, on_disk: bool = True, shipped: bool = False) -> None:
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            shipped_config(folder, self.port)
            if shipped
            else f"listener {self.port} {LOOPBACK}\nallow_anonymous true\nmax_queued_messages 0\n"
            f"persistence {str(on_disk).lower()}\npersistence_location {folder}/\n"
            "autosave_on_changes true\nautosave_interval 1\nuser root\n",
            encoding="utf-8",
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(
            [str(MOSQUITTO), "-c", str(self._config)], stderr=subprocess.DEVNULL
        )
        wait_until_listening(LOOPBACK, self.port, 15)

    def stop(self) -> None:
        """Let it save and end."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(15)
            self.process = None

    def publish(self, topic: str, payload: str, *flags: str) -> None:
        """Send a message at QoS 1 with mosquitto_pub."""
        argv = ["mosquitto_pub", "-p", str(self.port), "-q", "1", "-t", topic, "-m", payload]
        subprocess.run([*argv, *flags], check=True, timeout=15)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        self.stop()


class Ear:
    """Hears everything under a topic filter; the newest payload by topic, and all in order."""

    def __init__(self, port: int, topic: str) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._subscribed = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.on_connect = lambda client, *_rest: client.subscribe(topic, 1)
        self._client.on_subscribe = lambda *_rest: self._subscribed.set()
        self._client.connect(LOOPBACK, port)

    def _hear(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload), message.retain))

    def say(self, topic: str, payload: bytes) -> MQTTMessageInfo:
        """Publish at QoS 1."""
        return self._client.publish(topic, payload, qos=1)

    def newest(self, topic: str) -> bytes | None:
        found = [payload for heard, payload, _ in self.heard if heard == topic]
        return found[-1] if found else None

    def __enter__(self) -> Self:
        self._client.loop_start()
        assert self._subscribed.wait(15)
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
