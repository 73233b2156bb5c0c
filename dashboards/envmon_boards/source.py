"""The broker as the live feed's source: subscribe, take in, come back when it is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from paho.mqtt.client import ConnectFlags
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

    from envmon.intake.link import Account
    from envmon_boards.feed import LiveFeed

ORDER_TOPIC = "demo/pull"
KEEPALIVE_S = 10


class MqttSource:
    """Fills a feed from the broker, in a thread of its own.

    Nothing is kept for it at the broker: what matters to a screen is retained anyway.

    Args:
        feed: What to fill.
        address: Host and port of the broker.
        account: Log-in.
    """

    def __init__(self, feed: LiveFeed, address: tuple[str, int], account: Account) -> None:
        self._feed, self._address = feed, address
        self._heard: set[str] = set()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, clean_session=True)
        account.log_in(self._client)
        self._client.reconnect_delay_set(min_delay=1, max_delay=15)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Connect, now or as soon as the broker is there."""
        self._client.connect_async(*self._address, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect and end the thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def order(self, document: dict[str, Any]) -> bool:
        """Publish an order of the demo's page; return whether the broker is there for it."""
        if not self._client.is_connected():
            return False
        self._client.publish(ORDER_TOPIC, msgspec.json.encode(document), qos=1)
        return True

    def _on_connect(
        self, client: mqtt.Client, _u: Any, _f: ConnectFlags, reason: ReasonCode,
        _p: Properties | None,
    ) -> None:  # fmt: skip
        if reason.is_failure:
            return
        self._heard.clear()
        client.subscribe([(topic, 0) for topic in self._feed.topics()])
        self._feed.set_broker(up=True)

    def _on_disconnect(self, *_: Any) -> None:
        self._feed.set_broker(up=False)

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        # Some brokers leave the retain flag on what is sent just now: only the first message
        # on a topic after subscribing can be one that was kept.
        kept = message.retain and message.topic not in self._heard
        self._heard.add(message.topic)
        self._feed.take(message.topic, bytes(message.payload), live=not kept)
