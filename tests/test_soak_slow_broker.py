"""A broker that is behind: what is said to it does not pile up, and is said again afterwards."""

from __future__ import annotations

import signal
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.intake.link import UNSAID, BrokerLink
from envmon.service.broker import LOOPBACK
from tests.link_support import wait_up
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = NEEDS_MOSQUITTO

LARGE = b"x" * 65_536
MANY = 2_000
"""128 MB of these, far more than the kernel holds for a connection."""
WAITING = 3_000


@contextmanager
def stopped(broker: Mosquitto) -> Iterator[None]:
    """Hold the broker up: it takes nothing from its connections."""
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    try:
        yield
    finally:
        broker.process.send_signal(signal.SIGCONT)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, on_disk=False) as running:
        yield running


@pytest.mark.parametrize(("qos", "payload"), [(0, LARGE), (1, b"alarm")])
def test_what_is_said_does_not_pile_up(broker: Mosquitto, qos: int, payload: bytes) -> None:
    link = BrokerLink(LOOPBACK, broker.port, "slow", ())
    wait_up(link)
    with stopped(broker):
        taken = sum(link.publish("envmon/one/state", payload, qos=qos) for _ in range(MANY))
        assert 0 < taken <= UNSAID
        assert link.publish("envmon/one/alarm/old", b"")  # taking back is never left out
    with Ear(broker.port, "envmon/#") as ear:
        wait_until(
            lambda: link.publish("envmon/one/state", b"now", qos=qos), "the broker", 60,
            lambda: link.take(0.05),
        )  # fmt: skip
        wait_until(
            lambda: ear.newest("envmon/one/state") == b"now", "the word", 60,
            lambda: link.take(0.05),
        )  # fmt: skip
    link.close()


def written(broker: Mosquitto) -> int:
    """Return how much the broker has written so far, to files and connections [bytes]."""
    assert broker.process is not None
    text = Path(f"/proc/{broker.process.pid}/io").read_text(encoding="ascii")
    return int(dict(line.split(": ") for line in text.splitlines())["wchar"])


def test_what_a_long_outage_left_is_worked_off_without_a_write_for_each(tmp_path: Path) -> None:
    """A card writes 10 MB a second (common practice): a whole file for each message never ends."""
    with Mosquitto(tmp_path, shipped=True) as broker:
        away = BrokerLink(LOOPBACK, broker.port, "watch", ("hall/#",))
        wait_up(away)
        away.close()
        begun = time.monotonic()
        with Ear(broker.port, "nothing") as node:
            sent = [node.say("hall/air", LARGE[:100]) for _ in range(WAITING)]
            wait_until(lambda: all(one.is_published() for one in sent), "the node", 120)
        link, taken = BrokerLink(LOOPBACK, broker.port, "watch", ("hall/#",)), 0
        while taken < WAITING:
            batch = link.take(0.05)
            link.acknowledge(batch)
            taken += len(batch)
        seconds = time.monotonic() - begun
        wrote = written(broker)
        link.close()
    file_bytes = 200 * WAITING  # at most, with what Mosquitto keeps beside each
    assert wrote < (seconds / 5 + 3) * file_bytes
