"""The demo's page: the simulated shop's own list of sensors, and orders it understands."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.intake.link import Account
from envmon_boards.feed import NODES_TOPIC
from envmon_boards.source import MqttSource
from envmon_sensors.control import apply_command, command_from_payload, nodes_document
from envmon_sensors.scenario import demo_start_us
from envmon_sensors.shop import SimulatedShop
from tests.boards_support import Stand, page_of, stand_of, wait_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser


class Wire(MqttSource):
    """Carries orders straight to a simulated shop, and its list of nodes straight back."""

    def __init__(self, stand: Stand) -> None:
        super().__init__(stand.feed, ("127.0.0.1", 1), Account())
        self.shop = SimulatedShop(1, demo_start_us())
        self._stand = stand
        self.there = True
        self._list()

    def order(self, document: dict[str, Any]) -> bool:
        if self.there:
            apply_command(self.shop, command_from_payload(msgspec.json.encode(document)))
            self._list()
        return self.there

    def _list(self) -> None:
        self._stand.feed.take(NODES_TOPIC, nodes_document(self.shop))


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[tuple[Stand, Wire]]:
    plain = stand_of(tmp_path)
    wire = Wire(plain)
    with Stand(dataclasses.replace(plain.boards, source=wire)).serving() as serving:
        yield serving, wire


def test_a_sensor_is_pulled_and_put_back(demo: tuple[Stand, Wire], browser: Browser) -> None:
    stand, wire = demo
    with page_of(browser, stand.url + "/demo") as page:
        page.wait_for_selector(".node-row")
        assert page.locator(".node-row").count() == len(wire.shop.nodes)
        assert "object" not in page.inner_text('[data-f="nodes"]')
        page.click('[data-node="north/panel"]')
        page.wait_for_selector(".node-row.out")
        assert wire.shop.nodes["north/panel"].pulled
        page.click('[data-node="north/panel"]')
        page.wait_for_function("!document.querySelector('.node-row.out')")
        assert not wire.shop.nodes["north/panel"].pulled


def test_a_door_and_a_wash(demo: tuple[Stand, Wire], browser: Browser) -> None:
    stand, _ = demo
    with page_of(browser, stand.url + "/demo") as page:
        for hand, said in (("door", "open door: done"), ("wash", "start wash: done")):
            page.click(f'[data-of="south"][data-hand="{hand}"][data-on="1"]')
            wait_text(page, '[data-f="said"]', said)


def test_no_broker_no_order(demo: tuple[Stand, Wire], browser: Browser) -> None:
    stand, wire = demo
    wire.there = False
    with page_of(browser, stand.url + "/demo") as page:
        page.click('[data-of="south"][data-hand="door"][data-on="1"]')
        wait_text(page, '[data-f="said"]', "not done: the broker is not there; nothing was sent")
