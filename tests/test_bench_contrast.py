"""Contrast of every text the bench and the wall's job show, as the browser has drawn it.

Source: WCAG 2.2, success criterion 1.4.3: 4.5:1, or 3:1 for text of at least 24 px, or 18.66 px
when bold; relative luminance as defined there. Disabled controls are held to it as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.alarm_board_support import alarm, say_alarms
from tests.bench_support import before_coating, bench, bench_stand, coating, curing, say_bench
from tests.boards_support import PHONE, Stand, live_state, page_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

SCENES: dict[str, Any] = {
    "none": lambda: None,
    "before": before_coating,
    "ready": lambda: before_coating(hindered=False),
    "coating": coating,
    "overdue": lambda: coating(overdue=True),
    "cure": curing,
    "broken cure": lambda: curing("unfit"),
}
TOO_FAINT = """(root) => {
  const parts = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((sum, c, place) => sum + c * [0.2126, 0.7152, 0.0722][place], 0);
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = parts(getComputedStyle(at).backgroundColor);
      if (colour.length < 4 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const found = [];
  const walker = document.createTreeWalker(document.querySelector(root), NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !element.checkVisibility()) continue;
    const style = getComputedStyle(element);
    const [one, other] = [light(parts(style.color)), light(ground(element))].sort((a, b) => b - a);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const ratio = (one + 0.05) / (other + 0.05);
    if (ratio < (large ? 3 : 4.5)) {
      found.push([element.className, walker.currentNode.textContent, ratio.toFixed(2)]);
    }
  }
  return found;
}"""


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Stand]:
    with bench_stand(tmp_path).serving() as serving:
        serving.say(*(live_state(serving.plan, bay) for bay in ("north", "south")))
        yield serving


def calm(page: Page) -> None:
    """Hold what blinks still; both of its states use the same two colours."""
    page.add_style_tag(content="* { animation: none !important; }")
    page.evaluate("document.fonts.ready")


@pytest.mark.parametrize("scheme", ["dark", "light"])
@pytest.mark.parametrize("scene", SCENES)
def test_the_bench(shop: Stand, browser: Browser, scene: str, scheme: str) -> None:
    say_bench(shop, bench(SCENES[scene](), refused="no job is open", refused_at=None))
    say_alarms(shop, alarm("window"), alarm("leaving", life="ACKED", priority="medium"))
    with page_of(browser, shop.url + "/bench/north", PHONE, scheme) as page:
        page.wait_for_selector(".bench-columns:not([hidden])")
        calm(page)
        assert page.evaluate(TOO_FAINT, ".bench") == []
        shop.feed.set_broker(up=False)
        page.wait_for_selector(".bench-silent", state="visible")
        assert page.evaluate(TOO_FAINT, ".bench") == []


@pytest.mark.parametrize("scheme", ["dark", "light"])
@pytest.mark.parametrize("scene", [name for name in SCENES if name != "none"])
def test_the_walls_job(shop: Stand, browser: Browser, scene: str, scheme: str) -> None:
    say_bench(shop, bench(SCENES[scene]()))
    with page_of(browser, shop.url + "/bay/north", None, scheme) as page:
        page.wait_for_selector('[data-bay="north"] .job:not([hidden])')
        calm(page)
        assert page.evaluate(TOO_FAINT, '[data-bay="north"]') == []


def test_the_measure_itself(shop: Stand, browser: Browser) -> None:
    """#767676 on white is the well-known edge of 4.5:1 (WCAG); one step fainter is too faint."""
    with page_of(browser, shop.url) as page:
        for colour, faint in (("#767676", 0), ("#777777", 1)):
            page.evaluate(
                """(colour) => {
                  const box = document.createElement('p');
                  box.id = 'measured';
                  box.textContent = 'text';
                  box.style = `color: ${colour}; background: #ffffff; font: 16px sans-serif`;
                  document.getElementById('measured')?.remove();
                  document.body.append(box);
                }""",
                colour,
            )
            assert len(page.evaluate(TOO_FAINT, "#measured")) == faint
