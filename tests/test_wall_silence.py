"""A screen never shows an old number as a live one, and finds back by itself."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from tests.boards_support import (
    GOOD_AIR,
    Air,
    Stand,
    card,
    live_state,
    number,
    page_of,
    stand_of,
    wait_text,
)
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from envmon.guard.live import BayState

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

SILENCE_S = 5.0
"""As in the shop file of these tests."""
VERDICT = card("north", "verdict")
DIGITS = """() => [...document.querySelectorAll('[data-bay] [data-f="number"]')]
  .filter((e) => /[0-9]/.test(e.textContent)).length"""


def unfit(stand: Stand) -> BayState:
    story = [GOOD_AIR] * 3 + [Air(14.2, 68.0, 4.1)] * 7
    return live_state(stand.plan, "north", "coating", story)


def tell_all(stand: Stand) -> None:
    stand.say(*(live_state(stand.plan, bay) for bay in ("north", "south")))


def assert_blank(page: Page) -> None:
    assert page.evaluate(DIGITS) == 0
    reasons = page.inner_text(card("north", "reasons"))
    assert reasons == "no data since 14:05"  # the shop's zone, not the browser's
    assert page.inner_text(card("north", "last")) == ""
    assert not page.locator('[data-bay="north"] .trend').is_visible()


def test_silence_of_the_watch_takes_every_number_away(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        assert page.evaluate(DIGITS) == 8
        stand.mute()
        wait_text(page, VERDICT, "NO DATA")
        assert_blank(page)
        wait_text(page, '[data-f="trouble"]', "watch is down since 14:05")
        stand.mute(on=False)
        wait_text(page, VERDICT, "FIT")
        wait_text(page, number("north", "air_temp_c"), "20.4")
        wait_text(page, '[data-f="trouble"]', "")


def test_one_silent_bay_leaves_the_other_alone(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        stand.forget("north")
        wait_text(page, VERDICT, "NO DATA")
        assert page.inner_text(card("south", "verdict")) == "FIT"
        assert page.inner_text(number("south", "air_temp_c")) == "20.4"


def test_a_state_the_broker_had_kept_is_not_shown_as_live(tmp_path: Path, browser: Browser) -> None:
    with stand_of(tmp_path).serving() as stand:
        stand.say_kept(live_state(stand.plan, "north"))
        with page_of(browser, stand.url) as page:
            page.wait_for_function(
                "s => document.querySelector(s)?.textContent === 'no data since 14:05'",
                arg=card("north", "reasons"),
            )
            assert page.evaluate(DIGITS) == 0
            stand.say(live_state(stand.plan, "north"))
            wait_text(page, VERDICT, "FIT")


@pytest.mark.parametrize("state", ["down", "trouble"])
def test_the_watch_in_trouble_is_said(stand: Stand, browser: Browser, state: str) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        stand.beat(state, "disk full")
        words = {"down": "watch is down since 14:05", "trouble": "watch: disk full"}
        wait_text(page, '[data-f="trouble"]', words[state])


def test_the_broker_lost_is_said(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        stand.feed.set_broker(up=False)
        wait_text(page, '[data-f="trouble"]', "broker lost")


def test_a_server_away_for_an_hour(tmp_path: Path, browser: Browser) -> None:
    """The browser's clock is moved on by an hour while nobody answers."""
    first = stand_of(tmp_path)
    with ExitStack() as stack:
        with first.serving():
            tell_all(first)
            page = stack.enter_context(page_of(browser, first.url, clock=True))
            wait_text(page, VERDICT, "FIT")
        wait_text(page, VERDICT, "NO DATA")
        page.clock.fast_forward("01:00:00")
        assert_blank(page)
        assert page.inner_text('[data-f="trouble"]').startswith("board server lost since")
        second = Stand(first.boards, first.port)
        with second.serving():
            second.say(unfit(second))
            wait_text(page, VERDICT, "UNFIT")
            wait_until(lambda: second.feed.screen_count == 1, "the stream", 30)


def test_a_network_gone_for_an_hour(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url, clock=True) as page:
        wait_text(page, VERDICT, "FIT")
        page.context.set_offline(offline=True)
        page.clock.fast_forward("01:00:00")
        wait_text(page, VERDICT, "NO DATA")
        assert_blank(page)
        stand.say(unfit(stand))
        page.context.set_offline(offline=False)
        wait_text(page, VERDICT, "UNFIT")
        wait_text(page, number("north", "air_temp_c"), "14.2")


def test_a_tab_asleep_shows_the_truth_when_it_wakes(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        devtools = page.context.new_cdp_session(page)
        devtools.send("Page.setWebLifecycleState", {"state": "frozen"})
        stand.say(unfit(stand))
        devtools.send("Page.setWebLifecycleState", {"state": "active"})
        wait_text(page, VERDICT, "UNFIT", timeout_ms=2_000)


def test_a_tab_that_slept_over_a_silence_wakes_without_numbers(
    stand: Stand, browser: Browser
) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        devtools = page.context.new_cdp_session(page)
        devtools.send("Page.setWebLifecycleState", {"state": "frozen"})
        stand.mute()
        wait_until(lambda: stand.age_s("north") > SILENCE_S + 0.5, "the silence")
        devtools.send("Page.setWebLifecycleState", {"state": "active"})
        wait_text(page, VERDICT, "NO DATA", timeout_ms=2_000)
        assert page.evaluate(DIGITS) == 0


def test_a_clock_set_back_does_not_keep_old_numbers(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, VERDICT, "FIT")
        page.evaluate("""() => {
          const real = Date.now.bind(Date);
          Date.now = () => real() - 86400e3;
        }""")
        stand.mute()
        wait_text(page, VERDICT, "NO DATA")


def test_ten_screens_at_once(stand: Stand, browser: Browser) -> None:
    with ExitStack() as stack:
        pages = [stack.enter_context(page_of(browser, stand.url)) for _ in range(10)]
        for page in pages:
            wait_text(page, VERDICT, "FIT")
        wait_until(lambda: stand.feed.screen_count == 10, "ten streams")
        stand.say(unfit(stand))
        for page in pages:
            wait_text(page, VERDICT, "UNFIT")
    wait_until(lambda: stand.feed.screen_count == 0, "all streams ended")
