"""Hearing everything on the broker for a while: a connection of its own, in a thread of its own.

Nothing is kept for it at the broker and it says nothing there; the watch knows nothing of it.
"""

from __future__ import annotations

import logging
import threading
import time
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from envmon.errors import BrokerError
from envmon.field.hearing import HeardTopics

if TYPE_CHECKING:
    from paho.mqtt.client import ConnectFlags
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

    from envmon.intake.link import Account

log = logging.getLogger("envmon.hearing")

LINGER_S = 900.0
"""So long it listens after it was last asked for [s]; a flood costs nothing when nobody looks."""
RETRY_S = 2.0
_TURN_S = 0.5


class Hearing:
    """Listens while somebody asks.

    Args:
        address: Host and port of the broker.
        account: Log-in.
        linger_s: How long it listens after it was last asked for [s].
    """

    def __init__(
        self, address: tuple[str, int], account: Account, linger_s: float = LINGER_S
    ) -> None:
        self.topics = HeardTopics()
        self._address, self._account, self._linger_s = address, account, linger_s
        self._until_s = 0.0
        self._begun_s: float | None = None
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self.trouble = ""
        self.up = threading.Event()

    def listen(self) -> None:
        """Listen from now on, or longer."""
        with self._lock:
            self._until_s = time.monotonic() + self._linger_s
            if self._thread is None and not self._stop.is_set():
                self._begun_s = time.monotonic()
                self._thread = threading.Thread(target=self._run, name="hearing", daemon=True)
                self._thread.start()

    def since_s(self) -> float:
        """Return for how long it has listened [s]."""
        return 0.0 if self._begun_s is None else time.monotonic() - self._begun_s

    def close(self) -> None:
        """End it."""
        self._stop.set()
        thread = self._thread
        if thread is not None:
            thread.join(10)

    def _wanted(self) -> bool:
        """Return whether to go on; with False the thread is no longer the one that listens."""
        with self._lock:
            if not self._stop.is_set() and time.monotonic() < self._until_s:
                return True
            self._thread = None
            return False

    def _run(self) -> None:
        while self._wanted():
            if not self._hear():
                return
            self._stop.wait(RETRY_S)

    def _hear(self) -> bool:
        """Hear over one connection; return whether to connect again."""
        try:
            client = self._new_client()
            client.connect(*self._address, keepalive=20)
            while client.loop(_TURN_S) == MQTTErrorCode.MQTT_ERR_SUCCESS:
                if not self._wanted():
                    client.disconnect()
                    return False
        except (OSError, ValueError, BrokerError) as error:
            self.trouble = f"the broker cannot be reached: {error}"
        finally:
            self.up.clear()
        return True

    def _new_client(self) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, clean_session=True)
        client.connect_timeout = 5.0
        self._account.log_in(client)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _on_connect(
        self, client: mqtt.Client, _u: Any, _f: ConnectFlags, reason: ReasonCode,
        _p: Properties | None,
    ) -> None:  # fmt: skip
        if reason.is_failure:
            self.trouble = f"the broker refuses: {reason}"
            return
        self.topics.subscribed(time.monotonic())
        client.subscribe("#", 0)

    def _on_subscribe(
        self, _c: mqtt.Client, _u: Any, _mid: int, reasons: list[ReasonCode], _p: Properties | None
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self.trouble = "the broker does not let envmon hear everything (topic read #)"
            return
        self.trouble = ""
        self.up.set()

    def _on_message(self, _c: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return  # no topic of MQTT, and no shop file could hold it
        payload = bytes(message.payload)
        self.topics.take(topic, payload, time.monotonic(), retained=message.retain)
