"""What the wall shows of a job: readable from six metres, loud when overdue, blank in silence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon_boards.size import min_character_px
from tests.alarm_board_support import alarm, say_alarms
from tests.bench_support import (
    at,
    before_coating,
    bench,
    bench_stand,
    coating,
    curing,
    job,
    panel,
    panels,
    say_bench,
)
from tests.boards_support import NAMES, PHONE, Air, Stand, card, live_state, page_of, wait_text
from tests.test_wall_look import ink_height_px

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from envmon.job.live import JobState

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

WALLS = ["/", "/bay/north"]
LONG = "Left rear quarter panel upper"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stand]:
    with bench_stand(tmp_path_factory.mktemp("wall")).serving() as serving:
        yield serving


@pytest.fixture
def shop(served: Stand) -> Stand:
    served.fresh()
    served.say(*(live_state(served.plan, bay) for bay in ("north", "south")))
    return served


def say(stand: Stand, state: JobState | None, stage: str | None = "coating") -> None:
    stand.say(live_state(stand.plan, "north", stage))
    say_bench(stand, bench(state))


def drawn(page: Page, what: str) -> None:
    wait_text(page, card("north", "job-what"), what)
    page.evaluate("document.fonts.ready")


@pytest.mark.parametrize("path", WALLS)
def test_the_panel_due_next_and_its_time_are_readable_from_six_metres(
    shop: Stand, browser: Browser, path: str
) -> None:
    """Pixels of the drawn capitals and digits against 20 arc minutes at 6 m (tests of the wall)."""
    say(shop, coating())
    with page_of(browser, shop.url + path) as page:
        drawn(page, "Bonnet left")
        wait_text(page, card("north", "job-left"), "1:10")
        least = min_character_px(6.0)
        assert ink_height_px(page, card("north", "job-left")) >= least
        assert ink_height_px(page, card("north", "job-what")) >= least
        more = page.inner_text(card("north", "job-more"))
        assert more == "then Bonnet right 0:55, Left front wing 2:10 · 3 of 3 in flight"


@pytest.mark.parametrize("path", WALLS)
@pytest.mark.parametrize("name", [LONG, "<b>Tank</b> left, below the cap"])
def test_a_long_name_leaves_the_time_its_height(
    shop: Stand, browser: Browser, path: str, name: str
) -> None:
    first = panel(name, "flashing", 20)
    say(shop, job(panels=(first, *panels())))
    with page_of(browser, shop.url + path) as page:
        drawn(page, name)
        assert ink_height_px(page, card("north", "job-left")) >= min_character_px(6.0)
        hit = """() => {
          const box = (name) => document.querySelector(`[data-bay="north"] [data-f="${name}"]`)
            .getBoundingClientRect();
          return box('job-what').right > box('job-left').left + 1;
        }"""
        assert not page.evaluate(hit)


@pytest.mark.parametrize("path", WALLS)
def test_an_overdue_panel_is_loud(shop: Stand, browser: Browser, path: str) -> None:
    say(shop, coating(overdue=True))
    with page_of(browser, shop.url + path) as page:
        page.wait_for_selector('[data-bay="north"] .job[data-phase="overdue"]')
        wait_text(page, card("north", "job-left"), "+0:42")
        assert page.inner_text(card("north", "job-words")) == "overdue by"
        frame = """() => getComputedStyle(document.querySelector('[data-bay="north"]')).boxShadow"""
        assert "inset" in page.evaluate(frame)
        assert page.evaluate("window.envmon.overdueNow()") == ["260127-1 Bonnet left"]
        say(shop, coating())
        page.wait_for_selector('[data-bay="north"] .job[data-phase="due"]')
        assert page.evaluate("window.envmon.overdueNow()") == []


def test_the_steps_of_the_procedure_are_the_strip(shop: Stand, browser: Browser) -> None:
    steps = coating().steps
    say(shop, coating())
    with page_of(browser, shop.url + "/bay/north") as page:
        strip = card("north", "strip") + " .step"
        page.wait_for_function("([s, n]) => document.querySelectorAll(s).length === n",
                               arg=[strip, len(steps)])  # fmt: skip
        names = page.eval_on_selector_all(strip, "all => all.map(s => s.children[1].textContent)")
        assert names == [step.name for step in steps]
        words = page.eval_on_selector_all(strip, "all => all.map(s => s.children[2].textContent)")
        assert words[:8] == ["done"] * 7 + ["now"]
        wait_text(page, card("north", "step-of"), "step 8 of 10")
        say(shop, None)
        page.wait_for_function("([s, n]) => document.querySelectorAll(s).length === n",
                               arg=[strip, 12])  # fmt: skip


@pytest.mark.parametrize("path", WALLS)
def test_what_hinders_a_start_is_said(shop: Stand, browser: Browser, path: str) -> None:
    say(shop, before_coating(), None)
    with page_of(browser, shop.url + path) as page:
        wait_text(page, card("north", "job-left"), "not yet")
        assert page.inner_text(card("north", "job-what")) == "Coating"
        assert page.inner_text(card("north", "job-more")).startswith("humidity 66 %")
        assert "fit now" not in page.inner_text('[data-bay="north"]')
        say(shop, before_coating(hindered=False), None)
        wait_text(page, card("north", "job-left"), "may start")


@pytest.mark.parametrize("path", WALLS)
def test_the_cure_and_what_is_left_of_it(shop: Stand, browser: Browser, path: str) -> None:
    say(shop, curing(), "cure")
    with page_of(browser, shop.url + path) as page:
        drawn(page, "full cure")
        wait_text(page, card("north", "job-left"), "4 h 45")
        assert ink_height_px(page, card("north", "job-left")) >= min_character_px(6.0)
        more = page.inner_text(card("north", "job-more"))
        assert more == "3 h 15 min in window · 10 min not · reached: rain-safe · about 18:50"
        share = """() => document.querySelector('[data-bay="north"] .job')
          .style.getPropertyValue('--share')"""
        assert float(page.evaluate(share)) == pytest.approx(1 - 17_100 / 28_800)


SIDES = [("/", None), ("/bay/north", None), ("/", PHONE), ("/bay/north", PHONE)]


def cut_off(page: Page) -> list[str]:
    """Return the fields of the job that leave its box."""
    found: list[str] = page.evaluate(
        """() => {
          const box = document.querySelector('[data-bay="north"] .job');
          const edge = box.getBoundingClientRect();
          return [...box.querySelectorAll('[data-f]')].filter((one) => one.textContent.trim())
            .map((one) => [one.dataset.f, one.getBoundingClientRect()])
            .filter(([, r]) => r.right > edge.right + 1 || r.bottom > edge.bottom + 8)
            .map(([name]) => name);
        }"""
    )
    return found


def test_beside_an_alarm_the_small_line_has_room_and_nothing_is_cut_off(
    shop: Stand, browser: Browser
) -> None:
    say_alarms(shop, alarm("window", bay="north"))
    for scene, small in ((coating, "then Bonnet right"), (curing, "3 h 15 min in window")):
        say(shop, scene())
        with page_of(browser, shop.url + "/") as page:
            page.wait_for_selector('[data-bay="north"][data-loud="loud"] .job:not([hidden])')
            page.evaluate("document.fonts.ready")
            more = page.locator(card("north", "job-more"))
            more.wait_for(state="visible")
            assert more.inner_text().startswith(small)
            assert cut_off(page) == []
            for part in ("job-left", "job-what", "verdict"):
                assert ink_height_px(page, card("north", part)) >= min_character_px(6.0)


OVERLAPS = """([bay, names]) => {
  const boxes = names.map((one) => document.querySelector(`[data-bay="${bay}"] ${one}`))
    .filter((one) => one?.checkVisibility() && one.textContent.trim()).map((one) => {
      const range = document.createRange();
      range.selectNodeContents(one);
      const [text, box] = [range, one].map((it) => it.getBoundingClientRect());
      const inner = (end, ofBoth) => [end, ofBoth(text[end], box[end])];
      const ends = [inner("left", Math.max), inner("top", Math.max), inner("right", Math.min),
        inner("bottom", Math.min)];
      return [one.className, Object.fromEntries(ends)];
    });
  return boxes.flatMap(([a, one], place) => boxes.slice(place + 1).filter(([, two]) =>
    one.left < two.right - 1 && two.left < one.right - 1 && one.top < two.bottom - 9
      && two.top < one.bottom - 9).map(([b]) => `${a} over ${b}`));
}"""
PARTS = [".f-cautions", ".f-stage", ".f-verdict", ".f-reasons", ".banner-text", ".f-last",
         '[data-q="dew_margin_k"]', '[data-q="water_temp_c"]', '[data-q="air_temp_c"]']  # fmt: skip


@pytest.mark.parametrize("bays", [3, 4])
def test_a_wall_of_many_bays_has_the_cautions_and_nothing_lies_over_another(
    tmp_path: Path, browser: Browser, bays: int
) -> None:
    """A washed bay without a job and one with, beside its alarm."""
    with bench_stand(tmp_path, bays).serving() as stand:
        names = list(NAMES)[:bays]
        wet = [Air(20.4, 44.0, 18.2, 31.0, 180.0)] * 10
        stand.say(*(live_state(stand.plan, bay) for bay in names[2:]))
        stand.say(*(live_state(stand.plan, bay, "wash", wet) for bay in names[:2]))
        say_bench(stand, bench(coating()))
        with page_of(browser, stand.url) as page:
            wait_text(page, card("north", "verdict"), "MARGINAL")
            wait_text(page, card(names[-1], "verdict"), "FIT")
            page.evaluate("document.fonts.ready")
            for bay in names:
                assert page.locator(card(bay, "cautions")).is_visible()
                assert page.evaluate(OVERLAPS, [bay, PARTS]) == []
            assert page.locator(card("north", "cautions")).inner_text().startswith("Alkaline")


@pytest.mark.parametrize(("path", "size"), SIDES)
def test_nothing_of_the_job_is_cut_off(shop: Stand, browser: Browser, path: str, size: Any) -> None:
    scenes = ((coating, "Bonnet left"), (curing, "full cure"), (before_coating, "Coating"))
    with page_of(browser, shop.url + path, size) as page:
        for scene, what in scenes:
            say(shop, scene(), None if scene is before_coating else "coating")
            wait_text(page, '[data-bay="north"] .job:not([hidden]) [data-f="job-what"]', what)
            page.evaluate("document.fonts.ready")
            assert cut_off(page) == [], what
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), what
            if size is None:
                high = "document.documentElement.scrollHeight <= innerHeight + 1"
                assert page.evaluate(high), what


def test_silence_takes_the_job_away(shop: Stand, browser: Browser) -> None:
    say(shop, coating())
    with page_of(browser, shop.url) as page:
        drawn(page, "Bonnet left")
        shop.mute()
        page.wait_for_selector('[data-bay="north"] .job', state="hidden")
        assert page.inner_text(card("north", "step-of")) == ""
        shop.mute(on=False)
        page.wait_for_selector('[data-bay="north"] .job:not([hidden])')


def test_a_job_the_broker_had_kept_is_not_shown(shop: Stand, browser: Browser) -> None:
    kept = bench(job(panels=panels(panel("Roof left", "flashing", 20)), opened_at=at(-60)))
    shop.feed.take("envmon/north/job", msgspec.json.encode(kept), live=False)
    with page_of(browser, shop.url) as page:
        wait_text(page, card("north", "verdict"), "FIT")
        assert not page.locator('[data-bay="north"] .job').is_visible()
