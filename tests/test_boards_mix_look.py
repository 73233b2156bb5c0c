"""The mixing board in a real browser: dials, what is drawn, and what is said without a server.

Contrast: WCAG 2.2, success criteria 1.4.3 and 1.4.11. Size of what a thumb hits: 1.4 cm square at
160 px an inch is 88 px, and 44 px is the least of WCAG 2.2, success criterion 2.5.5 (from memory).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import DAY_US, MINUTE_US
from envmon.facts import Flag, Reading
from envmon.store.sqlite import SqliteStore
from envmon_boards.app import ASSETS
from tests.boards_support import NOW_US, PHONE, TV, Stand, page_of
from tests.test_wall_contrast import contrast, themes

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytest_plugins = ["tests.boards_fixtures"]
browser_test = pytest.mark.browser

RATIO, PIR, BLEND = (f'[data-sum="{kind}"]' for kind in ("ratio", "pir", "blend"))
AIM = f'{PIR} [data-of-way="0"][data-dial="aim"]'


def say(page: Page, root: str) -> str:
    return page.inner_text(f'{root} [data-f="say"]').replace("\u00a0", " ")


def wait_say(page: Page, root: str, text: str) -> None:
    script = (
        "([root, text]) => document.querySelector(root + ' [data-f=\"say\"]')?.textContent"
        ".replaceAll('\\u00a0', ' ').trim().includes(text)"
    )
    page.wait_for_function(script, arg=[root, text])


@pytest.fixture
def taps(stand: Stand) -> Stand:
    """Water of the north bay is good, that of the south bay leaves spots."""
    store = SqliteStore(stand.boards.folder)
    for bay, slope in (("north", 0.3), ("south", 0.9)):
        times = [NOW_US - 5 * MINUTE_US - (13 - day) * DAY_US for day in range(14)]
        store.add_readings(
            [
                Reading(f"{bay}-all", "dissolved_solids_ppm", t, 1 + slope * day, Flag.GOOD, t)
                for day, t in enumerate(times)
            ]
        )
    store.close()
    return stand


@browser_test
def test_it_opens_with_every_sum_done(taps: Stand, browser: Browser) -> None:
    context = browser.new_context(viewport=TV)  # type: ignore[arg-type]
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(taps.url)
    page.click("nav >> text=mix")
    wait_say(page, RATIO, "909 ml water, then 90.9 ml concentrate")
    wait_say(page, PIR, "500 ml water, then 500 ml concentrate")
    wait_say(page, BLEND, "give 38 °C")
    wait_say(page, '[data-resin="north"]', "rinse water is good, 4.9 ppm")
    wait_say(page, '[data-resin="south"]', "rinse water leaves spots, 12.7 ppm")
    kinds = page.eval_on_selector_all("[data-resin]", "all => all.map((e) => e.dataset.kind)")
    assert kinds == ["fit", "marginal"]
    assert page.locator("[data-resin] .f-shape svg").count() == 2
    context.close()
    assert complaints == []


@browser_test
def test_a_press_is_a_step_and_the_vessel_follows(taps: Stand, browser: Browser) -> None:
    with page_of(browser, f"{taps.url}/mix", PHONE) as page:
        page.click('[data-mix-act="tab"][data-value="pir"]')
        wait_say(page, PIR, "500 ml water")
        page.click(f'{AIM} [data-mix-act="less"]')
        assert page.input_value(f"{AIM} input") == "4 %"
        wait_say(page, PIR, "600 ml water, then 400 ml concentrate")
        grow = f"{PIR} .layer"
        parts = page.eval_on_selector_all(
            grow, "all => all.map((e) => [e.className, e.style.flexGrow])"
        )
        assert [name for name, _ in parts] == ["layer water", "layer concentrate"]
        assert [float(part) for _, part in parts] == pytest.approx([0.6, 0.4])


@browser_test
def test_an_impossible_aim_is_said_and_nothing_is_poured(taps: Stand, browser: Browser) -> None:
    with page_of(browser, f"{taps.url}/mix") as page:
        wait_say(page, PIR, "500 ml water")
        page.fill(f"{AIM} input", "15 %")
        wait_say(page, PIR, "15 % on the panel cannot be reached with this lance")
        assert page.locator(f"{PIR} .layer").count() == 0
        assert page.locator(f"{PIR}.impossible").count() == 1
        page.fill(f"{AIM} input", "5 %")
        wait_say(page, PIR, "500 ml water")
        assert page.locator(f"{PIR}.impossible").count() == 0


@browser_test
def test_what_cannot_be_read_takes_the_old_answer_away(taps: Stand, browser: Browser) -> None:
    value = f'{RATIO} [data-of-way="0"][data-dial="mix"]'
    with page_of(browser, f"{taps.url}/mix") as page:
        wait_say(page, RATIO, "909 ml water")
        page.fill(f"{value} input", "ten")
        wait_say(page, RATIO, "mix is 'ten'; allowed is a ratio")
        assert page.locator(f"{RATIO} dd").count() == 0
        page.fill(f"{value} input", "1:102.4")
        wait_say(page, RATIO, "990 ml water, then 9.67 ml concentrate")
        page.press(f"{value} input", "Enter")
        page.click(f'{value} [data-mix-act="more"]')
        assert page.input_value(f"{value} input") == "1:125"


@browser_test
def test_a_thumb_that_stays_steps_on(taps: Stand, browser: Browser) -> None:
    dial = f'{BLEND} [data-of-way="0"][data-dial="want"]'
    with page_of(browser, f"{taps.url}/mix", clock=True) as page:
        page.wait_for_selector(f"{dial} input")
        box = page.locator(f'{dial} [data-mix-act="more"]').bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 20, box["y"] + 20)
        page.mouse.down()
        page.clock.run_for(450 + 4 * 110)
        page.mouse.up()
        degrees = int(page.input_value(f"{dial} input").split(" ")[0])
        assert degrees == 38 + 5
        page.clock.run_for(2_000)
        assert page.input_value(f"{dial} input") == f"{degrees} °C"
        page.click(f'{dial} [data-mix-act="more"]')
        assert page.input_value(f"{dial} input") == f"{degrees + 1} °C"


@browser_test
def test_units_and_dials_are_remembered(taps: Stand, browser: Browser) -> None:
    with page_of(browser, f"{taps.url}/mix") as page:
        wait_say(page, RATIO, "909 ml water")
        page.click('[data-mix-act="units"][data-value="us"]')
        wait_say(page, RATIO, "29.1 fl oz water, then 2.91 fl oz concentrate")
        page.click(f'{AIM} [data-mix-act="less"]')
        page.reload()
        wait_say(page, RATIO, "29.1 fl oz water")
        assert page.input_value(f"{AIM} input") == "4 %"
        assert "°F" in page.input_value(f'{BLEND} [data-of-way="0"][data-dial="want"] input')


@browser_test
def test_the_other_way_has_dials_of_its_own(taps: Stand, browser: Browser) -> None:
    with page_of(browser, f"{taps.url}/mix") as page:
        wait_say(page, PIR, "500 ml water")
        page.click(f'{PIR} [data-mix-act="way"][data-value="1"]')
        wait_say(page, PIR, "800 ml water, then 200 ml concentrate")
        shown = page.eval_on_selector_all(
            f"{PIR} [data-dial]", "all => all.filter((e) => !e.hidden).map((e) => e.dataset.dial)"
        )
        assert shown == ["in_bottle", "lance", "bottle"]


@browser_test
def test_without_its_server_no_number_stays(taps: Stand, browser: Browser) -> None:
    with page_of(browser, f"{taps.url}/mix", clock=True) as page:
        page.clock.run_for(1_000)
        wait_say(page, PIR, "500 ml water")
        wait_say(page, '[data-resin="north"]', "4.9 ppm")
        page.route("**/api/v1/mix/**", lambda route: route.abort())
        page.click(f'{AIM} [data-mix-act="less"]')
        page.clock.run_for(1_000)
        wait_say(page, PIR, "the board server does not answer")
        assert page.locator(f"{PIR} dd").count() == 0
        assert page.locator(f"{PIR} .layer").count() == 0
        page.clock.run_for(70_000)
        wait_say(page, '[data-resin="north"]', "the board server does not answer")
        assert page.locator("[data-resin] dd").count() == 0
        kinds = page.eval_on_selector_all("[data-resin]", "all => all.map((e) => e.dataset.kind)")
        assert kinds == ["silent", "silent"]


@browser_test
@pytest.mark.parametrize("size", [TV, PHONE])
@pytest.mark.parametrize("scheme", ["dark", "light"])
@pytest.mark.parametrize("units", ["metric", "us"])
def test_nothing_is_cut_off(
    taps: Stand, browser: Browser, size: Any, scheme: str, units: str
) -> None:
    """No sideways scrolling, no text wider than its box, nothing too small to read or to hit."""
    with page_of(browser, f"{taps.url}/mix", size, scheme) as page:
        page.click(f'[data-mix-act="units"][data-value="{units}"]')
        wait_say(page, BLEND, "give")
        page.evaluate("document.fonts.ready")
        for tab in ("ratio", "pir", "blend", "resin") if size == PHONE else ("",):
            if tab:
                page.click(f'[data-mix-act="tab"][data-value="{tab}"]')
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
            wide = page.eval_on_selector_all(
                ".mix *", "all => all.filter((e) => e.children.length === 0 && e.offsetParent && "
                "!e.closest('.for-ears, svg, .vessel') && e.scrollWidth > e.clientWidth + 1 && "
                "getComputedStyle(e).display !== 'inline').map((e) => e.outerHTML)",
            )  # fmt: skip
            assert wide == []
            hit = page.eval_on_selector_all(
                ".mix button, .mix input", "all => Math.min(...all.filter((e) => e.offsetParent)"
                ".map((e) => Math.min(e.offsetWidth, e.offsetHeight)))",
            )  # fmt: skip
            assert hit >= 44
        if size == TV:
            assert page.evaluate("document.documentElement.scrollHeight") <= 1080


@browser_test
def test_the_answer_stays_in_sight_while_a_phone_is_scrolled(taps: Stand, browser: Browser) -> None:
    with page_of(browser, f"{taps.url}/mix", PHONE) as page:
        page.click('[data-mix-act="tab"][data-value="blend"]')
        wait_say(page, BLEND, "give 38 °C")
        page.evaluate("scrollTo(0, document.body.scrollHeight)")
        top, bottom = page.evaluate(
            '(() => { const box = document.querySelector(\'[data-sum="blend"] [data-f="say"]\')'
            ".getBoundingClientRect(); return [box.top, box.bottom]; })()"
        )
        assert top >= -1
        assert bottom <= PHONE["height"]


def colours_of(theme: str) -> dict[str, str]:
    css = (ASSETS / "look_j_mix.css").read_text(encoding="utf-8")
    found = dict(themes()[theme])
    for head, body in re.findall(r"(:root[^{]*)\{([^}]*)\}", css):
        if ("light" in head) == (theme == "light"):
            found |= dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", body))
    return found


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize(
    ("front", "back"),
    [("ink", "pour-water"), ("ink", "pour-hot"), ("on-plate", "pour-strong")],
)
def test_words_in_the_vessel_are_at_least_aa(theme: str, front: str, back: str) -> None:
    colours = colours_of(theme)
    assert contrast(colours[front], colours[back]) >= 4.5
