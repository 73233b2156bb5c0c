"""The alarm board in a real browser: what stands, what to do, a wet glove, what is not live."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import iso_from_us
from envmon_boards.size import min_character_px
from tests.alarm_board_support import add_events, alarm, requests_in, say_alarms, say_alarms_once
from tests.boards_support import (
    GOOD_AIR,
    NOW_US,
    PHONE,
    Air,
    Stand,
    card,
    live_state,
    page_of,
    wait_text,
)
from tests.mosquitto_support import wait_until
from tests.test_wall_look import ink_height_px

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from envmon.guard.live import AlarmState, BayState, Life

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

ROOT = alarm("broker", "")
FOLLOWERS = tuple(
    alarm("lost", id=f"p{n}-lost", under="shop-broker", priority="low") for n in range(16)
)
WORDS: dict[Life, str] = {
    "UNACK": "not acknowledged (UNACK)",
    "ACKED": "acknowledged, still standing (ACKED)",
    "RTNUN": "over, not acknowledged (RTNUN)",
    "LTUNK": "latched: over, not acknowledged (LTUNK)",
    "LTACK": "latched: over, to be looked at and reset (LTACK)",
    "SHLVD": "shelved (SHLVD)",
    "DSUPR": "suppressed by design (DSUPR)",
    "OOSRV": "out of service (OOSRV)",
}


def row(alarm_id: str) -> str:
    return f'[data-row="{alarm_id}"]'


def rows(page: Page, where: str = "open") -> list[str]:
    script = "all => all.map(r => r.dataset.row)"
    found: list[str] = page.eval_on_selector_all(
        f'[data-alarms="{where}"] > .alarm-row', script
    )  # fmt: skip
    return found


def bay_with(stand: Stand, *alarms: AlarmState, story: Any = (GOOD_AIR,) * 10) -> BayState:
    """Return the bay north in which these alarms stand."""
    return msgspec.structs.replace(live_state(stand.plan, story=story), alarms=alarms)


def test_the_most_urgent_comes_first_and_tells_what_to_do(stand: Stand, browser: Browser) -> None:
    stands = [
        alarm("frost", "south", "RTNUN"),
        alarm("lost", priority="low", id="north-all-lost"),
        alarm("leaving", priority="medium"),
        alarm("condensation", "south", "LTUNK", minutes=40),
        alarm("window"),
        alarm("unknown", life="ACKED", priority="medium"),
    ]
    with page_of(browser, stand.url + "/alarms") as page:
        say_alarms(stand, *stands)
        page.wait_for_selector(row("north-window"))
        assert rows(page) == [
            "north-window", "south-condensation", "north-leaving", "north-unknown",
            "north-all-lost", "south-frost",
        ]  # fmt: skip
        said = page.inner_text(row("north-window"))
        assert "North bay" in said
        assert "Coating outside its window" in said
        assert "humidity 67 %, needs 35–60 %: ventilate or heat" in said
        assert "bring the air back" in said
        assert "3 min" in said
        assert page.inner_text('[data-f="unseen"]') == "5 not acknowledged"
        assert page.inner_text(row("north-leaving") + " .urgency").strip() == "WARNING"


@pytest.mark.parametrize("life", list(WORDS))
def test_every_state_in_plain_words_and_by_its_short_name(
    stand: Stand, browser: Browser, life: Life
) -> None:
    say_alarms(stand, alarm("window", life=life, until=iso_from_us(NOW_US + 900_000_000),
                            reason="fan is being mended", by="Signe"))  # fmt: skip
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("north-window"))
        assert page.inner_text(row("north-window") + " .life") == WORDS[life]
        aside = life in {"SHLVD", "DSUPR", "OOSRV"}
        assert rows(page, "aside" if aside else "open") == ["north-window"]
        assert rows(page, "open" if aside else "aside") == []
        if aside:
            why = page.inner_text(row("north-window") + " .why")
            assert "until 14:20" in why
            assert "fan is being mended" in why
            assert "by Signe" in why


def test_one_that_is_over_was_raised_then(stand: Stand, browser: Browser) -> None:
    """Its time is that of its raising: "over since" would be a lie."""
    over = alarm("window", life="RTNUN", minutes=40)
    say_alarms(stand, over)
    stand.say(bay_with(stand, over))
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("north-window"))
        assert page.inner_text(row("north-window") + " .facts").startswith(
            "raised 13:25\n40 min ago"
        )
        page.goto(stand.url + "/")
        page.wait_for_selector('[data-bay="north"][data-loud="loud"]')
        assert page.inner_text(card("north", "alarm")).startswith("over, raised 13:25: ")


def test_priorities_differ_by_word_shape_and_colour(stand: Stand, browser: Browser) -> None:
    """Never colour alone: WCAG 2.2, success criterion 1.4.1."""
    ranks: Any = ("high", "medium", "low")
    say_alarms(stand, *(alarm("window", priority=rank, id=f"{rank}-window") for rank in ranks))
    seen = []
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("low-window"))
        for rank in ranks:
            script = """r => [r.querySelector('.word').textContent,
              r.querySelector('svg').innerHTML, getComputedStyle(r).borderLeftColor]"""
            seen.append(page.eval_on_selector(row(f"{rank}-window"), script))
    assert [word for word, _, _ in seen] == list(ranks)
    assert len({shape for _, shape, _ in seen}) == len({colour for _, _, colour in seen}) == 3


def test_one_root_instead_of_seventeen(stand: Stand, browser: Browser) -> None:
    say_alarms(stand, ROOT, *FOLLOWERS)
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("shop-broker"))
        assert rows(page) == ["shop-broker"]
        assert page.inner_text('[data-f="unseen"]') == "1 not acknowledged"
        assert page.inner_text(".follows summary") == "16 alarms follow from it"
        assert not page.locator(row("p3-lost")).is_visible()
        page.click(".follows summary")
        assert page.locator(row("p3-lost")).is_visible()
        say_alarms(stand, ROOT, *FOLLOWERS[:9])  # what was unfolded stays so
        page.wait_for_function("document.querySelectorAll('.follows .alarm-row').length === 9")
        assert page.locator(row("p3-lost")).is_visible()
        page.click(row("shop-broker") + " > .alarm-acts .main")
        wait_until(lambda: len(requests_in(stand.boards.folder)) == 10, "the requests")
        assert {r[2]["alarm"] for r in requests_in(stand.boards.folder)} == {
            "shop-broker", *(f"p{n}-lost" for n in range(9)),
        }  # fmt: skip


def test_when_the_root_is_over_the_others_speak_for_themselves(
    stand: Stand, browser: Browser
) -> None:
    over = alarm("broker", "", "RTNUN")
    say_alarms(stand, over, *FOLLOWERS[:2])
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("p1-lost"))
        assert sorted(rows(page)) == ["p0-lost", "p1-lost", "shop-broker"]


def test_alarms_that_follow_in_a_ring_are_all_shown(stand: Stand, browser: Browser) -> None:
    ring = alarm("heater", under="north-window"), alarm("window", under="north-heater")
    say_alarms(stand, *ring)
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("north-heater"), state="attached")
        assert page.locator(".alarm-row").count() == 2


def test_acknowledge_at_a_touch_and_done_only_when_the_watch_says_so(
    stand: Stand, browser: Browser
) -> None:
    say_alarms(stand, alarm("window"))
    with page_of(browser, stand.url + "/alarms") as page:
        button = row("north-window") + ' [data-act="acknowledge"]'
        page.click(button)
        wait_text(page, button, "sent")
        wait_text(page, button, "sent, the watch has not taken it yet")
        assert requests_in(stand.boards.folder) == [
            ("alarm_acknowledged", "north", {"alarm": "north-window", "via": "wall", "by": ""})
        ]
        say_alarms(stand, alarm("window", life="ACKED", by="Signe"))
        page.wait_for_selector(button, state="detached")
        assert "by Signe" in page.inner_text(row("north-window"))


def test_shelve_with_a_time_and_a_reason(stand: Stand, browser: Browser) -> None:
    say_alarms(stand, alarm("window"))
    with page_of(browser, stand.url + "/alarms") as page:
        page.click(row("north-window") + ' [data-act="shelve"]')
        go = page.locator('dialog [data-act="ask-go"]')
        assert page.locator('[data-choice="minutes"]').all_inner_texts() == [
            "15 min",
            "60 min",
            "8 h",
        ]
        assert go.is_disabled()
        page.click('[data-choice="minutes"][data-value="15"]')
        assert go.is_disabled()
        page.click('[data-choice="reason"] >> nth=1')
        assert go.is_enabled()
        page.fill('dialog input[name="by"]', "Signe")
        go.click()
        wait_until(lambda: bool(requests_in(stand.boards.folder)), "the request")
        page.click(row("north-window") + ' [data-act="remove"]')
        assert page.input_value('dialog input[name="by"]') == "Signe"  # kept for the next time
        page.fill('dialog input[name="reason"]', "sensor sent in")
        page.click('dialog [data-act="ask-go"]')
        wait_until(lambda: len(requests_in(stand.boards.folder)) == 2, "the other request")
    shelved, removed = requests_in(stand.boards.folder)
    data = {"alarm": "north-window", "via": "wall", "by": "Signe"}
    assert shelved == (
        "alarm_shelved", "north", data | {"minutes": 15, "reason": "waiting for a part"},
    )  # fmt: skip
    assert removed == ("alarm_removed", "north", data | {"reason": "sensor sent in"})


def test_a_latched_one_says_what_to_look_at_before_it_is_reset(
    stand: Stand, browser: Browser
) -> None:
    say_alarms(stand, alarm("condensation", life="LTACK"))
    with page_of(browser, stand.url + "/alarms") as page:
        page.click(row("north-condensation") + ' [data-act="reset"]')
        assert "every panel" in page.inner_text("dialog .look")
        page.click('dialog [data-act="ask-leave"]')
        assert requests_in(stand.boards.folder) == []
        page.click(row("north-condensation") + ' [data-act="reset"]')
        page.click('dialog [data-act="ask-go"]')
        wait_until(lambda: bool(requests_in(stand.boards.folder)), "the request")
    assert [r[0] for r in requests_in(stand.boards.folder)] == ["alarm_reset"]


@pytest.mark.parametrize(
    ("life", "act", "kind"),
    [("SHLVD", "unshelve", "alarm_unshelved"), ("OOSRV", "return", "alarm_returned")],
)
def test_what_was_set_aside_comes_back(
    stand: Stand, browser: Browser, life: Life, act: str, kind: str
) -> None:
    say_alarms(stand, alarm("window", life=life))
    with page_of(browser, stand.url + "/alarms") as page:
        page.click(row("north-window") + f' [data-act="{act}"]')
        wait_until(lambda: bool(requests_in(stand.boards.folder)), "the request")
    assert [r[0] for r in requests_in(stand.boards.folder)] == [kind]


def test_a_refusal_is_said(stand: Stand, browser: Browser) -> None:
    say_alarms(stand, alarm("window"))
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("north-window"))
        refusal = {"status": 503, "json": {"error": "the disk is full"}}
        page.route("**/acknowledge", lambda route: route.fulfill(**refusal))
        page.click(row("north-window") + ' [data-act="acknowledge"]')
        wait_text(page, '[data-f="said"]', "not done: the disk is full")


@pytest.mark.parametrize("size", [None, PHONE])
def test_buttons_for_a_wet_glove(stand: Stand, browser: Browser, size: Any) -> None:
    """At least 64 px high; WCAG 2.2 asks for 24 (2.5.8) and 44 (2.5.5)."""
    say_alarms(stand, ROOT, *FOLLOWERS[:2], alarm("window"), alarm("frost", life="SHLVD"))
    with page_of(browser, stand.url + "/alarms", size) as page:
        page.wait_for_selector(row("north-window"))
        script = "all => all.filter(b => b.offsetHeight).map(b => [b.offsetWidth, b.offsetHeight])"
        sizes = page.eval_on_selector_all(".alarm-acts button, .follows summary", script)
        page.click(row("north-window") + ' [data-act="shelve"]')
        sizes += page.eval_on_selector_all("dialog button, dialog input", script)
        assert len(sizes) > 15
        assert min(min(pair) for pair in sizes) >= 64
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_nothing_stands(stand: Stand, browser: Browser) -> None:
    add_events(stand.boards.folder, (60, "raised", "north-frost", {}),
               (25, "cleared", "north-frost", {}))  # fmt: skip
    say_alarms(stand)
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(".calm:not([hidden])")
        wait_text(page, '[data-f="calm-since"]', "since Tue 27 Jan 13:40")
        assert "No alarm stands" in page.inner_text(".calm")
        assert not page.locator('[data-f="unseen"]').is_visible()
        say_alarms(stand, alarm("window"))
        page.wait_for_selector(row("north-window"))
        assert not page.locator(".calm").is_visible()


def test_a_watch_that_is_down_leaves_no_list(stand: Stand, browser: Browser) -> None:
    say_alarms(stand, alarm("window"), alarm("frost", "south"))
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("north-window"))
        stand.beat("down", "the watch is gone")
        page.wait_for_selector(".not-live:not([hidden])")
        said = page.inner_text(".not-live")
        assert said.startswith("watch is down since 14:05")
        assert "not known: when last heard, at 14:05, 2 stood" in said
        assert rows(page) == rows(page, "aside") == []
        assert not page.locator(".calm").is_visible()
        assert not page.locator('[data-f="unseen"]').is_visible()
        stand.mute(on=False)
        say_alarms(stand, alarm("window"))
        page.wait_for_selector(row("north-window"))
        assert not page.locator(".not-live").is_visible()


def test_alarms_that_grow_old_are_not_shown_as_live(stand: Stand, browser: Browser) -> None:
    say_alarms_once(stand, alarm("window"))  # and never again, though the watch lives
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector(row("north-window"))
        page.wait_for_selector(".not-live:not([hidden])")
        assert "the alarms are not heard" in page.inner_text(".not-live")
        assert rows(page) == []


def test_recent_and_figures_below(stand: Stand, browser: Browser) -> None:
    add_events(
        stand.boards.folder,
        (3 * 1440, "raised", "north-frost", {"priority": "high"}),
        (3 * 1440 - 5, "cleared", "north-frost", {}),
        *((60.0 + n, "raised", f"p{n}-lost", {"priority": "low", "text": "nothing heard"})
          for n in range(20, 0, -1)),
        (30, "acknowledged", "p1-lost", {"by": "Signe", "via": "link"}),
    )  # fmt: skip
    say_alarms(stand)
    with page_of(browser, stand.url + "/alarms") as page:
        page.wait_for_selector("table.past")
        assert page.locator(".past tbody tr").count() == 12
        first = page.inner_text(".past tbody tr")
        assert "nothing heard" in first
        assert "after 31 min by Signe" in first
        page.click('[data-act="past"][data-span="168"]')
        page.wait_for_function("document.body.innerText.includes('show all 21')")
        page.click('[data-act="all-past"]')
        page.wait_for_function("document.querySelectorAll('.past tbody tr').length === 21")
        assert "frost" not in page.inner_text(".figures")
        text = page.inner_text(".figures")
        assert "alarms a day" in text
        assert "about 150 very likely acceptable, 300 the most" in text
        assert "too few to judge" in text
        assert "21 alarms in 3 days" in page.inner_text('[data-alarms="figures"]')


def test_markup_in_an_alarm_stays_text(stand: Stand, browser: Browser) -> None:
    evil = "<img src=x onerror=hit()>"
    bad = alarm("window", text=f"{evil}: {evil}", name=evil, do=evil, by=evil, life="ACKED")
    add_events(stand.boards.folder, (5, "raised", evil, {"text": evil, "what": evil}))
    stand.say(bay_with(stand, bad))
    with page_of(browser, stand.url + "/alarms") as page:
        say_alarms(stand, bad, alarm("frost", life="SHLVD", reason=evil, by=evil))
        page.wait_for_selector(row("north-frost"))
        page.wait_for_selector("table.past")
        assert page.locator("#page img").count() == 0
        assert evil in page.inner_text(row("north-window"))


def test_the_wall_has_the_newest_of_the_most_urgent_nobody_has_seen(
    stand: Stand, browser: Browser
) -> None:
    known = alarm("unknown", life="ACKED", minutes=1)
    less = alarm("lost", priority="low", minutes=0)
    old, new = alarm("frost", minutes=30), alarm("window", minutes=2)
    stand.say(bay_with(stand, known, less, old, new))
    with page_of(browser, stand.url + "/bay/north") as page:
        wait_text(page, card("north", "alarm-head"), "ALARM")
        assert page.inner_text(card("north", "alarm")) == "since 14:03 (+3)"
        assert page.inner_text(card("north", "alarm-about")) == "Coating outside its window"
        button = page.locator('[data-bay="north"] .ack')
        box = button.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 64
        button.click()
        wait_until(lambda: bool(requests_in(stand.boards.folder)), "the request")
        assert requests_in(stand.boards.folder)[0][2]["alarm"] == "north-window"
        page.wait_for_function("document.querySelector('.ack').textContent.startsWith('sent')")
        stand.say(bay_with(stand, known, old, msgspec.structs.replace(new, life="ACKED")))
        wait_text(page, card("north", "alarm-about"),
                  "Stores near freezing: air 3.2 °C, stores must stay above 5 °C")  # fmt: skip
        assert page.inner_text(".ack") == "acknowledge"


def test_an_alarm_that_was_seen_is_calm(stand: Stand, browser: Browser) -> None:
    stand.say(bay_with(stand, alarm("window", life="ACKED")))
    with page_of(browser, stand.url + "/bay/north") as page:
        wait_text(page, card("north", "alarm-head"), "acknowledged")
        assert not page.locator('[data-bay="north"] .ack').is_visible()
        assert page.get_attribute('[data-bay="north"]', "data-loud") == "calm"
        stand.say(bay_with(stand))
        page.wait_for_selector('[data-bay="north"] .banner', state="hidden")


def test_about_to_leave_is_a_warning(stand: Stand, browser: Browser) -> None:
    stand.say(bay_with(stand, alarm("leaving", priority="medium")))
    with page_of(browser, stand.url + "/") as page:
        page.wait_for_selector('[data-bay="north"][data-loud="loud"]')
        said = page.inner_text('[data-bay="north"] .banner')
        assert said.startswith("WARNING since 14:02: Coating about to leave its window")
        assert "ALARM" not in said


@pytest.mark.parametrize("bays", [1, 2])
def test_the_alarm_on_the_wall_is_large(stand: Stand, browser: Browser, bays: int) -> None:
    """Alone its head reads from six metres; on a shared wall the whole line from three."""
    cold = [GOOD_AIR] * 3 + [Air(14.2, 68.0, 4.1)] * 7
    stand.say(bay_with(stand, alarm("window"), story=cold))
    with page_of(browser, stand.url + ("/bay/north" if bays == 1 else "/")) as page:
        page.wait_for_selector('[data-bay="north"][data-loud="loud"]')
        page.evaluate("document.fonts.ready")
        if bays == 1:
            assert ink_height_px(page, card("north", "alarm-head")) >= min_character_px(6.0)
        else:
            assert ink_height_px(page, card("north", "alarm")) >= min_character_px(3.0)
        boxes = page.eval_on_selector_all(
            '[data-bay="north"] .ack', "all => all.map(b => b.offsetHeight)"
        )
        assert min(boxes) >= 64


@pytest.mark.parametrize("path", ["/", "/bay/south", "/stages/north", "/history", "/alarms"])
def test_the_shop_wide_alarm_is_in_the_head_of_every_page(
    stand: Stand, browser: Browser, path: str
) -> None:
    say_alarms(stand, alarm("silence", ""), alarm("disk", "", "ACKED", "medium"), alarm("window"))
    with page_of(browser, stand.url + path) as page:
        wait_text(page, '[data-f="shopwide"]', "no sensor is heard (+1)")
        assert page.locator(".shop-wide svg").is_visible()
        assert page.inner_text('[data-f="unseen"]') == "2 not acknowledged"
        assert page.get_attribute(".to-alarms", "href") == "/alarms"
        page.evaluate("document.fonts.ready")
        cut = page.eval_on_selector_all(
            ".top nav a",
            "all => all.filter(a => a.getBoundingClientRect().right > "
            "a.parentNode.getBoundingClientRect().right + 1).map(a => a.textContent)",
        )
        assert cut == []
        say_alarms(stand, alarm("silence", "", "RTNUN"))
        wait_text(page, '[data-f="shopwide"]', "no sensor is heard: over")


@pytest.mark.parametrize("path", ["/", "/alarms", "/bay/north"])
def test_a_phone_never_scrolls_sideways(stand: Stand, browser: Browser, path: str) -> None:
    stand.say(bay_with(stand, alarm("window"), alarm("frost")))
    say_alarms(stand, ROOT, *FOLLOWERS, alarm("window"), alarm("frost", life="OOSRV"))
    add_events(stand.boards.folder, (600, "raised", "north-frost", {"text": "x" * 90}))
    with page_of(browser, stand.url + path, PHONE) as page:
        page.wait_for_selector(row("shop-broker") if path == "/alarms" else "[data-loud=loud]")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
