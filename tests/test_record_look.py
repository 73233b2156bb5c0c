"""The record's page in a real browser: nothing is cut off, on a large screen and on a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.boards_support import PHONE, TV, page_of
from tests.record_support import JOB, told_story

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

CUT = """() => [...document.querySelectorAll('body *')].filter(e =>
  !(e instanceof SVGElement) && !e.classList.contains('wide') && e.clientWidth > 0 &&
  getComputedStyle(e).display !== 'inline' && e.scrollWidth > e.clientWidth + 1
).map(e => `${e.tagName}.${e.className}`)"""
SMALL = """() => [...document.querySelectorAll('svg.chart text')].map(e =>
  e.getBoundingClientRect().height).filter(height => height < 9).length"""
PANELS = ["Bonnet", "Tailgate and number plate surround", "Rückspiegel-links-ohne-Trennstelle"]


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("look")
    story = told_story(folder, panels=PANELS, reference="plate " + "X" * 60)
    story.job_says(700, "job_note", text="y" * 200)
    path = folder / "record.html"
    path.write_bytes(story.desk(800).handed_out(JOB, "html"))
    story.store.close()
    return path


@pytest.mark.parametrize("size", [TV, PHONE], ids=["large", "phone"])
def test_nothing_is_cut_off(browser: Browser, file: Path, size: dict[str, int]) -> None:
    with page_of(browser, file.as_uri(), size) as page:
        assert page.evaluate("document.documentElement.scrollWidth") == size["width"]
        assert page.evaluate(CUT) == []
        assert page.evaluate(SMALL) == 0


def test_a_phone_reads_each_cell_with_its_head(browser: Browser, file: Path) -> None:
    with page_of(browser, file.as_uri(), PHONE) as page:
        assert page.locator("thead").first.is_hidden()
        cell = page.locator(".panels td").first
        head = cell.evaluate("e => getComputedStyle(e, '::before').content")
        assert head == '"panel"'


def test_it_asks_for_nothing_from_outside(browser: Browser, file: Path) -> None:
    with page_of(browser, file.as_uri(), TV) as page:
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.reload()
        assert asked == [file.as_uri()]
