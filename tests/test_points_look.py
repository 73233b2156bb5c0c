"""The points board in a real browser, on a real broker: claiming by hand, and nothing acts.

What must stay inert: OWASP ASVS 4.0, 5.3.3 (from memory); topic and payload are common attacks.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from envmon.field.hearing_link import Hearing
from envmon.intake.link import Account
from tests.boards_support import PHONE, Stand, page_of, stand_of
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto
from tests.points_support import SHOP, shop_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = [*NEEDS_MOSQUITTO, pytest.mark.browser]

HOSTILE = "fjord/<img src=x onerror=window.hit=1>\u202e"


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Stand]:
    """Boards on a broker that has kept a good sensor's topic and a hostile one's."""
    with Mosquitto(tmp_path) as broker:
        broker.publish(HOSTILE, '{"<b>temp</b>": 20.1, "x": "<script>window.hit=1</script>"}', "-r")
        broker.publish("fjord/hall", '{"temperature": 20.1, "humidity": 41}', "-r")
        hearing = Hearing(("127.0.0.1", broker.port), Account())
        (tmp_path / "data").mkdir()
        stand = stand_of(tmp_path / "data", SHOP)
        stand.boards = replace(stand.boards, shop_path=shop_file(tmp_path), hearing=hearing)
        with stand.serving() as serving:
            serving.say()
            yield serving
        hearing.close()


def test_a_topic_is_claimed_by_hand_and_nothing_on_the_page_acts(
    live: Stand, browser: Browser, tmp_path: Path
) -> None:
    with page_of(browser, f"{live.url}/points", PHONE) as page:
        page.wait_for_selector(".topic >> nth=1")
        assert page.evaluate("window.hit") is None
        assert page.locator(".points img, .points script, .points b b").count() == 0
        names = page.locator(".topic-name").all_inner_texts()
        assert any("<img src=x onerror=window.hit=1>\\u202e" in name for name in names)
        card = page.locator('[data-topic="fjord/hall"]')
        card.locator("> .claim-key").click()
        card.locator(".bay").select_option("north")
        card.get_by_text("show the lines").click()
        page.wait_for_selector(".claim-lines:not([hidden])")  # humidity is said by its name
        card.locator(".take-as").first.select_option("panel_temp_c")
        card.locator(".take-unit").first.select_option("°F")
        card.locator(".bay").select_option("south")
        assert card.locator(".claim-lines").is_hidden()  # they would no longer be true
        card.get_by_text("show the lines").click()
        page.wait_for_selector(".claim-lines:not([hidden])")
        shown = card.locator(".claim-lines").text_content()
        card.get_by_text("add them").click()
        page.wait_for_selector('.claim-say:has-text("Added; as it was before")')
        assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
    text = (tmp_path / "shop.toml").read_text(encoding="utf-8")
    assert shown
    assert shown in text
    assert tomllib.loads(text)["point"][-1] == {
        "id": "hall", "bay": "south", "topic": "fjord/hall", "format": "json",
        "reads": {
            "panel_temp_c": {"pointer": "/temperature", "unit": "°F"},
            "rel_hum_pct": {"pointer": "/humidity"},
        },
    }  # fmt: skip


def test_without_its_server_nothing_is_shown_as_live(live: Stand, browser: Browser) -> None:
    with page_of(browser, f"{live.url}/points") as page:
        page.wait_for_selector(".topic >> nth=1")
        page.route("**/api/v1/points", lambda route: route.abort())
        page.wait_for_selector('.f-go:has-text("Nobody knows who talks")')
        assert page.locator(".topic").count() == 0
        assert page.locator(".lost-bar").is_visible()
