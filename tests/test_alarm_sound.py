"""The sound of the alarm in a real Chromium: who may sound, what, how often, and for how long not.

Source: pulses in a burst by rank (ten, three, one or two), IEC 60601-1-8 (from memory). That a page
stays silent until it was touched: the browsers' autoplay policy.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import sync_playwright

from tests.alarm_board_support import alarm, say_alarms
from tests.boards_support import CHROMIUM, CHROMIUM_ARGS, PHONE, Stand, page_of, wait_text
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

    from envmon.guard.live import Life

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

STRICT = "--autoplay-policy=document-user-activation-required"
KIOSK = "--autoplay-policy=no-user-gesture-required"
LISTEN = """
window.heard = [];
document.addEventListener("envmon-tone", (event) => {
  window.heard.push({ ...event.detail, when: performance.now() });
});
"""
# Stretches of sound [s] in a pattern played into a buffer: where it is louder than 2 % for more
# than a gap of 30 ms.
STRETCHES = """async (rank) => {
  const rate = 8000;
  const context = new OfflineAudioContext(1, 4 * rate, rate);
  window.envmon.tones.schedule(context, rank, 0);
  const samples = (await context.startRendering()).getChannelData(0);
  const found = [];
  let last = -Infinity;
  for (let at = 0; at < samples.length; at += 1) {
    if (Math.abs(samples[at]) < 0.02) continue;
    if (at - last > 0.03 * rate) found.push([at / rate, at / rate]);
    found.at(-1)[1] = at / rate;
    last = at;
  }
  return found;
}"""


@pytest.fixture(scope="module")
def browsers() -> Iterator[dict[str, Browser]]:
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with sync_playwright() as play:
        running = {
            policy: play.chromium.launch(
                executable_path=str(CHROMIUM), args=[*CHROMIUM_ARGS, policy]
            )
            for policy in (STRICT, KIOSK)
        }
        yield running
        for one in running.values():
            one.close()


@contextmanager
def listening(
    browsers: dict[str, Browser],
    stand: Stand,
    policy: str = KIOSK,
    path: str = "/",
    size: Any = None,
) -> Iterator[Page]:
    """Open a page whose tones are written down."""
    with page_of(browsers[policy], "about:blank", size) as page:
        page.add_init_script(LISTEN)
        page.goto(stand.url + path)
        yield page


def wait_heard(page: Page, count: int = 1, priority: str = "") -> list[dict[str, Any]]:
    """Wait for so many bursts of a priority and return all of them."""
    script = "([n, p]) => window.heard.filter((one) => !p || one.priority === p).length >= n"
    page.wait_for_function(script, arg=[count, priority])
    return list(page.evaluate("window.heard"))


@pytest.mark.parametrize(("rank", "pulses"), [("high", 10), ("medium", 3), ("low", 2)])
def test_each_rank_has_a_pattern_of_its_own(
    stand: Stand, browsers: dict[str, Browser], rank: str, pulses: int
) -> None:
    with listening(browsers, stand) as page:
        wait_text(page, '[data-f="sound"]', "sound on")
        stretches = page.evaluate(STRETCHES, rank)
        assert len(stretches) == pulses
        assert stretches[-1][1] < 3.0  # over before the next burst


def test_without_a_touch_the_page_asks_for_one(stand: Stand, browsers: dict[str, Browser]) -> None:
    """Playwright's own questions count as a touch; those of the debugging protocol do not."""
    say_alarms(stand, alarm("window"))
    with listening(browsers, stand, STRICT) as page:
        session = page.context.new_cdp_session(page)

        def asked(script: str) -> Any:
            how = {"expression": script, "returnByValue": True, "userGesture": False}
            return session.send("Runtime.evaluate", how)["result"].get("value")

        state = "document.querySelector('[data-f=sound]')?.textContent"
        wait_until(lambda: asked(state) == "sound: not allowed yet", "the state of the sound")
        ask = "document.querySelector('.sound-ask')"
        assert asked(f"{ask}.offsetHeight") >= 50
        assert asked(f"parseFloat(getComputedStyle({ask}).fontSize)") >= 40
        assert asked(f"{ask}.textContent") == "touch once to switch the sound on"
        assert asked("window.heard.length") == 0
        assert asked("navigator.userActivation.hasBeenActive") is False
        page.mouse.click(960, 700)
        wait_until(lambda: asked(state) == "sound on", "the sound")
        assert asked(f"{ask}.hidden") is True
        first = wait_heard(page)[0]
        assert (first["priority"], first["pulses"]) == ("high", 10)


def test_a_kiosk_needs_no_touch(stand: Stand, browsers: dict[str, Browser]) -> None:
    say_alarms(stand, alarm("window"))
    with listening(browsers, stand) as page:
        heard = wait_heard(page, 2)
        assert page.inner_text('[data-f="sound"]') == "sound on"
        assert not page.is_visible(".sound-ask")
        between_s = (heard[1]["when"] - heard[0]["when"]) / 1000
        assert 4 <= between_s <= 7  # about every 5 s


@pytest.mark.parametrize("life", ["ACKED", "LTACK", "SHLVD", "DSUPR", "OOSRV"])
def test_what_somebody_has_seen_is_silent(
    stand: Stand, browsers: dict[str, Browser], life: Life
) -> None:
    seen = alarm("window", life=life)
    say_alarms(stand, seen)
    with listening(browsers, stand) as page:
        wait_text(page, '[data-f="sound"]', "sound on")
        say_alarms(stand, seen, alarm("lost", priority="low"))
        # Were the high one to sound, it would, and before the low one.
        assert [one["priority"] for one in wait_heard(page)] == ["low"]


def test_medium_comes_seldom_and_low_once(stand: Stand, browsers: dict[str, Browser]) -> None:
    with listening(browsers, stand) as page:
        wait_text(page, '[data-f="sound"]', "sound on")
        say_alarms(stand, alarm("lost", priority="low"))
        assert [one["priority"] for one in wait_heard(page)] == ["low"]
        say_alarms(stand, alarm("lost", priority="low"), alarm("leaving", priority="medium"))
        wait_heard(page, 1, "medium")
        say_alarms(stand, alarm("lost", priority="low"), alarm("wet", priority="low"))
        wait_heard(page, 2, "low")
        priorities = [one["priority"] for one in wait_heard(page)]
        assert priorities == ["low", "medium", "low"]


def test_every_twenty_seconds(stand: Stand, browsers: dict[str, Browser]) -> None:
    say_alarms(stand, alarm("leaving", priority="medium"))
    with listening(browsers, stand) as page:
        page.set_default_timeout(40_000)
        first, second = wait_heard(page, 2)[:2]
        assert 19 <= (second["when"] - first["when"]) / 1000 <= 23


def test_what_follows_from_another_sounds_with_it_as_one(
    stand: Stand, browsers: dict[str, Browser]
) -> None:
    root = alarm("broker", "", priority="medium", life="ACKED")
    say_alarms(stand, root, alarm("window", under="shop-broker"))
    with listening(browsers, stand) as page:
        wait_text(page, '[data-f="unseen"]', "1 not acknowledged")
        say_alarms(
            stand, alarm("broker", "", priority="medium"), alarm("window", under="shop-broker")
        )
        assert wait_heard(page)[0]["priority"] == "medium"


def test_a_watch_that_falls_silent_is_heard(stand: Stand, browsers: dict[str, Browser]) -> None:
    say_alarms(stand)
    with listening(browsers, stand) as page:
        wait_text(page, '[data-f="sound"]', "sound on")
        stand.beat("down", "the watch is gone")
        assert wait_heard(page)[0]["priority"] == "medium"


def press(page: Page, act: str, value: str) -> None:
    if not page.is_visible("dialog"):
        page.click('[data-act="sound"]')
    page.click(f'dialog [data-sound-act="{act}"][data-value="{value}"]')


def test_mute_has_a_limit_and_outlives_a_reload(stand: Stand, browsers: dict[str, Browser]) -> None:
    say_alarms(stand, alarm("window"))
    with listening(browsers, stand) as page:
        wait_heard(page)
        page.click('[data-act="sound"]')
        choices = page.locator('[data-sound-act="mute"]').all_inner_texts()
        assert choices == ["5 min", "15 min", "30 min", "not muted"]
        press(page, "mute", "15")
        page.wait_for_function(
            "/^muted to \\d\\d:\\d\\d$/.test(document.querySelector('[data-f=sound]').textContent)"
        )
        left = page.evaluate("JSON.parse(localStorage.getItem('envmon-mute')).until - Date.now()")
        assert 14 * 60_000 < left <= 15 * 60_000
        page.reload()
        page.wait_for_function(
            "document.querySelector('[data-f=sound]')?.textContent.startsWith('muted')"
        )
        wait_text(page, '[data-f="unseen"]', "1 not acknowledged")
        assert page.evaluate("window.heard") == []
        press(page, "mute", "0")
        wait_heard(page)
        assert page.inner_text('[data-f="sound"]') == "sound on"


def test_mute_ends_by_itself(stand: Stand, browsers: dict[str, Browser]) -> None:
    say_alarms(stand, alarm("window"))
    with listening(browsers, stand) as page:
        wait_heard(page)
        press(page, "mute", "5")
        script = """() => { const kept = JSON.parse(localStorage.getItem('envmon-mute'));
          kept.until = Date.now() + 1500;
          localStorage.setItem('envmon-mute', JSON.stringify(kept));
          window.heard = []; }"""
        page.evaluate(script)
        wait_text(page, '[data-f="sound"]', "sound on")
        wait_heard(page)


@pytest.mark.parametrize("kept", ["{", "7", "null", '{"until": 9e15}', '{"until": "x"}'])
def test_no_mute_lasts_for_ever(stand: Stand, browsers: dict[str, Browser], kept: str) -> None:
    say_alarms(stand, alarm("window"))
    with listening(browsers, stand) as page:
        page.evaluate("kept => localStorage.setItem('envmon-mute', kept)", kept)
        page.reload()
        wait_heard(page)


def test_a_new_high_alarm_breaks_the_mute(stand: Stand, browsers: dict[str, Browser]) -> None:
    old, new = alarm("window"), alarm("frost", "south", minutes=1)
    say_alarms(stand, old)
    with listening(browsers, stand) as page:
        wait_heard(page)
        press(page, "mute", "30")
        page.wait_for_function(
            "document.querySelector('[data-f=sound]').textContent.startsWith('muted')"
        )
        page.evaluate("window.heard = []")
        say_alarms(stand, old, alarm("leaving", "south", priority="medium"))
        wait_text(page, '[data-f="unseen"]', "2 not acknowledged")
        assert page.inner_text('[data-f="sound"]').startswith("muted")
        assert page.evaluate("window.heard") == []
        say_alarms(stand, old, new)
        wait_text(page, '[data-f="sound"]', "sound on")
        assert wait_heard(page)[0]["priority"] == "high"


def test_what_sounds_is_chosen_for_each_screen(stand: Stand, browsers: dict[str, Browser]) -> None:
    with listening(browsers, stand) as page:
        wait_text(page, '[data-f="sound"]', "sound on")
        for rank in ("high", "medium", "low"):
            press(page, "rank", rank)
        wait_text(page, '[data-f="sound"]', "silent here")
        page.reload()
        wait_text(page, '[data-f="sound"]', "silent here")
        say_alarms(stand, alarm("window"), alarm("leaving", priority="medium"))
        wait_text(page, '[data-f="unseen"]', "2 not acknowledged")
        press(page, "rank", "medium")
        assert [one["priority"] for one in wait_heard(page)] == ["medium"]


def test_a_phone_is_silent_until_somebody_wants_otherwise(
    stand: Stand, browsers: dict[str, Browser]
) -> None:
    with listening(browsers, stand, STRICT, "/alarms", PHONE) as page:
        wait_text(page, '[data-f="sound"]', "silent here")
        assert not page.is_visible(".sound-ask")


@pytest.mark.parametrize("policy", [STRICT, KIOSK])
@pytest.mark.parametrize("rank", ["high", "medium", "low"])
def test_each_rank_can_be_heard_for_a_test(
    stand: Stand, browsers: dict[str, Browser], policy: str, rank: str
) -> None:
    with listening(browsers, stand, policy) as page:
        page.wait_for_selector('[data-act="sound"]')
        press(page, "test", rank)
        assert wait_heard(page)[0]["priority"] == rank
        sizes = page.eval_on_selector_all("dialog button", "all => all.map(b => b.offsetHeight)")
        assert min(sizes) >= 64
