"""The broker gone and back, and restarted again and again: nothing is lost, nothing twice."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from envmon.clock import ScaledClock
from envmon.store.chain import first_break
from envmon.store.sqlite import SqliteStore
from tests.acceptance.broker_hour import NODES, Node, report, run
from tests.faults_support import WatchRun, beat_of
from tests.guard_support import START_US
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


@pytest.mark.timeout(300)
def test_broker_gone_for_five_minutes_of_the_shops_clock(tmp_path: Path) -> None:
    """The whole hour is for tests/acceptance/broker_hour.py; this is the same, shorter."""
    outcome = run(tmp_path, 300, 60)
    assert outcome.ok, report(outcome)
    assert outcome.late > 20
    assert outcome.why.startswith("unknown: ")
    assert "no reading since" in outcome.why


def test_broker_restarted_again_and_again_loses_and_doubles_nothing(tmp_path: Path) -> None:
    clock = ScaledClock(time.time_ns() // 1000, START_US, 200)
    with (
        Mosquitto(tmp_path) as broker,
        WatchRun(tmp_path, broker.port, tmp_path / "data", clock) as watch,
    ):
        with Ear(broker.port, "envmon/#") as ear:
            wait_until(lambda: beat_of(ear).get("state") == "up", "the watch", 60)
        nodes = [Node(broker.port, name, fields, clock) for name, fields in NODES]
        for node in nodes:
            node.start()
        for _ in range(4):
            before = len(watch.values())
            wait_until(lambda: len(watch.values()) > before + 20, "more readings", 60)  # noqa: B023
            broker.stop()
            broker.start()
        for node in nodes:
            node.end()
        wait_until(lambda: all(node.done for node in nodes), "the nodes to have sent all", 60)
        made = {key: value for node in nodes for key, value in node.measured.items()}
        wait_until(lambda: len(watch.values()) >= len(made), "all to be stored", 60)
        for node in nodes:
            node.close()
        assert watch.end(15) == 0
        store = SqliteStore(watch.data)
        assert {r[:3]: r.value for r in store.readings(0, 2**62)} == made
        assert len(watch.values()) == len(made)
        assert first_break(store.events()) is None
        store.close()
