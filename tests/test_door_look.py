"""The door in a real browser: every page without a breach of its policy, the log-in by thumb.

Size of a target: 44 px, WCAG 2.2 success criterion 2.5.5 (from memory); a glove gets more.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, PATIENCE_MS, PHONE, TV, Air, Stand
from tests.door_support import door_stand, everybody
from tests.record_support import JOB, told_story
from tests.test_record_board import Served

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

PAGES = (
    "/", "/bay/north", "/bench/north", "/alarms", "/history?bay=north", "/sensors", "/points",
    "/mix", "/vapour", "/winter", "/nothing", "/login", "/ack/x", "/stages/north",
)  # fmt: skip


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    made = door_stand(tmp_path)
    store = SqliteStore(tmp_path)
    for minute in range(60):
        store.add_readings(Air().readings("north", NOW_US - minute * 60_000_000))
    store.close()
    with made.serving() as serving:
        yield serving


@contextmanager
def strictly(browser: Browser, size: Any = None) -> Iterator[Page]:
    """Open a page under its own policy; a breach of it or an error of a script fails the test."""
    viewport: Any = size or TV
    context = browser.new_context(viewport=viewport)
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if _is_breach(said.text) else None)
    try:
        yield page
    finally:
        context.close()
    assert not wrong, wrong


def _is_breach(text: str) -> bool:
    return "Content Security Policy" in text or "Permissions-Policy" in text


def type_pin(page: Page, pin: str) -> None:
    for digit in pin:
        page.click(f'[data-key="{digit}"]')
    page.click(".key.go")


def log_in(page: Page, name: str, pin: str) -> None:
    page.fill("#name", name)
    type_pin(page, pin)


def test_no_page_breaches_its_policy(stand: Stand, browser: Browser) -> None:
    with strictly(browser) as page:
        for path in PAGES:
            page.goto(stand.url + path)
            page.locator("#page > div, main").first.wait_for()
            if path == "/bay/north":
                page.locator(".trend svg").first.wait_for(state="attached")


def test_a_record_as_a_page_breaches_nothing(tmp_path: Path, browser: Browser) -> None:
    """Its policy is another: it brings its looks along and runs nothing."""
    serving = Served(told_story(tmp_path))
    try:
        with strictly(browser) as page:
            page.goto(f"http://127.0.0.1:{serving.port}/api/v1/jobs/{JOB}/record.html")
            page.get_by_text("Condition record").first.wait_for()
            looks = "getComputedStyle(document.querySelector('h1')).fontFamily"
            assert page.evaluate(looks) != page.evaluate(
                "getComputedStyle(document.head).fontFamily"
            )
    finally:
        serving.end()


INJECTED = [
    ("/login", "script", "window.hit = 1", "window.hit ?? 'stopped'", "stopped"),
    ("/alarms", "script", "window.hit = 1", "window.hit ?? 'stopped'", "stopped"),
    ("/alarms", "style", "body { opacity: 0 }", "getComputedStyle(document.body).opacity", "1"),
]  # fmt: skip
"""Page, element, what stands in it, and how it is seen that it did nothing."""


@pytest.mark.parametrize("case", INJECTED)
def test_the_policy_stops_a_script_or_a_style_sheet_that_got_into_a_page(
    stand: Stand, browser: Browser, case: tuple[str, ...]
) -> None:
    """The test above would see a breach: here is one."""
    with pytest.raises(AssertionError, match="Content Security Policy"):
        inject(stand, browser, *case)


def inject(stand: Stand, browser: Browser, *case: str) -> None:
    path, tag, text, looked, stopped = case
    with strictly(browser) as page:
        page.goto(stand.url + path)
        page.locator("#page > div, main").first.wait_for()
        element = f"e = document.createElement('{tag}'); e.textContent = '{text}'"
        page.evaluate(f"() => {{ const {element}; document.body.append(e); }}")
        assert page.evaluate(looked) == stopped


@pytest.mark.parametrize("size", [PHONE, TV], ids=["phone", "wall"])
def test_a_thumb_logs_in_and_comes_back_where_it_was(
    stand: Stand, browser: Browser, size: Any
) -> None:
    with strictly(browser, size) as page:
        page.goto(f"{stand.url}/login?next=/bench/north")
        keys = page.locator("#keys button")
        boxes = [keys.nth(place).bounding_box() for place in range(keys.count())]
        assert len(boxes) == 12
        assert all(box and min(box["width"], box["height"]) >= 72 for box in boxes)
        assert all(
            box and box["x"] >= 0 and box["y"] + box["height"] <= size["height"] for box in boxes
        )
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        log_in(page, "kari", "739150")
        page.get_by_text("Name and PIN do not fit together.").wait_for()
        assert page.input_value("#secret") == ""
        type_pin(page, "739158")
        page.wait_for_url(f"{stand.url}/bench/north")
        page.locator(".door-name", has_text="Kari").wait_for()
        page.goto(f"{stand.url}/login?next=/")
        page.locator(".f-verdict").first.wait_for()  # who is in goes on
        page.click(".door-out")
        page.locator(".door-in").wait_for()
        page.goto(f"{stand.url}/login")
        page.locator(".chip", has_text="Kari").wait_for()


@pytest.mark.parametrize("back", ["//shop.example/", "https://shop.example/", "/\\shop.example",
                                  "javascript:window.hit=1", "/login?next=/", "%00",
                                  "/.//192.0.2.9/x", "/x/..//192.0.2.9/x"])  # fmt: skip
def test_nobody_is_led_elsewhere_after_the_log_in(
    stand: Stand, browser: Browser, back: str
) -> None:
    with strictly(browser, PHONE) as page:
        page.goto(f"{stand.url}/login?next={back}")
        log_in(page, "Kari", "739158")
        page.wait_for_url(f"{stand.url}/")


def test_a_kiosk_looks_without_log_in_and_is_asked_when_it_acts(
    stand: Stand, browser: Browser
) -> None:
    with strictly(browser) as page:
        page.goto(stand.url)
        page.locator('[data-bay="north"] .f-verdict', has_text="FIT").wait_for()
        page.locator(".door-in").wait_for()
        page.evaluate("window.envmon.ask('/api/v1/bays/north/stage', {stage: null}).catch(() => 0)")
        page.locator(".door-bar .door-go").click()
        page.wait_for_url(f"{stand.url}/login?next=%2F")


def test_a_log_in_that_ends_is_said_on_the_live_page(tmp_path: Path, browser: Browser) -> None:
    """From elsewhere (here: through a proxy) nothing is answered any more, and the page says so."""
    made = door_stand(tmp_path)
    people = made.boards.people
    assert people is not None
    with made.serving() as stand, strictly(browser, PHONE) as page:
        page.goto(f"{stand.url}/login")
        log_in(page, "Liv", "482913")
        page.locator('[data-bay="north"] .f-verdict', has_text="FIT").wait_for()
        page.route("**/*", _as_from_elsewhere)
        people.save([one for one in everybody() if one.name != "Liv"], tmp_path)
        page.get_by_text("The log-in has ended; nothing here is live.").wait_for()
        page.locator('[data-f="trouble"]', has_text="log in again").wait_for()
        people.save(everybody(), tmp_path)


def _as_from_elsewhere(route: Any) -> None:
    """Answer as the door does to a stranger: a browser on this machine is none."""
    if "/api/" in route.request.url:
        route.fulfill(status=401, json={"error": "log in first"})
    else:
        route.continue_()


def test_a_name_from_outside_stays_text(tmp_path: Path, browser: Browser) -> None:
    evil = "<img src=x onerror=hit()>"
    made = door_stand(tmp_path)
    people = made.boards.people
    assert people is not None
    kari = next(one for one in everybody() if one.name == "Kari")
    people.save([replace(kari, name=evil)], tmp_path)
    with made.serving() as stand, strictly(browser) as page:
        page.goto(f"{stand.url}/login")
        log_in(page, evil, "739158")
        page.locator(".door-name", has_text=evil).wait_for()
        assert page.evaluate("document.querySelectorAll('img').length") == 0
        page.click(".door-out")
        page.locator(".door-in").click()
        page.locator(".chip", has_text=evil).wait_for()
        assert page.evaluate("document.querySelectorAll('img').length") == 0
