"""A node's connection: what waits is sent in order, and forgotten soon after the broker has it.

Each connection is a client of its own and begins again with the oldest message that waits. So
nothing depends on what the MQTT library still holds of an earlier connection, order is kept, and a
press that has grown old is not sent late. A broker writes what it holds down every few seconds: a
measurement it acknowledged just before it fell is sent to it once more.
"""

from __future__ import annotations

import logging
import random
import time
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from paho.mqtt.client import MQTT_ERR_SUCCESS, Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.errors import BrokerError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from paho.mqtt.client import ConnectFlags
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode


log = logging.getLogger("envmon.node")

WINDOW = 20
"""Messages that are on their way, not yet acknowledged."""
KEEPALIVE_S = 20
CONNECT_S = 5.0
ACCEPT_S = 15.0
"""A broker that has not accepted us for so long is tried anew."""
BACKOFF_FIRST_S = 0.5
BACKOFF_CAP_S = 15.0
STEADY_S = 10.0
"""A connection that stood so long was a good one; the next try is the first again."""
FAREWELL_S = 2.0
HOLD_S = 8.0
"""A measurement is forgotten so long after its acknowledgement: longer than brokers take until they
write down what waits for a watch that is away (`autosave_interval` in the broker's file) [s]."""


class Letter(NamedTuple):
    """A message as it goes out.

    Attributes:
        seq: Its place in the order, from 1.
        topic: Where it goes.
        payload: Its bytes.
        press: It is a press, which goes before all measurements.
    """

    seq: int
    topic: str
    payload: bytes
    press: bool


class Box(Protocol):
    """Where messages wait for the broker; what a link needs of it."""

    @property
    def waiting(self) -> int:
        """Messages that the broker has not acknowledged."""
        ...

    def next_letters(self, after: int, most: int) -> list[Letter]:
        """Return at most ``most`` messages behind a place in the order, presses first."""
        ...

    def remove(self, seqs: Iterable[int]) -> None:
        """Forget messages that the broker has acknowledged."""
        ...


class Account(NamedTuple):
    """How to reach the broker and log in.

    Attributes:
        host: Name or address.
        port: Port.
        client_id: Name of the node at the broker; the broker throws out a second one.
        username: User name, or None.
        password: Password, or None.
        ca_file: Certificate of the authority to trust; turns TLS on.
    """

    host: str
    port: int
    client_id: str
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None


class NodeLink:
    """Sends what waits; comes back by itself, with full jitter and a cap.

    One thread owns it and what waits. ``turn`` may wait for the host up to ``CONNECT_S``.

    Args:
        account: Broker and log-in.
        status_topic: Retained there: ``online`` or, by last will, ``offline``.
        box: What is to be sent.
        time_s: A time that passes evenly [s].
        hold_s: A measurement is forgotten so long after its acknowledgement [s].

    Raises:
        BrokerError: The certificate cannot be read.
    """

    def __init__(
        self,
        account: Account,
        status_topic: str,
        box: Box,
        time_s: Callable[[], float] = time.monotonic,
        hold_s: float = HOLD_S,
    ) -> None:
        self._account, self._status_topic = account, status_topic
        self._box, self._time_s, self._hold_s = box, time_s, hold_s
        self._random = random.Random()  # noqa: S311 - jitter, no secret
        self._client: Client | None = None
        self._up, self._trouble, self._said = False, "", ""
        self._tries, self._retry_at, self._accept_by, self._steady_at = 0, 0.0, 0.0, 0.0
        self._on_way: dict[int, Letter] = {}
        self._held: dict[int, float] = {}
        self._again: set[int] = set()
        self._after = 0
        self._new_client()  # tells a certificate that cannot be read before anything begins

    @property
    def up(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        return self._up

    def turn(self, wait_s: float) -> None:
        """Do what there is to do: connect, send, forget what was acknowledged.

        Args:
            wait_s: Longest wait for the network where there is nothing to do [s].
        """
        if self._client is None and not self._connect():
            time.sleep(wait_s)
            return
        assert self._client is not None
        rc = self._client.loop(timeout=wait_s)
        self._forget()
        late = not self._up and self._time_s() > self._accept_by
        if rc != MQTT_ERR_SUCCESS or late:
            self._drop("it did not answer" if late else "connection lost")
        elif self._up:
            self._send()

    def _new_client(self) -> Client:
        account = self._account
        client = Client(CallbackAPIVersion.VERSION2, client_id=account.client_id)
        client.will_set(self._status_topic, b"offline", qos=1, retain=True)
        client.max_inflight_messages_set(WINDOW + 5)
        client.connect_timeout = CONNECT_S
        if account.username is not None:
            client.username_pw_set(account.username, account.password)
        if account.ca_file is not None:
            try:
                client.tls_set(ca_certs=str(account.ca_file))
            except (OSError, ValueError) as error:
                raise BrokerError(
                    f"broker.ca_file is {account.ca_file}: {error}; give a readable certificate"
                ) from error
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        return client

    def _connect(self) -> bool:
        if self._time_s() < self._retry_at:
            return False
        try:
            client = self._new_client()
            client.connect(self._account.host, self._account.port, keepalive=KEEPALIVE_S)
        except (OSError, ValueError, BrokerError) as error:
            self._failed(str(error))
            return False
        self._client, self._after = client, 0
        self._accept_by = self._time_s() + ACCEPT_S
        return True

    def _drop(self, why: str) -> None:
        """End a connection: what was not acknowledged on it is sent again on the next."""
        assert self._client is not None
        self._client.disconnect()
        self._client = None
        self._on_way.clear()
        # Sent once more, and then forgotten at once: else a line that breaks every few seconds
        # would send the same for ever.
        self._again.update(self._held)
        self._held.clear()
        # Two nodes with one name throw each other out: that must not turn into a race.
        if self._up and self._time_s() > self._steady_at:
            self._tries = 0
        self._up = False
        self._failed(self._trouble or why)

    def _failed(self, why: str) -> None:
        span = min(BACKOFF_CAP_S, BACKOFF_FIRST_S * 2 ** min(self._tries, 10))
        self._tries += 1
        self._retry_at = self._time_s() + self._random.uniform(0, span)
        if why != self._said:
            self._said = why
            place = f"{self._account.host}:{self._account.port}"
            log.warning("broker %s: %s; measurements wait, trying again", place, why)

    def _on_connect(
        self, client: Client, _u: Any, _f: ConnectFlags, reason: ReasonCode, _p: Properties | None
    ) -> None:
        if reason.is_failure:
            self._trouble = f"refuses us: {reason}; check user name and password in [broker]"
            return
        self._up, self._trouble, self._said = True, "", ""
        self._steady_at = self._time_s() + STEADY_S
        log.info("connected to the broker, %d messages wait", self._box.waiting)
        client.publish(self._status_topic, b"online", qos=1, retain=True)

    def _on_publish(
        self, _c: Client, _u: Any, mid: int, _reason: ReasonCode, _p: Properties | None
    ) -> None:
        letter = self._on_way.pop(mid, None)
        if letter is not None:
            at_once = letter.press or letter.seq in self._again
            self._held[letter.seq] = self._time_s() + (0.0 if at_once else self._hold_s)

    def _forget(self) -> None:
        now_s = self._time_s()
        if done := [seq for seq, until_s in self._held.items() if until_s <= now_s]:
            self._box.remove(done)
            self._again.difference_update(done)
            for seq in done:
                del self._held[seq]

    def _send(self) -> None:
        room = WINDOW - len(self._on_way)
        if room <= 0 or self._client is None:
            return
        on_way = {letter.seq for letter in self._on_way.values()}
        for letter in self._box.next_letters(self._after, WINDOW + len(on_way)):
            if letter.seq in on_way or len(self._on_way) >= WINDOW:
                continue
            done = self._client.publish(letter.topic, letter.payload, qos=1)
            if done.rc != MQTT_ERR_SUCCESS:
                return
            self._on_way[done.mid] = letter
            if not letter.press:
                self._after = letter.seq

    def tell(self, topic: str, payload: bytes) -> bool:
        """Send a retained message that need not arrive; return whether it was handed over."""
        if not self._up or self._client is None:
            return False
        return self._client.publish(topic, payload, retain=True).rc == MQTT_ERR_SUCCESS

    def close(self) -> None:
        """Send what can be sent in a moment, and say goodbye; the rest goes on waiting."""
        deadline = self._time_s() + FAREWELL_S
        while self._up and self._box.waiting > len(self._held) and self._time_s() < deadline:
            self.turn(0.05)
        if self._client is None:
            return
        if self._up:
            farewell = self._client.publish(self._status_topic, b"offline", qos=1, retain=True)
            while not farewell.is_published() and self._time_s() < deadline + FAREWELL_S:
                if self._client.loop(timeout=0.05) != MQTT_ERR_SUCCESS:
                    break
        self._client.disconnect()
        self._client, self._up = None, False
        self._forget()
