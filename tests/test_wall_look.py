"""What the wall looks like in a real browser: size, shape and word, phone, nothing foreign."""

from __future__ import annotations

import base64
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import MINUTE_US
from envmon.store.sqlite import SqliteStore
from envmon_boards.size import min_character_px
from tests.boards_support import (
    GOOD_AIR,
    PHONE,
    Air,
    Stand,
    card,
    live_state,
    number,
    page_of,
    shop_text,
    stand_of,
    wait_text,
)

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

COLD = Air(14.2, 68.0, 4.1)
# The air leaves its window first, then the panel falls under the dew point.
LEAVING = [GOOD_AIR] * 2 + [Air(16.0, 44.0, 18.2)] * 3 + [COLD] * 5
VERDICTS = {
    "FIT": ("coating", [GOOD_AIR] * 10),
    "MARGINAL": ("coating", [GOOD_AIR] * 6 + [Air(23.6, 58.0, 19.0)] * 4),
    "UNFIT": ("coating", [GOOD_AIR] * 3 + [COLD] * 7),
    "UNKNOWN": ("coating", [Air(20.0, None, None)] * 10),
    "NOT YET": ("warm_up", [Air(20.0, 44.0, 2.0)] * 10),
}

# Height in rows of what is drawn in an element's picture, taken from its pixels.
INK_ROWS = """async (picture) => {
  const bytes = Uint8Array.from(atob(picture), (c) => c.charCodeAt(0));
  const image = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
  const canvas = new OffscreenCanvas(image.width, image.height);
  const drawing = canvas.getContext("2d");
  drawing.drawImage(image, 0, 0);
  const { data } = drawing.getImageData(0, 0, image.width, image.height);
  const far = (at) => [0, 1, 2].reduce((sum, k) => sum + Math.abs(data[at + k] - data[k]), 0);
  const rows = [];
  for (let y = 0; y < image.height; y += 1) {
    for (let x = 0; x < image.width; x += 1) {
      if (far(4 * (y * image.width + x)) > 240) { rows.push(y); break; }
    }
  }
  return rows.at(-1) - rows[0] + 1;
}"""


def ink_height_px(page: Page, selector: str) -> float:
    picture = page.locator(selector).screenshot()
    return float(page.evaluate(INK_ROWS, base64.b64encode(picture).decode()))


@pytest.mark.parametrize("path", ["/", "/bay/north"])
@pytest.mark.parametrize("word", ["FIT", "MARGINAL", "UNKNOWN", "NOT YET"])
def test_verdict_and_air_are_readable_from_six_metres(
    stand: Stand, browser: Browser, path: str, word: str
) -> None:
    """Pixels of the drawn capitals and digits against 20 arc minutes at 6 m."""
    stage, story = VERDICTS[word]
    stand.say(live_state(stand.plan, "north", stage, story))
    with page_of(browser, stand.url + path) as page:
        wait_text(page, card("north", "verdict"), word)
        page.evaluate("document.fonts.ready")
        least = min_character_px(6.0)
        assert ink_height_px(page, card("north", "verdict")) >= least
        assert ink_height_px(page, number("north", "air_temp_c")) >= least


def test_reasons_are_readable_from_three_metres(stand: Stand, browser: Browser) -> None:
    stand.say(live_state(stand.plan, "north", "coating", [COLD] * 10))
    with page_of(browser, stand.url + "/bay/north") as page:
        # Waited for and measured in one step: the page may draw or load itself anew between two.
        script = """reasons => document.querySelector(reasons + ".unfit")
          && [...document.querySelectorAll(reasons)].map(
            p => parseFloat(getComputedStyle(p).fontSize))"""
        sizes = page.wait_for_function(script, arg=card("north", "reasons") + " p").json_value()
        assert sizes
        assert min(sizes) * 0.7 >= min_character_px(3.0)


def test_every_verdict_has_word_shape_and_colour_of_its_own(stand: Stand, browser: Browser) -> None:
    seen: set[tuple[str, str]] = set()
    with page_of(browser, stand.url + "/bay/north") as page:
        for word, (stage, story) in VERDICTS.items():
            stand.say(live_state(stand.plan, "north", stage, story))
            wait_text(page, card("north", "verdict"), word)
            script = """() => {
              const card = document.querySelector('[data-bay="north"]');
              return [card.querySelector('.plate svg').outerHTML,
                getComputedStyle(card).getPropertyValue('--hue')];
            }"""
            shape, colour = page.evaluate(script)
            seen.add((shape, colour))
    assert len(seen) == len({shape for shape, _ in seen}) == len({c for _, c in seen}) == 5


def test_no_stage_says_what_could_be_done(stand: Stand, browser: Browser) -> None:
    stand.say(live_state(stand.plan, "north", None))
    with page_of(browser, stand.url + "/bay/north") as page:
        wait_text(page, card("north", "stage"), "no stage")
        assert "fit now: " in page.inner_text(card("north", "reasons"))
        assert page.locator(card("north", "strip") + " .step").count() == 12


def test_water_is_there_only_when_the_stage_wants_it(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, card("north", "stage"), "Coating")
        tile = page.locator('[data-bay="north"] [data-q="water_temp_c"]')
        assert not tile.is_visible()
        stand.say(live_state(stand.plan, "north", "wash", [Air(18, 60, 14, 36)] * 5))
        wait_text(page, card("north", "stage"), "Contact wash")
        assert tile.is_visible()


def test_an_alarm_is_loud(stand: Stand, browser: Browser) -> None:
    state = live_state(stand.plan, "north", "coating", LEAVING)
    assert state.alarms
    stand.say(state)
    with page_of(browser, stand.url + "/bay/north") as page:
        wait_text(page, card("north", "verdict"), "UNFIT")
        banner = page.locator('[data-bay="north"] .banner')
        assert banner.is_visible()
        assert banner.inner_text().startswith("ALARM\nsince ")
        assert "below the dew point" in banner.inner_text()  # the newest of the high ones


def test_figures_beside_the_trend_stand_clear_of_each_other(stand: Stand, browser: Browser) -> None:
    """Beside a loud alarm little height is left for the trend."""
    store = SqliteStore(stand.boards.folder)
    for minutes, humidity in ((90, 36.0), (60, 44.0), (30, 51.0)):
        at_us = stand.boards.clock.now_us() - minutes * MINUTE_US
        store.add_readings(Air(20.0, humidity, 18.0).readings("north", at_us))
    store.close()
    stand.say(live_state(stand.plan, "north", "coating", LEAVING))
    with page_of(browser, stand.url + "/bay/north") as page:
        page.wait_for_selector('[data-bay="north"] .banner')
        page.wait_for_selector('[data-plot="hum"] .ytick', state="attached", timeout=20_000)
        boxes = page.evaluate(
            "() => [...document.querySelectorAll('[data-plot]')].map((plot) =>"
            " [...plot.querySelectorAll('.ytick text')].map((t) => t.getBoundingClientRect())"
            ".map((b) => [b.top, b.bottom]).sort((a, b) => a[0] - b[0]))"
        )
        assert max(len(plot) for plot in boxes) > 1
        for plot in boxes:
            assert all(upper[1] <= lower[0] + 2 for upper, lower in pairwise(plot)), plot


def overlaps(page: Page) -> list[Any]:
    script = """() => {
      const all = [...document.querySelectorAll('.f-stage, .plate, .tile:not([hidden]) .f-number')]
        .filter((e) => getComputedStyle(e).visibility === 'visible')
        .map((e) => [e.className, e.getBoundingClientRect()]);
      const hit = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
        && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 30;
      return all.flatMap(([name, a], i) =>
        all.slice(i + 1).filter(([, b]) => hit(a, b)).map(([other]) => [name, other]));
    }"""
    found: list[Any] = page.evaluate(script)
    return found


@pytest.mark.parametrize("bays", [1, 2, 3, 4])
def test_long_names_and_cold_numbers_do_not_overlap(
    tmp_path: Path, browser: Browser, bays: int
) -> None:
    with stand_of(tmp_path, shop_text(bays)).serving() as stand:
        names = [bay.id for bay in stand.boards.shop.bay]
        cold = [Air(-12.4, 100.0, -14.6, 36.0, 8.0)] * 4
        stand.say(*(live_state(stand.plan, bay, "decontamination", cold) for bay in names))
        with page_of(browser, stand.url) as page:
            wait_text(page, card(names[-1], "stage"), "Decontamination")
            page.evaluate("document.fonts.ready")
            assert overlaps(page) == []
            wide = "document.documentElement.scrollWidth <= innerWidth"
            assert page.evaluate(wide)
            assert page.evaluate("document.documentElement.scrollHeight <= innerHeight + 1")


@pytest.mark.parametrize("path", ["/", "/bay/north", "/nowhere"])
def test_a_phone_never_scrolls_sideways(stand: Stand, browser: Browser, path: str) -> None:
    stand.say(live_state(stand.plan, "north", "coating", VERDICTS["UNFIT"][1]))
    with page_of(browser, stand.url + path, PHONE) as page:
        page.wait_for_selector(".top")
        if path != "/nowhere":
            page.wait_for_selector("[data-kind='unfit']")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_a_name_full_of_markup_stays_text(tmp_path: Path, browser: Browser) -> None:
    name = "<img src=x onerror=hit()>"
    text = shop_text(1, north=name).replace(
        "Kelp Quay Vehicle Care", "</title><script>hit()</script>"
    )
    with stand_of(tmp_path, text).serving() as stand:
        state = live_state(stand.plan, "north", "coating", VERDICTS["UNFIT"][1])
        stages = tuple(s if s.id != "coating" else type(s)(
            s.id, name, s.fitness, s.goal, s.reasons, s.summary) for s in state.stages)  # fmt: skip
        notes = ("<script>hit()</script>",)
        stand.say(type(state)(
            state.bay, name, state.at, state.units, state.stage, state.stage_since,
            state.conditions, stages, state.alarms, notes))  # fmt: skip
        with page_of(browser, stand.url) as page:
            page.add_init_script("window.hits = 0; window.hit = () => { window.hits += 1; };")
            page.reload()
            page.wait_for_function("n => document.body.innerText.includes(n)", arg=name)
            page.wait_for_selector("[data-kind=unfit]")
            assert page.title() == "</title><script>hit()</script>"
            assert page.locator("#page img, #page script").count() == 0
            assert page.evaluate("window.hits") == 0


def test_everything_comes_from_this_machine(stand: Stand, browser: Browser) -> None:
    store = SqliteStore(stand.boards.folder)
    store.add_readings(GOOD_AIR.readings("north", stand.boards.clock.now_us() - 60_000_000))
    store.close()
    context = browser.new_context(viewport={"width": 1920, "height": 1080})
    page = context.new_page()
    asked: list[str] = []
    blocked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda m: blocked.append(m.text) if m.type == "error" else None)
    page.goto(stand.url)
    page.wait_for_selector(".main-svg", timeout=20_000)
    context.close()
    assert len(asked) > 5
    foreign = [a for a in asked if not a.startswith((stand.url, "data:", "blob:"))]
    assert foreign == []
    assert blocked == []  # the content security policy stands in nobody's way


@pytest.mark.parametrize(("query", "scheme", "theme"), [
    ("", "dark", "dark"), ("", "light", "light"), ("?light", "dark", "light"),
    ("?dark", "light", "dark"),
])  # fmt: skip
def test_dark_and_bright_room(
    stand: Stand, browser: Browser, query: str, scheme: str, theme: str
) -> None:
    with page_of(browser, stand.url + "/" + query, None, scheme) as page:
        wait_text(page, card("north", "verdict"), "FIT")
        assert page.evaluate("document.documentElement.dataset.theme") == theme
        page.click("[data-act=theme]")
        other = {"dark": "light", "light": "dark"}[theme]
        assert page.evaluate("document.documentElement.dataset.theme") == other
