"""The shop's alarms through a real broker: what it had kept is of unknown age, the next is live."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.intake.link import Account
from envmon_boards.feed import ALARMS_TOPIC, LiveFeed
from envmon_boards.source import MqttSource
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto, wait_until

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO
SAID = '{"at": "2026-01-27T23:05:00.000Z", "alarms": []}'


def test_kept_by_the_broker_and_then_live(tmp_path: Path) -> None:
    feed = LiveFeed()
    with Mosquitto(tmp_path) as broker:
        broker.publish(ALARMS_TOPIC, SAID, "-r")
        source = MqttSource(feed, ("127.0.0.1", broker.port), Account(None, None, None))
        source.start()
        try:
            wait_until(lambda: feed.alarms, "what the broker had kept")
            kept = feed.alarms_text()
            assert kept is not None
            assert kept[1] is None
            broker.publish(ALARMS_TOPIC, SAID, "-r")
            wait_until(lambda: feed.snapshot()[1]["alarms_age_s"] is not None, "the live one")
        finally:
            source.stop()
