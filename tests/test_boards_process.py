"""The board process with a real broker: killed, restarted, and without a broker."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.clock import iso_from_us
from envmon.guard.plan import plan_from_shop
from tests.benchmarks.broker_trials import free_port
from tests.boards_support import (
    Air,
    card,
    live_state,
    page_of,
    shop_from,
    shop_text,
    wait_text,
)
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = [
    *NEEDS_MOSQUITTO,
    pytest.mark.browser,
]
PLAN = plan_from_shop(shop_from(shop_text()))
VERDICT = card("north", "verdict")


class Processes:
    """A broker, the boards, and a stand-in for the watch that speaks twice a second."""

    def __init__(self, folder: Path) -> None:
        self.broker, self.port = Mosquitto(folder), free_port()
        self._shop = folder / "shop.toml"
        self._shop.write_text(
            shop_text()
            .replace("port = 1883", f"port = {self.broker.port}")
            .replace("boards_port = 8050", f"boards_port = {self.port}"),
            encoding="utf-8",
        )
        self.boards: subprocess.Popen[bytes] | None = None
        self._watch = Client(CallbackAPIVersion.VERSION2)
        self._watch.reconnect_delay_set(1, 1)
        self._end = threading.Event()
        self._air = Air()
        self._thread = threading.Thread(target=self._speak)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        self.broker.start()
        self._watch.connect("127.0.0.1", self.broker.port)
        self._watch.loop_start()
        self._thread.start()
        self.start_boards()

    def start_boards(self) -> None:
        command = [sys.executable, "-m", "envmon_boards", str(self._shop)]
        self.boards = subprocess.Popen(command)
        wait_until(lambda: self.health() is not None, "the boards")

    def health(self) -> Any:
        with contextlib.suppress(OSError):
            try:
                answer = urllib.request.urlopen(f"{self.url}/healthz", timeout=10)
            except urllib.error.HTTPError as error:
                answer = error
            with answer:
                return json.load(answer)
        return None

    def say(self, air: Air) -> None:
        self._air = air

    def _speak(self) -> None:
        while not self._end.wait(0.5):
            now_us = time.time_ns() // 1_000
            state = live_state(PLAN, "north", "coating", [self._air] * 10, now_us)
            beat = {"state": "up", "at": iso_from_us(now_us), "text": ""}
            texts = {
                "envmon/north/state": msgspec.json.encode(state),
                "envmon/watch/heartbeat": msgspec.json.encode(beat),
            }
            for topic, text in texts.items():
                self._watch.publish(topic, text, retain=True)

    def stop(self) -> None:
        self._end.set()
        self._thread.join(60)
        self._watch.disconnect()
        self._watch.loop_stop()
        if self.boards is not None:
            self.boards.terminate()
            self.boards.wait(60)
        self.broker.stop()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Processes]:
    processes = Processes(tmp_path)
    processes.start()
    yield processes
    processes.stop()


def test_a_killed_server_comes_back_on_every_screen(running: Processes, browser: Browser) -> None:
    with page_of(browser, running.url) as page:
        wait_text(page, VERDICT, "FIT")
        assert running.boards is not None
        running.boards.kill()
        running.boards.wait(60)
        wait_text(page, VERDICT, "NO DATA")
        running.say(Air(14.2, 68.0, 4.1))
        running.start_boards()
        wait_text(page, VERDICT, "UNFIT")


def test_a_lost_broker_is_said_and_comes_back(running: Processes, browser: Browser) -> None:
    with page_of(browser, running.url) as page:
        wait_text(page, VERDICT, "FIT")
        running.broker.stop()
        wait_text(page, '[data-f="trouble"]', "broker lost")
        wait_text(page, VERDICT, "NO DATA")
        running.broker.start()
        wait_text(page, VERDICT, "FIT")
        wait_text(page, '[data-f="trouble"]', "")


def test_sigterm_ends_it_with_screens_open(running: Processes, browser: Browser) -> None:
    with page_of(browser, running.url) as page:
        wait_text(page, VERDICT, "FIT")
        assert running.boards is not None
        running.boards.terminate()
        assert running.boards.wait(10) in {0, -15}
