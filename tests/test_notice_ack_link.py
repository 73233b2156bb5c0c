"""The acknowledge link: signed, shown by GET, used by POST, once; in a real browser on a phone.

That a fetch must change nothing: RFC 9110 section 9.2.1, safe methods. Size of a target:
44 px at least, WCAG 2.2 success criterion 2.5.5 (from memory); a glove gets more.
"""

from __future__ import annotations

import stat
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
import requests

from envmon.clock import HOUR_US
from envmon.facts import NewEvent
from envmon.service.notice.ack_link import KEY_FILE, Ticket, ensure_key, link_of
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, PHONE, Stand, page_of, shop_text, stand_of
from tests.notice_support import raised_event

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
CONTACT = '\n[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["phone"]\n'
TEXT = "North bay, coating: rel. humidity 78 %, needs 30 to 65 %"


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    with stand_of(tmp_path, shop_text() + CONTACT).serving() as serving:
        yield serving


def add(stand: Stand, *events: NewEvent) -> list[int]:
    store = SqliteStore(stand.boards.folder)
    try:
        return [event.seq for event in store.add_events(list(events))]
    finally:
        store.close()


def asked(stand: Stand) -> list[dict[str, Any]]:
    store = SqliteStore(stand.boards.folder)
    try:
        return [{"kind": r.kind, "bay": r.bay, **r.data} for r in store.requests()]
    finally:
        store.close()


def link(stand: Stand, *alarms: tuple[str, int], until_us: int = NOW_US + HOUR_US) -> str:
    key = ensure_key(stand.boards.folder)
    return link_of(stand.url, key, Ticket("ola", until_us, alarms))


@pytest.fixture
def address(stand: Stand) -> str:
    (seq,) = add(stand, raised_event(NOW_US, text=TEXT))
    return link(stand, ("north-window", seq))


def test_key_is_for_its_owner_only_and_stays(tmp_path: Path) -> None:
    key = ensure_key(tmp_path)
    assert ensure_key(tmp_path) == key
    assert len(key) == 64
    assert stat.S_IMODE((tmp_path / KEY_FILE).stat().st_mode) == 0o600


def test_get_shows_and_changes_nothing(stand: Stand, address: str) -> None:
    for _ in range(3):
        answer = requests.get(address, timeout=10)
        assert answer.status_code == 200
        assert TEXT in answer.text.replace("\u00a0", " ")
        assert '<form method="post">' in answer.text
    assert requests.head(address, timeout=10).status_code in {200, 405}
    assert asked(stand) == []


def test_post_acknowledges_once(stand: Stand, address: str) -> None:
    answer = requests.post(address, timeout=10)
    assert (answer.status_code, "Acknowledged, Ola" in answer.text) == (200, True)
    wanted = {"kind": "alarm_acknowledged", "bay": "north", "alarm": "north-window", "by": "Ola"}
    assert asked(stand) == [{**wanted, "via": "link", "seq": 1}]
    again = requests.post(address, timeout=10)
    assert (again.status_code, "This link is used up" in again.text) == (410, True)
    assert len(asked(stand)) == 1


def test_many_presses_at_once_ask_once(stand: Stand, address: str) -> None:
    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(lambda _: requests.post(address, timeout=20).status_code, range(16)))
    assert sorted(codes) == [200] + [410] * 15
    assert len(asked(stand)) == 1


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("alarm_acknowledged", "Acknowledged by Kari at 14:05"),
        ("alarm_shelved", "Set aside by Kari at 14:05"),
        ("alarm_raised", "raised anew after this message was sent"),
        ("alarm_again", "raised anew after this message was sent"),
    ],
)
def test_link_of_the_past_says_what_became_of_it(
    stand: Stand, address: str, kind: str, words: str
) -> None:
    add(stand, NewEvent(NOW_US, kind, "north", {"alarm": "north-window", "by": "Kari"}))
    for answer in (requests.get(address, timeout=10), requests.post(address, timeout=10)):
        assert (answer.status_code, words in answer.text) == (410, True), answer.text
    assert asked(stand) == []


def test_alarm_that_is_over_can_still_be_acknowledged(stand: Stand, address: str) -> None:
    add(stand, NewEvent(NOW_US, "alarm_cleared", "north", {"alarm": "north-window"}))
    assert ", over now" in requests.get(address, timeout=10).text
    assert requests.post(address, timeout=10).status_code == 200
    assert len(asked(stand)) == 1


def test_one_link_acknowledges_what_is_still_open(stand: Stand) -> None:
    one, two = add(stand, raised_event(NOW_US), raised_event(NOW_US, "south-window"))
    add(stand, NewEvent(NOW_US, "alarm_acknowledged", "north", {"alarm": "north-window"}))
    address = link(stand, ("north-window", one), ("south-window", two))
    assert requests.post(address, timeout=10).status_code == 200
    assert [request["alarm"] for request in asked(stand)] == ["south-window"]


def test_expired_link_is_refused(stand: Stand) -> None:
    (seq,) = add(stand, raised_event(NOW_US))
    address = link(stand, ("north-window", seq), until_us=NOW_US)
    answer = requests.post(address, timeout=10)
    assert (answer.status_code, "too old" in answer.text) == (410, True)
    assert asked(stand) == []


def test_link_of_somebody_who_left_is_refused(stand: Stand) -> None:
    (seq,) = add(stand, raised_event(NOW_US))
    key = ensure_key(stand.boards.folder)
    ticket = Ticket("was-here", NOW_US + HOUR_US, (("north-window", seq),))
    answer = requests.post(link_of(stand.url, key, ticket), timeout=10)
    assert (answer.status_code, "no longer" in answer.text) == (403, True)
    assert asked(stand) == []


@pytest.mark.parametrize("how", ["cut", "changed", "other key", "long", "nothing"])
def test_forged_link_is_refused(stand: Stand, address: str, how: str) -> None:
    base, _, token = address.rpartition("/")
    other = link_of(stand.url, b"other", Ticket("ola", NOW_US + HOUR_US, (("north-window", 1),)))
    forged = {
        "cut": f"{base}/{token[:-3]}",
        "changed": f"{base}/X{token[1:]}",
        "other key": other,
        "long": f"{base}/{'x' * 9_000}",
        "nothing": f"{base}/-",
    }[how]
    for answer in (requests.get(forged, timeout=10), requests.post(forged, timeout=10)):
        assert (answer.status_code, "not made here" in answer.text) == (403, True)
    assert asked(stand) == []


def test_chain_that_holds_something_else_there_is_not_acknowledged(stand: Stand) -> None:
    add(stand, raised_event(NOW_US, "south-window"))
    for place in (1, 7):
        answer = requests.post(link(stand, ("north-window", place)), timeout=10)
        assert (answer.status_code, "no longer knows" in answer.text) == (410, True)
    assert asked(stand) == []


def test_text_of_an_alarm_is_no_markup(stand: Stand) -> None:
    (seq,) = add(stand, raised_event(NOW_US, text="<img src=x onerror=alert(1)> & co"))
    page = requests.get(link(stand, ("north-window", seq)), timeout=10).text
    assert "<img" not in page
    assert "&lt;img" in page


@pytest.mark.browser
def test_phone_page_is_worked_by_one_thumb_in_a_glove(
    stand: Stand, address: str, browser: Browser, tmp_path: Path
) -> None:
    with page_of(browser, address, PHONE) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        box = page.locator("button").bounding_box()
        assert box is not None
        assert box["height"] >= 100
        assert box["width"] >= 340
        assert box["y"] > PHONE["height"] / 2
        assert box["y"] + box["height"] <= PHONE["height"]
        page.screenshot(path=str(tmp_path / "ask.png"))
        page.locator("button").click()
        page.get_by_role("heading", name="Acknowledged, Ola").wait_for()
        assert page.locator("button").count() == 0
        page.screenshot(path=str(tmp_path / "done.png"))
    assert [request["alarm"] for request in asked(stand)] == ["north-window"]


@pytest.mark.browser
def test_button_stays_in_reach_below_many_alarms(stand: Stand, browser: Browser) -> None:
    names = [f"{bay}-{what}" for bay in ("north", "south") for what in ("window", "frost", "lost")]
    seqs = add(stand, *(raised_event(NOW_US, name) for name in names))
    address = link(stand, *zip(names, seqs, strict=True))
    with page_of(browser, address, {"width": 360, "height": 640}) as page:
        box = page.locator("button").bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 640
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
