"""What is foreseen on the screens: one line on the wall, a plan on the bench, nothing once old."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.service.outlook.live import OutdoorSaid, outlook_topic
from tests.bench_support import PROCEDURES, before_coating, bench, coating, say_bench
from tests.boards_support import PHONE, Air, live_state, page_of, shop_text, stand_of
from tests.mosquitto_support import wait_until
from tests.outlook_live_support import MORNING, evening, told

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from envmon.service.outlook.live import OutlookState
    from tests.boards_support import Stand

pytest_plugins = ["tests.boards_fixtures"]

AHEAD = '[data-bay="north"] .outlook'
PLANNED = "() => document.querySelector('.day-said')?.textContent"
HIDDEN = f"() => document.querySelector('{AHEAD}').hidden"
OLD_S = 121.0


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[Stand]:
    with stand_of(tmp_path, shop_text() + PROCEDURES).serving() as stand:
        stand.say(*(live_state(stand.plan, bay) for bay in ("north", "south")))
        yield stand


def say(stand: Stand, *states: OutlookState) -> None:
    stand.say_also({outlook_topic(one.bay): msgspec.json.encode(one) for one in states})


def grow_old(stand: Stand, bay: str = "north", by_s: float = OLD_S) -> None:
    """Let the outlook process have fallen silent so long ago."""
    stand._also.pop(outlook_topic(bay), None)
    kept = stand.feed.outlooks[bay]
    assert kept.at is not None
    stand.feed.outlooks[bay] = replace(kept, at=kept.at - by_s)


def get(stand: Stand, path: str) -> tuple[int, Any]:
    try:
        with urllib.request.urlopen(stand.url + path, timeout=10) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        return error.code, json.load(error)


def test_plan_over_http_forwards_and_backwards(serving: Stand) -> None:
    assert get(serving, "/api/v1/bays/north/plan")[0] == 503
    say(serving, told())
    status, plan = get(serving, "/api/v1/bays/north/plan")
    assert (status, plan["by"], plan["verdict"]) == (200, None, "")
    assert plan["text"] == "hand-over 16:35–17:10"
    assert [one["latest"] for one in plan["steps"]] == [None] * 3
    status, plan = get(serving, "/api/v1/bays/north/plan?by=17:30")
    assert (status, plan["verdict"]) == (200, "in_time")
    # Backwards from 17:30 in Anchorage (UTC-9): 60, 120 and 150 min before.
    assert [one["latest"][11:16] for one in plan["steps"]] == ["00:00", "00:30", "01:30"]
    assert get(serving, "/api/v1/bays/north/plan?by=16:00")[1]["verdict"] == "late"


@pytest.mark.parametrize("by", ["24:00", "soon", "2026-01-01T10:00"])
def test_what_is_no_time_to_come_is_refused(serving: Stand, by: str) -> None:
    say(serving, told())
    status, answer = get(serving, f"/api/v1/bays/north/plan?by={by}")
    assert status == 422
    assert repr(by) in answer["error"]


def test_old_or_unknown_is_said_to_be_so(serving: Stand) -> None:
    say(serving, told())
    assert get(serving, "/api/v1/bays/north/outlook")[0] == 200
    grow_old(serving)
    status, answer = get(serving, "/api/v1/bays/north/outlook")
    assert status == 503
    assert "only old" in answer["error"]
    assert get(serving, "/api/v1/bays/north/plan")[0] == 503
    assert get(serving, "/api/v1/bays/east/plan")[0] == 404


def test_what_the_broker_had_kept_is_nothing(serving: Stand) -> None:
    serving.feed.take(outlook_topic("north"), msgspec.json.encode(told()), live=False)
    assert get(serving, "/api/v1/bays/north/outlook")[0] == 503


def test_what_is_no_outlook_is_left_out(serving: Stand) -> None:
    serving.feed.take(outlook_topic("north"), b'{"bay": "north"}')
    assert serving.feed.outlooks == {}


def line_of(page: Page) -> str:
    return page.locator(AHEAD).inner_text()


@pytest.mark.browser
def test_wall_does_not_say_closing_of_a_window_left_already(
    serving: Stand, browser: Browser
) -> None:
    with page_of(browser, serving.url) as page:
        say(serving, told())
        page.wait_for_selector(AHEAD)
        serving.say(live_state(serving.plan, "north", "coating", [Air(20.4, 72.0, 18.2)] * 10))
        page.wait_for_function(HIDDEN)
        assert page.locator('[data-bay="north"] .f-verdict').inner_text() == "UNFIT"


@pytest.mark.browser
def test_wall_says_one_line_and_a_guess_small(serving: Stand, browser: Browser) -> None:
    with page_of(browser, serving.url) as page:
        page.wait_for_selector('[data-bay="north"] .outlook', state="attached")
        assert page.evaluate(HIDDEN)
        say(serving, told())
        page.wait_for_selector(AHEAD)
        assert line_of(page) == "closing in 20–30 min"
        say(serving, told(text="closing in a few minutes", guessing=True))
        page.wait_for_function(
            "() => document.querySelector('[data-f=\"guess\"]').textContent === 'a guess still'"
        )
        assert line_of(page).startswith("closing in a few minutes")
        script = f"(part) => getComputedStyle(document.querySelector('{AHEAD} ' + part)).fontSize"
        big, small = (
            float(page.evaluate(script, part).removesuffix("px"))
            for part in ('[data-f="ahead"]', '[data-f="guess"]')
        )
        assert small < 0.7 * big
        # The line covers no caution: both stand side by side.
        left, right = (
            page.locator(f'[data-bay="north"] {part}').bounding_box()
            for part in ('[data-f="cautions"]', ".outlook")
        )
        assert left is not None
        assert right is not None
        assert left["x"] + left["width"] <= right["x"] + 1


@pytest.mark.browser
def test_of_another_stage_its_name_is_said(serving: Stand, browser: Browser) -> None:
    serving.say(live_state(serving.plan, "north", "drying"))
    say(serving, told())
    with page_of(browser, serving.url) as page:
        page.wait_for_selector(AHEAD)
        assert line_of(page) == "Coating: closing in 20–30 min"


@pytest.mark.browser
def test_a_dead_outlook_process_leaves_no_word_behind(serving: Stand, browser: Browser) -> None:
    say(serving, told(), told("south"))
    with page_of(browser, serving.url) as page, page_of(browser, f"{serving.url}/bench/north") as _:
        page.wait_for_selector(AHEAD)
        grow_old(serving)
        page.wait_for_function(HIDDEN)
        assert page.inner_text('[data-bay="south"] .outlook') == "closing in 20–30 min"
        assert (
            page.evaluate(
                '() => document.querySelector(\'[data-bay="north"] [data-f="ahead"]\').textContent'
            )
            == ""
        )
        say(serving, told())
        page.wait_for_selector(AHEAD)


@pytest.mark.browser
def test_a_silent_bay_has_no_outlook_though_one_is_said(serving: Stand, browser: Browser) -> None:
    say(serving, told())
    with page_of(browser, serving.url) as page:
        page.wait_for_selector(AHEAD)
        serving.forget("north")
        page.wait_for_function(HIDDEN)


@pytest.mark.browser
def test_fan_is_drawn_ahead_of_the_line_and_faint(serving: Stand, browser: Browser) -> None:
    say(serving, told())
    with page_of(browser, f"{serving.url}/bay/north") as page:
        page.wait_for_selector('[data-plot="hum"] .scatterlayer .trace', state="attached")
        drawn = page.evaluate(
            "() => document.querySelector('[data-plot=\"hum\"]').data.map((t) =>"
            " ({ fill: t.fill ?? '', colour: t.fillcolor ?? '', last: Math.max(...t.x) }))"
        )
        fan = next(trace for trace in drawn if trace["fill"] == "toself")
        assert fan["colour"].endswith("0.14)")
        ahead_ms = fan["last"] - told().fans[0].t_ms[0]
        assert ahead_ms == 90 * 60_000


@pytest.mark.browser
@pytest.mark.parametrize("size", [None, PHONE])
def test_bench_has_the_day_and_counts_back_from_a_hand_over(
    serving: Stand, browser: Browser, size: Any
) -> None:
    say_bench(serving, bench(before_coating()))
    outdoor = OutdoorSaid("forecast", "outdoors by the forecast of 2 h ago, which goes on for 30 h")
    say(serving, msgspec.structs.replace(told(), outdoor=outdoor))
    with page_of(browser, f"{serving.url}/bench/north", size) as page:
        page.wait_for_function(f"() => ({PLANNED})() === 'hand-over 16:35–17:10'")
        counted = page.locator('[data-part="day"] .count').inner_text()
        assert counted == f"by this shop's usual times; {outdoor.text}"
        assert page.locator(".day-about").inner_text().startswith("Coating: closing in 20–30 min")
        assert page.locator(".day-advice li").inner_text().startswith("open the door 10 min")
        page.fill('.day-by input[type="time"]', "16:00")
        page.wait_for_function(f"() => ({PLANNED})()?.startsWith('not by 16:00')")
        assert page.locator(".day-said").get_attribute("data-kind") == "unfit"
        assert "too late for it already" in page.locator(".day-steps").inner_text()
        wide = page.evaluate("() => document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0
        # While panels flash there is no time for the day: one line is enough.
        say_bench(serving, bench(coating()))
        page.wait_for_selector(".day-steps", state="hidden")
        assert page.locator(".day-about").is_visible()
        grow_old(serving)
        page.wait_for_selector('[data-part="day"]', state="hidden")


@pytest.mark.browser
@pytest.mark.parametrize("size", [None, PHONE])
def test_in_the_evening_the_wall_says_small_when_to_start_heating(
    serving: Stand, browser: Browser, size: Any
) -> None:
    serving.say(live_state(serving.plan, "north", None))
    say(serving, evening())
    with page_of(browser, serving.url, size) as page:
        page.wait_for_selector(AHEAD)
        assert line_of(page) == MORNING.line
        high = page.evaluate(f"() => document.querySelector('{AHEAD}').clientHeight")
        one = page.evaluate(
            f"() => parseFloat(getComputedStyle(document.querySelector('{AHEAD}')).fontSize)"
        )
        assert high <= 1.5 * one, "one line"
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        # Begun work ends it at once, though the outlook is the old one.
        serving.say(live_state(serving.plan, "north", "drying"))
        page.wait_for_function(HIDDEN)


@pytest.mark.browser
def test_the_bench_says_it_whole_in_the_plan_of_the_day(serving: Stand, browser: Browser) -> None:
    serving.say(live_state(serving.plan, "north", None))
    say_bench(serving, bench(None))
    say(serving, evening())
    with page_of(browser, f"{serving.url}/bench/north") as page:
        page.wait_for_selector(".day-advice li")
        assert page.locator(".day-advice li").inner_text() == MORNING.text


@pytest.mark.browser
def test_phone_shows_the_line_without_scrolling_sideways(serving: Stand, browser: Browser) -> None:
    long = told(text="not fit before 1½ h, perhaps much later", guessing=True)
    serving.say(live_state(serving.plan, "north", "coating", [Air(14.2, 68.0, 4.1)] * 10))
    say(serving, long)
    with page_of(browser, serving.url, PHONE) as page:
        page.wait_for_selector(AHEAD)
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        wait_until(lambda: "perhaps much later" in line_of(page), "the line")
