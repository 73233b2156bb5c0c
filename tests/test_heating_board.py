"""The winter board: worked out beside the boards, remembered, shown on a wall and in a hand.

Contrast: WCAG 2.2, success criteria 1.4.3 (4.5 for text) and 1.4.11 (3 for graphics).
"""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from datetime import date
from functools import cache
from threading import Event
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import ManualClock, us_from_iso
from envmon.errors import InputError
from envmon.guard.plan import plan_from_shop
from envmon.store.sqlite import SqliteStore
from envmon_boards.api import Boards
from envmon_boards.feed import LiveFeed
from envmon_boards.winter_api import AGAIN_S, FRESH_S, WinterDesk, worked_apart
from envmon_boards.winter_page import SECTIONS
from envmon_boards.winter_work import Question, answer
from tests.boards_support import PHONE, Stand, page_of, shop_from
from tests.mosquitto_support import wait_until
from tests.test_wall_contrast import contrast, themes
from tests.winter_story import TEXT, tell

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
browser_test = pytest.mark.browser
NOW_US = us_from_iso("2026-02-20T18:30:00+01:00")


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> Boards:
    folder = tmp_path_factory.mktemp("winter")
    store = SqliteStore(folder)
    tell(store, date(2024, 12, 1), 90, seed=3)
    tell(store, date(2025, 12, 1), 82, seed=8, litres=9_000.0)
    store.close()
    shop = shop_from(TEXT)
    return Boards(shop, plan_from_shop(shop), LiveFeed(), folder, ManualClock(NOW_US))


@pytest.fixture(scope="module")
def stand(boards: Boards) -> Iterator[Stand]:
    with Stand(boards).serving() as serving:
        yield serving


@cache
def here(question: bytes) -> bytes:
    """Work a question out in this process, once for all tests that ask it."""
    return msgspec.json.encode(answer(msgspec.json.decode(question, type=Question)))


def test_a_process_of_its_own_answers_what_this_one_would(boards: Boards) -> None:
    question = WinterDesk(boards)._question(2025)
    apart = json.loads(worked_apart(question))
    assert apart == json.loads(here(question))
    assert apart["span"] == "1 December 2025 to 20 February 2026"
    assert apart["years"] == [2025, 2024]
    assert [one["what"] for one in apart["numbers"]][:2] == ["energy", "heaters ran"]
    assert apart["cost"]["what"] == "cost, tax included"
    assert apart["same"]["what"] == "same weather"
    assert [row[0] for row in apart["by_month"]["rows"]] == [
        "December 2025", "January 2026", "February 2026"
    ]  # fmt: skip
    assert {"wide", "phone"} == set(apart["drawings"])
    assert set(apart["drawings"]["wide"]) == {"calendar", "days", "signature", "months", "where"}
    assert len(apart["ahead"]) == 2
    assert any("CO alarm" in text for text in apart["cautions"])


def test_a_question_that_cannot_be_answered_says_why(boards: Boards, tmp_path: Path) -> None:
    broken = msgspec.json.decode(WinterDesk(boards)._question(2025))
    broken["folder"] = str(tmp_path / "gone" / "\0")
    with pytest.raises(RuntimeError):
        worked_apart(msgspec.json.encode(broken))


def test_the_desk_never_waits_and_works_one_out_at_a_time(boards: Boards) -> None:
    go, asked, now = Event(), [], [0.0]

    def work(question: bytes) -> bytes:
        asked.append(question)
        assert go.wait(20)
        return b'{"n":1}'

    desk = WinterDesk(boards, work, lambda: now[0])
    assert desk.look(2025).working
    assert desk.look(2025).content == b""
    go.set()
    wait_until(lambda: not desk.look(2025).working, "the winter")
    assert json.loads(desk.look(2025).content)["n"] == 1
    assert len(asked) == 1
    now[0] = FRESH_S + 1
    go.clear()
    old = desk.look(2025)
    assert old.working
    assert old.content
    go.set()
    wait_until(lambda: not desk.look(2025).working, "the winter again")
    assert len(asked) == 2
    with pytest.raises(InputError, match="has not begun"):
        desk.look(2026)


def test_what_failed_is_tried_again_soon_and_the_old_answer_stays(boards: Boards) -> None:
    answers, now = [b'{"n":1}', b"", b'{"n":2}'], [0.0]

    def work(_question: bytes) -> bytes:
        found = answers.pop(0)
        if not found:
            raise RuntimeError("disk is full")
        return found

    desk = WinterDesk(boards, work, lambda: now[0])
    desk.look(2025)
    wait_until(lambda: not desk.look(2025).working, "the first")
    now[0] += FRESH_S + 1
    desk.look(2025)
    wait_until(lambda: not desk.look(2025).working, "the failure")
    assert desk.look(2025).failed == "disk is full"
    assert json.loads(desk.look(2025).content)["n"] == 1
    now[0] += AGAIN_S + 1
    desk.look(2025)
    wait_until(lambda: json.loads(desk.look(2025).content)["n"] == 2, "the next")
    assert desk.look(2025).failed == ""


def fetched(address: str) -> tuple[int, dict[str, Any]]:
    try:
        with urllib.request.urlopen(address, timeout=20) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as error:
        return error.code, json.loads(error.read())


def test_the_address_answers_at_once(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("envmon_boards.winter_api.worked_apart", here)
    address = f"{stand.url}/api/v1/winter"
    status, found = fetched(f"{address}?winter=2024")
    assert status in {200, 202}
    if status == 202:
        assert found == {"working": True, "year": 2024}
    wait_until(lambda: fetched(f"{address}?winter=2024")[0] == 200, "the winter", 60)
    found = fetched(f"{address}?winter=2024")[1]
    assert not any("start heating" in text for text in found["ahead"])
    assert "made" in found
    for asked in ("2300", "x", "-1", "20255555555555"):
        status, refused = fetched(f"{address}?winter={asked}")
        assert status == 422, asked
        assert "winter is" in refused["error"]


def told(page: Any) -> None:
    page.wait_for_selector(".at-days svg", timeout=90_000)


CUT = """[...document.querySelectorAll('.winter :not(.for-ears)')].filter((e) => e.offsetParent
  && !e.children.length && e.textContent && (e.getBoundingClientRect().right > innerWidth + 1
  || e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline'))
  .map((e) => e.textContent)"""
"""Texts that are cut off or stand outside the screen."""
NO_WIDER = "document.documentElement.scrollWidth <= innerWidth"


def section(page: Any, name: str) -> None:
    page.click(f'[data-tab="{name}"]')
    page.wait_for_selector(f'[data-section="{name}"]', state="visible")


@browser_test
def test_the_first_screen_of_a_wall_says_cost_change_and_what_to_do(
    stand: Stand, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon_boards.winter_api.worked_apart", here)
    with page_of(browser, f"{stand.url}/winter") as page:
        told(page)
        assert "NOK" in page.inner_text(".at-cost .f-cost")
        assert "more" in page.inner_text(".at-say .f-same")
        assert "start heating at" in page.inner_text(".at-do")
        assert "CO alarm" in page.inner_text(".at-cautions")
        assert page.locator(".winter-numbers dd").count() == 6
        for name in SECTIONS:
            if page.locator(f'[data-tab="{name}"]').is_hidden():
                continue
            section(page, name)
            assert page.locator("[data-section]:visible").count() == 1
            assert page.evaluate("document.documentElement.scrollHeight") <= 1080, name
            assert page.evaluate(NO_WIDER), name
            assert page.evaluate(CUT) == [], name
        page.click('[data-year="2024"]')
        page.wait_for_function(
            "document.querySelector('.f-span').textContent.includes('2024')", timeout=90_000
        )
        assert "start heating" not in page.inner_text('[data-part="ahead"]')


@browser_test
def test_days_are_shown_a_month_at_a_time_and_the_address_keeps_the_section(
    stand: Stand, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon_boards.winter_api.worked_apart", here)
    with page_of(browser, f"{stand.url}/winter#days") as page:
        page.wait_for_selector('[data-section="days"] tbody tr', timeout=90_000)
        first = page.locator(".rows tbody tr td:first-child").all_inner_texts()
        assert first[:2] == ["February 2026", "Fri 20 Feb"]
        assert len(first) == 21
        page.click('[data-month="2025-12"]')
        assert page.locator(".rows tbody tr").count() == 32
        section(page, "months")
        assert page.url.endswith("#months")


@browser_test
def test_the_phone_shows_it_below_each_other_and_nothing_is_cut(
    stand: Stand, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon_boards.winter_api.worked_apart", here)
    with page_of(browser, f"{stand.url}/winter", PHONE) as page:
        told(page)
        for name in ("answers", "days", "months", "building"):
            section(page, name)
            assert page.evaluate(NO_WIDER), name
            assert page.evaluate(CUT) == [], name
        section(page, "days")
        cells = page.locator(".rows tbody tr:not(.month) >> nth=0").locator("td:visible")
        assert cells.count() >= 8  # every column that has something, none left out
        tall = page.eval_on_selector_all(
            ".winter .key",
            "all => all.filter((e) => e.offsetParent).map((e) => e.getBoundingClientRect().height)",
        )
        assert min(tall) >= 44


def test_colours_can_be_told_apart() -> None:
    for name, colours in themes().items():
        panel = colours["panel"]
        for line in ("fit", "line-dew", "soft", "unknown", "edge"):
            assert contrast(colours[line], panel) >= 3, (name, line)
        for text in ("ink", "soft"):
            assert contrast(colours[text], panel) >= 4.5, (name, text)
