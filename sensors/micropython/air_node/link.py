"""The connection: what waits is sent in order, and forgotten when it is acknowledged."""

import random

from air_node.errors import BrokerError
from air_node.mqtt import Login, Mqtt
from air_node.ring import Ring
from air_node.senml import pack

TYPE_CHECKING = False
if TYPE_CHECKING:
    from air_node.kinds import Network

PACK = 10
"""Most measurements in one message."""
BACKOFF_FIRST_MS, BACKOFF_CAP_MS = 1_000, 60_000
STEADY_MS = 10_000
"""A connection that stood so long was a good one; the next try is the first again [ms]."""


class Link:
    """Sends what waits; comes back by itself, with full jitter and a cap.

    Args:
        network: The way to the broker.
        login: Who we are there.
        topic: Where measurements go.
        ring: What waits.

    Attributes:
        up: Whether the broker has accepted us.
        trouble: What is wrong with the connection; empty when nothing is.
    """

    def __init__(self, network: "Network", login: Login, topic: str, ring: Ring) -> None:
        self._network, self._login, self._topic, self._ring = network, login, topic, ring
        self._mqtt: Mqtt | None = None
        self._through = 0
        self._tries, self._retry_ms, self._since_ms = 0, 0, 0
        self.up, self.trouble = False, ""

    @property
    def idle(self) -> bool:
        """Whether nothing of ours is on its way."""
        return self._mqtt is None or not self._mqtt.on_way

    def reachable(self) -> bool:
        """Return whether the network is there, whatever becomes of the broker."""
        return self._network.up()

    def turn(self, wait_ms: int, now_ms: int) -> None:
        """Do what there is to do: connect, send, forget what was acknowledged.

        Args:
            wait_ms: Longest wait where there is nothing to do [ms].
            now_ms: Time since power came on [ms].
        """
        if not self._network.up():
            if self._mqtt is not None:
                self._drop(self._network.why(), now_ms)
            self.trouble = self._network.why()
        try:
            if self._mqtt is not None:
                self._work(self._mqtt, wait_ms, now_ms)
                return
            if self._network.up() and now_ms >= self._retry_ms:
                self._mqtt = Mqtt(self._network.dial(), self._login, now_ms)
                self._since_ms = now_ms
                return
        except (OSError, BrokerError, ValueError) as error:
            self._drop(f"{error}", now_ms)
        self._network.pause(wait_ms)

    def _work(self, mqtt: Mqtt, wait_ms: int, now_ms: int) -> None:
        mqtt.turn(wait_ms, now_ms)
        if mqtt.on_way or not mqtt.accepted:
            return
        if not self.up:
            self.up, self.trouble = True, ""
            self._since_ms = now_ms
            mqtt.publish(self._login.will_topic, b"online", now_ms, retain=True)
            return
        self._ring.forget_through(self._through)
        letters = self._ring.dated(PACK)
        if letters:
            self._through = self._ring.first + len(letters) - 1
            mqtt.publish(self._topic, pack(self._topic, letters), now_ms)

    def _drop(self, why: str, now_ms: int) -> None:
        """End a connection: what was not acknowledged on it is sent again on the next."""
        # Two nodes with one name throw each other out: that must not turn into a race.
        if self.up and now_ms - self._since_ms > STEADY_MS:
            self._tries = 0
        if self._mqtt is not None:
            self._mqtt.abandon()
        self._mqtt, self.up, self._through = None, False, 0
        span = min(BACKOFF_CAP_MS, BACKOFF_FIRST_MS << min(self._tries, 10))
        self._tries += 1
        self._retry_ms = now_ms + int(random.random() * span)  # noqa: S311 - jitter, no secret
        self.trouble = why

    def tell(self, topic: str, payload: bytes, now_ms: int) -> bool:
        """Send a retained message; return whether it is on its way."""
        if self._mqtt is None or not self.up or self._mqtt.on_way:
            return False
        try:
            self._mqtt.publish(topic, payload, now_ms, retain=True)
        except OSError as error:
            self._drop(f"{error}", now_ms)
            return False
        return True

    def close(self, word: bytes, turns: int) -> None:
        """Say how we go, wait for its acknowledgement a number of turns, and end."""
        if self._mqtt is None:
            return
        try:
            if self.up and not self._mqtt.on_way:
                self._mqtt.publish(self._login.will_topic, word, 0, retain=True)
            while self.up and self._mqtt.on_way and turns:
                self._mqtt.turn(50, 0)
                turns -= 1
        except (OSError, BrokerError):
            self._mqtt.abandon()
        else:
            self._mqtt.close()
        self._mqtt, self.up = None, False
