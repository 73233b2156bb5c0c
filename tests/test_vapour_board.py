"""The vapour board: its addresses over HTTP, and the page in a real browser."""

from __future__ import annotations

import http.client
import json
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import msgspec
import pytest

from envmon.guard.live import Condition
from envmon.physics.solvent import BayAir, Spread, Vapour
from envmon.sums.vapour_question import VapourQuestion
from envmon_boards.vapour_page import DIALS
from tests.boards_support import (
    PHONE,
    TV,
    Stand,
    live_state,
    page_of,
    shop_text,
    stand_of,
    wait_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytest_plugins = ["tests.boards_fixtures"]

WIPE = {"amount": "50 g", "over": "20 min", "volume": "200 m³", "air": "3 /h", "mixing": "3"}
SHOP = (
    shop_text().replace('id = "north"\n', 'id = "north"\nvolume_m3 = 260\n')
    + """
[[point]]
id = "outdoor"
topic = "shop/out"
format = "number"
reads = { outdoor_temp_c = { unit = "°C" } }
"""
)


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Stand]:
    """Two bays, one with a volume and a live state."""
    with stand_of(tmp_path, SHOP).serving() as serving:
        serving.say(live_state(serving.plan, "north"))
        yield serving


def ask(stand: Stand, address: str, **asked: str) -> tuple[int, Any]:
    line = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=10)
    line.request("GET", f"{address}?{urlencode(asked)}")
    reply = line.getresponse()
    document = json.loads(reply.read())
    line.close()
    return reply.status, document


def test_the_answer_is_that_of_physics(shop: Stand) -> None:
    status, found = ask(shop, "/api/v1/vapour", **WIPE)
    assert status == 200
    vapour = Vapour(Spread("2-propanol", 0.05, 1_200), BayAir(200, 3))
    assert max(found["course"]["panel_ppm"]) == pytest.approx(vapour.worst_ppm("moment"))
    for limit in found["limits"]:
        assert limit["word"] in {"under", "close", "OVER"}
        assert limit["source"]
    parts = {limit["name"]: limit["part"] for limit in found["limits"]}
    assert parts["ACGIH STEL"] == pytest.approx(vapour.worst_ppm("quarter") / 400)


def test_what_cannot_be_worked_out_is_422_with_words(shop: Stand) -> None:
    for change, said in (
        ({"amount": "2 ells"}, "amount is '2 ells'"),
        ({"volume": ""}, "volume of the bay is missing"),
        ({"air": "900"}, "air changes is 900"),
        ({"colour": "red"}, "field is 'colour'"),
    ):
        status, found = ask(shop, "/api/v1/vapour", **{**WIPE, **change})
        assert status == 422
        assert said in found["error"]


def test_a_bay_brings_what_is_known_of_it(shop: Stand) -> None:
    status, found = ask(shop, "/api/v1/vapour/start")
    assert status == 200
    north, south = found["bays"]
    assert (north["id"], north["volume"], north["temp"]) == ("north", "260 m³", "20.4 °C")
    assert north["outdoor"] == ""
    assert south == {"id": "south", "volume": "", "temp": "", "outdoor": "", "at": None}


def test_the_outdoor_temperature_is_brought_as_it_can_be_read_again(shop: Stand) -> None:
    """A screen's minus sign is no keyboard's."""
    state = live_state(shop.plan, "north")
    cold = Condition(-11.5, "good", state.at, ("outdoor",), "−11.5 °C")
    known = {**state.conditions, "outdoor_temp_c": cold}
    shop.say(msgspec.structs.replace(state, conditions=known))
    _, start = ask(shop, "/api/v1/vapour/start")
    assert start["bays"][0]["outdoor"] == "-11.5 °C"
    status, found = ask(shop, "/api/v1/vapour", **WIPE, outdoor=start["bays"][0]["outdoor"])
    assert status == 200
    assert "at −12 °C outdoors" in dict(found["lines"])["heat it costs"]


def test_an_old_state_brings_no_temperature(tmp_path: Path) -> None:
    """One the broker had kept has no age: nobody knows whether it is the present."""
    with stand_of(tmp_path, SHOP).serving() as serving:
        serving.say_kept(live_state(serving.plan, "north"))
        _, found = ask(serving, "/api/v1/vapour/start")
    assert (found["bays"][0]["temp"], found["bays"][0]["at"]) == ("", None)


def test_us_shops_are_asked_and_answered_in_their_units(tmp_path: Path) -> None:
    text = SHOP.replace('silence = "5 s"', 'silence = "5 s"\nunits = "us"')
    with stand_of(tmp_path, text).serving() as serving:
        serving.say(live_state(serving.plan, "north"))
        _, start = ask(serving, "/api/v1/vapour/start")
        assert (start["bays"][0]["volume"], start["bays"][0]["temp"]) == ("9182 ft³", "68.7 °F")
        asked = {**WIPE, "amount": "2", "volume": "7000", "outdoor": "14", "temp": "68"}
        _, found = ask(serving, "/api/v1/vapour", **asked)
    lines = dict(found["lines"])
    assert lines["evaporates"] == "1.64 oz 2-propanol in 20 min"
    assert "14 °F outdoors" in lines["heat it costs"]


def test_every_dial_can_be_worked_out_at_every_step() -> None:
    """The ladders hold nothing that the sums refuse, in either system of units."""
    for place, system in enumerate(("metric", "us")):
        ladders = {dial.field: (dial.ladder, dial.ladder_us)[place] for dial in DIALS}
        start = {dial.field: ladders[dial.field][dial.start] for dial in DIALS}
        for field, ladder in ladders.items():
            for text in ladder:
                units: Any = system
                VapourQuestion.from_texts({**start, field: text}).work(units)
    assert all(len(dial.ladder) == len(dial.ladder_us) for dial in DIALS)


def dial(field: str) -> str:
    return f'[data-dial="{field}"]'


def opened(page: Page) -> None:
    page.wait_for_selector(".vapour-limit")


@pytest.mark.browser
def test_the_page_opens_with_the_bay_s_own_numbers(shop: Stand, browser: Browser) -> None:
    with page_of(browser, f"{shop.url}/vapour") as page:
        opened(page)
        assert page.input_value(f"{dial('volume')} input") == "260 m³"
        assert page.input_value(f"{dial('temp')} input") == "20.4 °C"
        assert page.input_value(f"{dial('outdoor')} input") == ""
        assert page.locator(".vapour-course svg .course").count() >= 2
        cautions = page.inner_text(".vapour-cautions")
        for words in ("no gas detector", "Ventilate", "safety data sheet", "no flame"):
            assert words in cautions


@pytest.mark.browser
def test_what_is_set_is_worked_out_and_said(shop: Stand, browser: Browser) -> None:
    """More solvent goes over a limit; the kind has a shape, a word and a colour."""
    with page_of(browser, f"{shop.url}/vapour") as page:
        opened(page)
        assert page.get_attribute(".go-line", "data-kind") == "fit"
        page.fill(f"{dial('amount')} input", "400 ml")
        page.wait_for_selector('.go-line[data-kind="unfit"]')
        assert page.inner_text('[data-f="go"]').startswith("Over NIOSH STEL")
        assert page.locator('.vapour-limit[data-kind="unfit"] .word').first.inner_text() == "OVER"
        assert page.locator(".go-line svg").count() == 1
        page.click(f"{dial('outdoor')} [data-mix-act=more]")
        page.wait_for_function("document.body.innerText.includes('°C outdoors')")
        page.click('[data-set="carrier"][data-value="acetone"]')
        page.wait_for_function("document.body.innerText.includes('acetone in 20 min')")
        assert page.locator(".vapour-limit").count() == 5


@pytest.mark.browser
def test_what_cannot_be_read_leaves_no_number_on_the_screen(shop: Stand, browser: Browser) -> None:
    with page_of(browser, f"{shop.url}/vapour") as page:
        opened(page)
        page.fill(f"{dial('amount')} input", "some")
        page.wait_for_selector('.go-line[data-kind="unknown"]')
        assert page.inner_text('[data-f="go"]').startswith("amount is 'some'")
        assert page.locator(".vapour-limit").count() == 0
        assert page.locator(".vapour-course").is_hidden()
        page.fill(f"{dial('amount')} input", "20 ml")
        page.wait_for_selector('.go-line[data-kind="fit"]')


@pytest.mark.browser
def test_a_bay_without_numbers_of_its_own_keeps_what_is_set(shop: Stand, browser: Browser) -> None:
    with page_of(browser, f"{shop.url}/vapour") as page:
        opened(page)
        page.fill(f"{dial('volume')} input", "90 m3")
        page.wait_for_selector('[data-set="bay"][aria-pressed="false"] >> nth=1')
        page.click('[data-set="bay"][data-value="south"]')
        page.wait_for_selector('[data-set="bay"][data-value="south"].on')
        assert page.input_value(f"{dial('volume')} input") == "90 m3"
        page.click('[data-set="bay"][data-value="north"]')
        page.wait_for_selector('[data-set="bay"][data-value="north"].on')
        assert page.input_value(f"{dial('volume')} input") == "260 m³"


@pytest.mark.browser
def test_a_lost_server_is_said_and_nothing_stays(shop: Stand, browser: Browser) -> None:
    with page_of(browser, f"{shop.url}/vapour") as page:
        opened(page)
        page.route("**/api/v1/vapour?*", lambda route: route.abort())
        page.click(f"{dial('amount')} [data-mix-act=more]")
        page.wait_for_selector(".lost-bar:not([hidden])")
        assert page.locator(".vapour-limit").count() == 0
        page.unroute("**/api/v1/vapour?*")
        opened(page)
        wait_text(page, '.lost-bar [data-f="lost"]', "")


@pytest.mark.browser
@pytest.mark.parametrize("size", [TV, PHONE])
@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_nothing_is_cut_off(shop: Stand, browser: Browser, size: Any, scheme: str) -> None:
    """No sideways scrolling, no text wider than its box, keys large enough for a thumb."""
    with page_of(browser, f"{shop.url}/vapour", size, scheme) as page:
        opened(page)
        page.fill(f"{dial('amount')} input", "400 ml")
        page.fill(f"{dial('outdoor')} input", "-12 °C")
        page.wait_for_selector('.vapour-limit[data-kind="unfit"]')
        page.evaluate("document.fonts.ready")
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        wide = page.eval_on_selector_all(
            ".vapour *", "all => all.filter((e) => e.children.length === 0 && "
            "!e.closest('.for-ears, svg') && e.scrollWidth > e.clientWidth + 1 && "
            "getComputedStyle(e).display !== 'inline').map((e) => e.value ?? e.textContent)"
        )  # fmt: skip
        assert wide == []
        small = page.eval_on_selector_all(
            ".vapour button", "all => all.map((e) => e.getBoundingClientRect()).filter((r) => "
            "r.width < 48 || r.height < 48).length"
        )  # fmt: skip
        assert small == 0
        page.wait_for_function(
            r"() => /\d kW at −12 °C outdoors/.test("
            "document.querySelector('.vapour-lines').innerText)"
        )
