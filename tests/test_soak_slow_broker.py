"""A broker that is behind: what is said to it does not pile up, and is said again afterwards."""

from __future__ import annotations

import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from envmon.intake.link import UNSAID, BrokerLink
from envmon.service.broker import LOOPBACK
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO

LARGE = b"x" * 65_536
MANY = 2_000
"""128 MB of these, far more than the kernel holds for a connection."""


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
    link.wait_up(15)
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
