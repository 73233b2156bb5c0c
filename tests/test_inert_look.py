"""Markup in any text from outside stays text, on every page, in a real browser.

The page's own policy would stop a script that got in; here it is switched off, so that a fault of
ours cannot hide behind it. Shapes: OWASP cross-site scripting notes (from memory).
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import HOUR_US
from envmon.service.notice.ack_link import Ticket, ensure_key, link_of
from envmon.store.sqlite import SqliteStore
from tests.alarm_board_support import alarm, say_alarms
from tests.bench_support import PROCEDURES, bench, coating, curing
from tests.boards_support import NOW_US, PATIENCE_MS, TV, Air, live_state, shop_text, stand_of
from tests.notice_support import raised_event

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page, Route

    from tests.boards_support import Stand

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

EVIL = "<img src=x onerror=hit()>"
TITLE = "</title><script>hit()</script>"
WORDS = {
    "name", "text", "by", "why", "reason", "note", "notes", "summary", "label", "title", "source",
    "reference", "do", "words", "vehicle", "body", "procedure", "product", "products", "topic",
    "payload", "person", "error", "caution", "about", "what_text", "said", "rhythm", "skip_reason",
    "against", "outside_sheet", "cautions",
}  # fmt: skip
"""Keys under which documents of the boards carry what a person or a sensor said."""
PAGES = ("/", "/bay/north", "/bench/north", "/bench/south", "/alarms", "/history?bay=north",
         "/sensors", "/points", "/mix", "/vapour", "/winter")  # fmt: skip
SHOWN = {"/bench/north": 8, "/bench/south": 6, "/alarms": 3, "/sensors": 8}
"""So often at least where much of a page is said by persons and sensors; 1 elsewhere."""
SHOP = (
    shop_text(2, north=EVIL).replace("Kelp Quay Vehicle Care", TITLE)
    + PROCEDURES.replace("Harbour Glaze", EVIL).replace("Winter coating", EVIL)
    + f'\n[[contact]]\nid = "ola"\nname = "{EVIL}"\nchannels = ["phone"]\n'
)


def poisoned(value: Any, key: str = "") -> Any:
    """Return a document in which every text a person or sensor may have said is markup."""
    if isinstance(value, dict):
        return {name: poisoned(item, name) for name, item in value.items()}
    if isinstance(value, list):
        return [poisoned(item, key) for item in value]
    is_said = isinstance(value, str) and bool(value) and (key in WORDS or " " in value)
    return EVIL if is_said else value


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    store = SqliteStore(tmp_path)
    store.add_readings(Air().readings("north", NOW_US - 60_000_000))
    store.add_events([raised_event(NOW_US, text=EVIL)])
    store.close()
    with stand_of(tmp_path, SHOP).serving() as serving:
        texts = {}
        for bay, job in (("north", coating()), ("south", curing())):
            state = poisoned(msgspec.to_builtins(live_state(serving.plan, bay)))
            work = poisoned(msgspec.to_builtins(bench(job, bay)))
            texts[f"envmon/{bay}/state"] = json.dumps(state).encode()
            texts[f"envmon/{bay}/job"] = json.dumps(work).encode()
        serving.say_also(texts)
        say_alarms(serving, alarm("window", text=EVIL, name=EVIL, do=EVIL, by=EVIL))
        yield serving


@contextmanager
def exposed(browser: Browser) -> Iterator[Page]:
    """Open a page without its policy; every answer it asks for is poisoned on its way."""
    viewport: Any = TV
    context = browser.new_context(viewport=viewport, bypass_csp=True)
    context.set_default_timeout(PATIENCE_MS)
    context.add_init_script("window.hits = 0; window.hit = () => { window.hits += 1; };")
    page = context.new_page()
    page.route("**/api/v1/**", _poison)
    try:
        yield page
    finally:
        page.unroute_all(behavior="ignoreErrors")
        context.close()


def _poison(route: Route) -> None:
    if route.request.url.endswith("/stream"):
        route.continue_()
        return
    answer = route.fetch()
    try:
        document = poisoned(answer.json())
    except ValueError:
        route.fulfill(response=answer)
        return
    route.fulfill(response=answer, json=document)


def look(page: Page, least: int = 1) -> None:
    """Wait until the markup is shown as text so often, and hold the page to that."""
    count = "document.body.innerText.replace(/\\s+/g, ' ').split(text).length"
    page.wait_for_function(f"([text, least]) => {count} > least", arg=[EVIL, least])
    assert page.evaluate("window.hits") == 0
    assert page.locator("img, iframe, #page script, [onerror], [onload]").count() == 0


def test_markup_stays_text_on_every_page(stand: Stand, browser: Browser) -> None:
    with exposed(browser) as page:
        for path in PAGES:
            page.goto(stand.url + path)
            page.locator("#page > div").first.wait_for()
            look(page, SHOWN.get(path, 1))
            assert page.title() == TITLE


def test_markup_stays_text_behind_an_acknowledge_link(stand: Stand, browser: Browser) -> None:
    key = ensure_key(stand.boards.folder)
    ticket = Ticket("ola", NOW_US + HOUR_US, (("north-window", 1),))
    with exposed(browser) as page:
        page.goto(link_of(stand.url, key, ticket))
        look(page)
        page.click("button")
        page.get_by_text("Acknowledged,").wait_for()
        look(page)


def test_the_browser_would_have_told(stand: Stand, browser: Browser) -> None:
    """The same markup set as markup does hit: the tests above look at the right thing."""
    with exposed(browser) as page:
        page.goto(stand.url)
        page.evaluate(f"document.body.insertAdjacentHTML('beforeend', {EVIL!r})")
        page.wait_for_function("window.hits > 0")
