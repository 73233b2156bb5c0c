"""What the bench looks like in a real browser: targets for a wet glove, nothing sideways."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.store.sqlite import SqliteStore
from tests.bench_support import (
    at,
    before_coating,
    bench,
    bench_stand,
    coating,
    curing,
    panel,
    panels,
    say_bench,
)
from tests.boards_support import PHONE, TV, Stand, live_state, page_of, wait_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

TABLET = {"width": 1024, "height": 768}
SCENES: dict[str, tuple[Any, str]] = {
    "none": (lambda: None, ".open-form"),
    "before": (before_coating, ".hindrances li"),
    "coating": (coating, ".clock"),
    "cure": (curing, ".cure .milestone"),
}
"""What is shown, and what tells that it is."""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stand]:
    with bench_stand(tmp_path_factory.mktemp("bench")).serving() as serving:
        yield serving


@pytest.fixture
def shop(served: Stand) -> Stand:
    """Two bays fit for coating, in a shop with procedures."""
    served.fresh()
    served.say(*(live_state(served.plan, bay) for bay in ("north", "south")))
    return served


@pytest.mark.parametrize("size", [TV, TABLET, PHONE], ids=["wall", "tablet", "phone"])
def test_every_target_is_large_and_nothing_runs_sideways(
    shop: Stand, browser: Browser, size: Any
) -> None:
    """At least 72 px high, about 16 mm on a tablet; WCAG 2.2 asks for 24 (2.5.8) and 44 (2.5.5)."""
    small = """() => [...document.querySelectorAll('.bench button, .bench a, .bench input')]
      .filter((one) => one.checkVisibility())
      .map((one) => [one.textContent, one.offsetWidth, one.offsetHeight])
      .filter(([, wide, high]) => wide < 72 || high < 72)"""
    with page_of(browser, shop.url + "/bench/north", size) as page:
        for scene, (made, mark) in SCENES.items():
            say_bench(shop, bench(made(), last_job="260126-2"))
            page.wait_for_selector(f"{mark} >> visible=true")
            page.evaluate("document.fonts.ready")
            assert page.evaluate(small) == [], scene
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], scene


def test_how_late_a_panel_is_covers_no_word(shop: Stand, browser: Browser) -> None:
    """On a phone, of a panel forgotten for a quarter of an hour."""
    late = msgspec.structs.replace(
        coating(overdue=True), panels=panels(panel("Left front wing", "overdue", 330 + 930))
    )
    say_bench(shop, bench(late))
    with page_of(browser, shop.url + "/bench/north", PHONE) as page:
        page.wait_for_selector('.clock[data-phase="overdue"]')
        page.evaluate("document.fonts.ready")
        boxes = page.evaluate(
            """() => ['.name', '.words', '.left', '.bench-button'].map((part) => {
              const range = document.createRange();
              range.selectNodeContents(document.querySelector(`.clock ${part}`));
              return range.getBoundingClientRect().toJSON();
            })"""
        )
    for one, other in combinations(boxes, 2):
        beside = one["right"] <= other["left"] or other["right"] <= one["left"]
        below = one["bottom"] <= other["top"] + 8 or other["bottom"] <= one["top"] + 8
        assert beside or below, (one, other)


def test_more_in_flight_than_the_person_set_is_said(shop: Stand, browser: Browser) -> None:
    """It is taken all the same: a panel that is wet needs its clock."""
    say_bench(shop, bench(msgspec.structs.replace(coating(), in_flight=2)))
    with page_of(browser, shop.url + "/bench/north", PHONE) as page:
        wait_text(page, '[data-part="clocks"] .count', "3 of 2: 1 too many, level first")
        say_bench(shop, bench(coating()))
        wait_text(page, '[data-part="clocks"] .count', "3 of 3: full")


@pytest.mark.parametrize("wide", [1366, 1920])
def test_the_clock_stays_on_the_wall_however_many_links(
    shop: Stand, browser: Browser, wide: int
) -> None:
    with page_of(browser, shop.url + "/", {"width": wide, "height": 1080}) as page:
        page.wait_for_selector(".f-clock")
        page.evaluate("document.fonts.ready")
        assert page.evaluate("document.documentElement.scrollWidth") <= wide
        assert (
            page.evaluate("document.querySelector('.f-clock').getBoundingClientRect().right")
            <= wide
        )


def test_a_stage_without_a_job_is_chosen(shop: Stand, browser: Browser) -> None:
    say_bench(shop, bench(None))
    said = '[data-said="stage"]'
    with page_of(browser, shop.url + "/stages/north", PHONE) as page:
        page.wait_for_selector(".stage-button.now")
        assert page.url.endswith("/bench/north")  # the former address leads here
        assert page.locator(".stage-button").count() == 13
        page.click('[data-stage="polish"]')
        wait_text(page, said, "Polishing: sent")
        # Only the watch can say that it is so; until then the screen does not.
        wait_text(page, said, "Polishing: sent, but the watch has not taken it over yet")
        shop.say(live_state(shop.plan, "north", "polish"))
        page.wait_for_selector('.stage-button.now[data-stage="polish"]')
    store = SqliteStore(shop.boards.folder)
    assert [(r.kind, r.data) for r in store.requests()] == [("stage_started", {"stage": "polish"})]
    store.close()


def test_what_the_foot_switch_was_refused_is_said_while_it_is_news(
    shop: Stand, browser: Browser
) -> None:
    why = "Bonnet left was levelled already at 14:04"
    say_bench(shop, bench(coating(), refused=why, refused_at=at(-5)))
    with page_of(browser, shop.url + "/bench/north", PHONE) as page:
        wait_text(page, '[data-f="refused"]', f"refused: {why}")
        say_bench(shop, bench(coating(), refused=why, refused_at=at(-60)))
        wait_text(page, '[data-f="refused"]', "")
