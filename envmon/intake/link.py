"""The one connection to the broker: persistent session, QoS 1, acknowledged by hand.

One thread drives paho's socket itself: read all that is there, let the caller commit it,
then acknowledge. Measured beforehand, this carries the most messages and a hand-driven loop
has no queue in which a message could be lost; MQTT 3.1.1, because MQTT 5 properties cost a
quarter of paho's speed and nothing here needs them.
"""

from __future__ import annotations

import random
import select
import time
from typing import TYPE_CHECKING, Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from envmon.errors import BrokerError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

BATCH = 1_000
"""At most so many messages are handed over, committed and acknowledged at once."""
KEEPALIVE_S = 20
BACKOFF_FIRST_S = 0.5
BACKOFF_CAP_S = 10.0
UNSAID = 1_000
"""So much that wants an acknowledgement waits for a broker that is behind; more is not taken."""
STEADY_S = 10.0
"""A connection that stood so long was a good one; the next try is the first again."""


class Message(NamedTuple):
    """A message, with what is needed to acknowledge it on the connection it came by."""

    topic: str
    payload: bytes
    mid: int
    qos: int
    connection: int
    retained: bool = False


class Will(NamedTuple):
    """What the broker says for us when we are gone without a word."""

    topic: str
    payload: bytes


class Account(NamedTuple):
    """How to log in; without a name the broker must let anybody in."""

    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None

    def log_in(self, client: mqtt.Client) -> None:
        """Give a client the name, the password and the authority to trust.

        Raises:
            BrokerError: The certificate file cannot be read.
        """
        if self.username is not None:
            client.username_pw_set(self.username, self.password)
        if self.ca_file is not None:
            try:
                client.tls_set(ca_certs=str(self.ca_file))
            except (OSError, ValueError) as error:
                raise BrokerError(
                    f"ca_file is {self.ca_file}: {error}; give a readable certificate file"
                ) from error


class BrokerLink:
    """Connection that comes back by itself.

    While the broker is away ``take`` returns nothing and tries again with full jitter and a
    cap. It waits no longer than the time given, but for a try to connect (at most 5 s, where
    the host neither answers nor refuses).

    Args:
        host: Broker's host.
        port: Broker's port.
        client_id: Name of the persistent session.
        topics: Topic filters to subscribe at QoS 1, at every connection.
        will: Last will, retained.
        account: Log-in.
    """

    def __init__(
        self,
        host: str,
        port: int,
        client_id: str,
        topics: Sequence[str],
        will: Will | None = None,
        account: Account = Account(),  # noqa: B008 - immutable
    ) -> None:
        self._address = (host, port)
        self._topics = list(topics)
        self._inbox: list[Message] = []
        self._connection = 0
        self._up = False
        self._tries = 0
        self._retry_at = 0.0
        self._steady_at = 0.0
        self._misc_at = 0.0
        self._random = random.Random()  # noqa: S311 - jitter, no secret
        self.last_error = ""
        self._client = self._new_client(client_id, will, account)

    def _new_client(self, client_id: str, will: Will | None, account: Account) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=False,
            protocol=mqtt.MQTTv311,
            manual_ack=True,
        )
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=True)
        account.log_in(client)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.connect_timeout = 5.0
        client.max_queued_messages_set(UNSAID)
        return client

    @property
    def up(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        return self._up

    def _on_connect(
        self, _c: mqtt.Client, _u: Any, _f: ConnectFlags, reason: ReasonCode, _p: Properties | None
    ) -> None:
        if reason.is_failure:
            self.last_error = f"broker refuses: {reason}"
            return
        self._connection += 1
        self._up = True
        self._steady_at = time.monotonic() + STEADY_S
        self.last_error = ""
        if self._topics:
            self._client.subscribe([(topic, 1) for topic in self._topics])

    def _on_disconnect(
        self, _c: mqtt.Client, _u: Any, _f: DisconnectFlags, reason: ReasonCode,
        _p: Properties | None,
    ) -> None:  # fmt: skip
        self._up = False
        # Two watches with one name throw each other out: that must not turn into a race.
        if time.monotonic() > self._steady_at:
            self._tries = 0
        if not self.last_error:
            self.last_error = f"connection lost: {reason}"
        self._plan_retry()

    def _on_subscribe(
        self, _c: mqtt.Client, _u: Any, _mid: int, reasons: list[ReasonCode], _p: Properties | None
    ) -> None:
        refused = [t for t, r in zip(self._topics, reasons, strict=False) if r.is_failure]
        if refused:
            self.last_error = f"broker refuses to let us hear {', '.join(refused)}"

    def _on_message(self, _c: mqtt.Client, _u: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = repr(bytes(message._topic))  # noqa: SLF001 - paho keeps the raw bytes there
        self._inbox.append(
            Message(
                topic,
                bytes(message.payload),
                message.mid,
                message.qos,
                self._connection,
                message.retain,
            )
        )

    def _plan_retry(self) -> None:
        """Wait a random time between nothing and a doubling, capped span."""
        span = min(BACKOFF_CAP_S, BACKOFF_FIRST_S * 2 ** min(self._tries, 10))
        self._tries += 1
        self._retry_at = time.monotonic() + self._random.uniform(0, span)

    def _ensure_connected(self) -> None:
        if self._client.socket() is not None or time.monotonic() < self._retry_at:
            return
        try:
            self._client.connect(*self._address, keepalive=KEEPALIVE_S)
        except (OSError, ValueError) as error:
            self.last_error = f"cannot reach {self._address[0]}:{self._address[1]}: {error}"
            self._plan_retry()

    def take(self, timeout_s: float) -> list[Message]:
        """Return messages that have come, waiting at most ``timeout_s`` for the first.

        Args:
            timeout_s: Longest wait [s]; 0 looks once.
        """
        self._ensure_connected()
        sock = self._client.socket()
        if sock is None:
            time.sleep(min(timeout_s, max(0.0, self._retry_at - time.monotonic())))
            return []
        self._read(timeout_s)
        if time.monotonic() >= self._misc_at:
            self._misc_at = time.monotonic() + 1.0
            self._client.loop_misc()
        batch, self._inbox = self._inbox[:BATCH], self._inbox[BATCH:]
        return batch

    def _read(self, timeout_s: float) -> None:
        """Read packets until nothing more is there or a batch is full."""
        wait = 0.0 if self._inbox else timeout_s
        while len(self._inbox) < BATCH:
            sock = self._client.socket()
            if sock is None:
                return
            writers = [sock] if self._client.want_write() else []
            # TLS may hold decrypted bytes that select cannot see.
            pending = bool(getattr(sock, "pending", int)())
            try:
                ready, writable, _ = select.select([sock], writers, [], 0 if pending else wait)
            except (OSError, ValueError):
                self._client.loop_misc()
                return
            if writable:
                self._client.loop_write()
            if not ready and not pending:
                return
            if self._client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            wait = 0.0

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages whose readings are durable.

        One that came by an earlier connection is left alone: the broker sends it again, and
        an acknowledgement it does not expect makes some brokers hang up.
        """
        for message in messages:
            if message.qos and message.connection == self._connection and self._up:
                self._client.ack(message.mid, message.qos)
        self._flush()

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = True) -> bool:
        """Send a message if the connection stands; return whether it was handed over.

        While the broker is behind nothing more is taken but what takes back a retained message:
        whatever else is said is said again soon, and must not pile up here.
        """
        if not self._up or (payload and not qos and self._client.want_write()):
            return False
        done = self._client.publish(topic, payload, qos=qos, retain=retain)
        self._flush()
        return done.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    def _flush(self) -> None:
        if self._client.socket() is not None and self._client.want_write():
            self._client.loop_write()

    def close(self) -> None:
        """Say goodbye so that the last will is not sent; the session stays at the broker."""
        if self._up:
            self._client.disconnect()
            self._flush()
