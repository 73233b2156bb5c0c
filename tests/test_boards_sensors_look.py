"""The sensors board in a real browser: what it draws, and what it says when its server is gone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import SECOND_US
from envmon.facts import CALIBRATION_ACCEPTED, Flag, NewEvent, Reading
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, PHONE, TV, Stand, page_of, stand_of
from tests.calibration_support import SHOP, record_data

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

NAMES = "all => all.map((e) => e.dataset.sensor)"


@pytest.fixture
def ill(tmp_path: Path) -> Iterator[Stand]:
    """Two sensors in trouble and two that are well, one calibration overdue."""
    ages = {
        ("north-air", "air_temp_c"): 5, ("north-air", "rel_hum_pct"): 5,
        ("south-air", "air_temp_c"): 900, ("south-air", "rel_hum_pct"): 5,
        ("outdoor", "outdoor_temp_c"): 5, ("boiler", "heater_on"): 5,
    }  # fmt: skip
    store = SqliteStore(tmp_path)
    store.add_readings(
        [
            Reading(*key, NOW_US - age * SECOND_US, 1.0, Flag.WET if key[1] == "rel_hum_pct"
                    and key[0] == "north-air" else Flag.GOOD, NOW_US - age * SECOND_US)
            for key, age in ages.items()
        ]
    )  # fmt: skip
    data = record_data(checked="2025-07-10", due="2026-01-10")
    store.add_events([NewEvent(NOW_US - 60 * SECOND_US, CALIBRATION_ACCEPTED, "", data)])
    store.close()
    with stand_of(tmp_path, SHOP).serving() as serving:
        serving.say()
        yield serving


def test_it_opens_without_a_word_of_complaint(ill: Stand, browser: Browser) -> None:
    context = browser.new_context(viewport=TV)  # type: ignore[arg-type]
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(f"{ill.url}/sensors")
    page.wait_for_selector(".sensor")
    context.close()
    assert complaints == []


def test_the_one_to_go_to_stands_first_with_shape_word_and_reason(
    ill: Stand, browser: Browser
) -> None:
    with page_of(browser, ill.url) as page:
        page.click("nav >> text=sensors")
        page.wait_for_selector(".sensor")
        order = page.eval_on_selector_all(".sensor", NAMES)
        assert order == ["south-air", "north-air", "outdoor", "boiler"]
        assert page.inner_text('[data-f="go"]') == "Go to south-air, South bay"
        assert page.inner_text('[data-f="why"]').endswith("; then 1 more")
        first = page.locator('[data-sensor="south-air"]')
        assert first.locator(".word").inner_text() == "SILENT"
        assert first.locator(".shape svg").count() == 1
        assert first.locator('[data-quantity="air_temp_c"]').get_attribute("class") == (
            "quantity stale"
        )
        assert first.locator('[data-quantity="air_temp_c"] .age').inner_text() == "15 min ago"
        second = page.locator('[data-sensor="north-air"]')
        assert second.locator(".word").inner_text() == "LOOK AT IT"
        line = second.locator('[data-standing="overdue"]')
        assert line.inner_text().split("\n") == ["calibrated 2025-07-10,",
                                                 "check was due 2026-01-10"]  # fmt: skip
        assert "1 flagged:" in second.locator('[data-quantity="rel_hum_pct"] .flags').inner_text()


@pytest.mark.parametrize("size", [TV, PHONE])
@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_nothing_is_cut_off(ill: Stand, browser: Browser, size: Any, scheme: str) -> None:
    """No sideways scrolling, and no text wider than its box."""
    with page_of(browser, f"{ill.url}/sensors", size, scheme) as page:
        page.wait_for_selector(".sensor")
        page.evaluate("document.fonts.ready")
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        wide = page.eval_on_selector_all(
            ".sensors *", "all => all.filter((e) => e.children.length === 0 && "
            "!e.closest('.for-ears, svg') && e.scrollWidth > e.clientWidth + 1 && "
            "getComputedStyle(e).display !== 'inline').map((e) => e.textContent)",
        )  # fmt: skip
        assert wide == []
        smallest = page.eval_on_selector_all(
            ".sensor *", "all => Math.min(...all.map((e) => parseFloat(getComputedStyle(e)"
            ".fontSize)))",
        )  # fmt: skip
        assert smallest >= (17 if size == PHONE else 22)


def test_without_its_server_no_number_stays(ill: Stand, browser: Browser) -> None:
    with page_of(browser, f"{ill.url}/sensors", clock=True) as page:
        page.wait_for_selector(".sensor")
        page.route("**/api/v1/sensors", lambda route: route.abort())
        page.clock.run_for(30_000)
        page.wait_for_function("document.querySelector('.sensor .word').textContent === 'NO DATA'")
        values = set(page.locator(".sensor .value").all_inner_texts())
        assert values == {"—"}
        assert page.locator(".lost-bar").is_visible()
        kinds = page.eval_on_selector_all(".sensor", "all => all.map((e) => e.dataset.kind)")
        assert set(kinds) == {"silent"}
        page.unroute("**/api/v1/sensors")
        page.clock.run_for(10_000)
        page.wait_for_function("document.querySelector('.sensor .word').textContent === 'SILENT'")
        assert page.locator(".lost-bar").is_hidden()


def test_an_age_runs_on_between_two_answers(ill: Stand, browser: Browser) -> None:
    """A value grows stale on the screen by itself; here the server is not asked again."""
    with page_of(browser, f"{ill.url}/sensors", clock=True) as page:
        page.wait_for_selector(".sensor")
        age = page.locator('[data-sensor="outdoor"] .age')
        before = age.inner_text()
        page.route("**/api/v1/sensors", lambda route: route.abort())
        page.clock.run_for(3_000)
        assert before == "5 s ago"
        assert age.inner_text() in {"7 s ago", "8 s ago", "9 s ago"}
