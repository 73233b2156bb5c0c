"""Jobs through the watch as a process: a real Mosquitto, requests as boards leave them, a pedal."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from envmon.job import events as names
from envmon.store.sqlite import SqliteStore
from tests.job_support import JOB_SHOP
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.facts import Event

pytestmark = NEEDS_MOSQUITTO
JOB_TOPIC = "envmon/one/job"


class Running:
    """A watch in a process of its own."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.data = folder / "data"
        shop_file = folder / "shop.toml"
        where = f'[broker]\nkind = "external"\nport = {broker.port}\n'
        shop_file.write_text(JOB_SHOP + where, encoding="utf-8")
        argv = [sys.executable, "-m", "envmon.service.watch_process", str(shop_file)]
        self.process = subprocess.Popen(argv, stderr=subprocess.DEVNULL)
        wait_until((self.data / "watch.ready").exists, "the watch to be ready")

    def ask(self, act: str, **data: Any) -> list[Event]:
        """Leave a request as a board does and return what the watch made of it."""
        with closing(SqliteStore(self.data)) as store:
            at_us = time.time_ns() // 1_000
            number = store.ask(names.JOB_ACT, "one", {"act": act, **data}, at_us)
            found: list[Event] = []

            def answered() -> list[Event]:
                found[:] = [e for e in store.events() if e.data.get("ask") == number]
                return found

            wait_until(answered, f"an answer to {act}")
            return found

    def kinds(self) -> list[str]:
        with closing(SqliteStore(self.data)) as store:
            return [event.kind for event in store.events()]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


@pytest.fixture
def running(tmp_path: Path, broker: Mosquitto) -> Iterator[Running]:
    made = Running(tmp_path, broker)
    yield made
    made.process.terminate()
    made.process.wait(15)


def bench(ear: Ear) -> Any:
    text = ear.newest(JOB_TOPIC)
    return json.loads(text) if text else None


def test_a_job_is_published_at_once_and_a_pedal_drives_it(
    running: Running, broker: Mosquitto
) -> None:
    with Ear(broker.port, "envmon/+/job") as ear:
        wait_until(lambda: bench(ear), "the work in the bay")
        assert bench(ear)["job"] is None
        (opened,) = running.ask("open", procedure="coat", body="trike", by="Ada")
        wait_until(lambda: bench(ear)["job"], "the job on the broker")
        assert bench(ear)["job"]["job"] == opened.data["job"]
        (refused,) = running.ask("start", step=2)  # no sensor has spoken: nothing is known
        assert refused.kind == names.REFUSED
        wait_until(lambda: bench(ear)["refused"], "what was refused")
        running.ask("start", step=2, reason="to try the pedal")
        broker.publish("hall/pedal", "press", "-r")  # retained, but heard live: it counts
        wait_until(lambda: names.APPLIED in running.kinds(), "the first panel")
        broker.publish("hall/pedal", '{"button": "press", "n": 1}')
        wait_until(lambda: running.kinds().count(names.APPLIED) == 2, "the second panel")
        broker.publish("hall/pedal", '{"button": "hold", "n": 2}')
        wait_until(lambda: names.UNDONE in running.kinds(), "the undo")
        wait_until(lambda: bench(ear)["job"]["flying"] == 1, "one panel in flight")
    with Ear(broker.port, JOB_TOPIC) as late:
        wait_until(lambda: bench(late), "what the broker kept")
        assert late.heard[0][2], "retained, so that a screen opened later knows at once"
