"""The bench in a real browser before a real watch: one thumb, two devices, silence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.bench_watch import Bench, bench_of
from tests.boards_support import PHONE, page_of, wait_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page, Route

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

TABLET = {"width": 1024, "height": 768}
NEXT = '[data-part="next"] button'
YES = ".bench-ask [data-act=ask-yes]"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with bench_of(tmp_path).running() as running:
        yield running


def row(panel: str, act: str = "") -> str:
    inside = f" [data-act={act}]" if act else ""
    return f'[data-row-panel="{panel}"]{inside}'


def step(index: int, act: str) -> str:
    return f'[data-row-step="{index}"] [data-act={act}]'


def press(page: Page, selector: str) -> None:
    page.locator(f'{selector}:not([aria-disabled="true"])').first.click()


def with_reason(page: Page, button: str, reason: str) -> None:
    """Press a button that asks for a reason, and type one."""
    press(page, button)
    page.wait_for_selector(f'{YES}[aria-disabled="true"]')
    page.fill(".bench-ask input[name=reason]", reason)
    press(page, YES)


def open_job(page: Page) -> None:
    page.wait_for_selector(".open-form")
    press(page, '[data-what=procedure][data-value="short"]')
    press(page, '[data-what=body][data-value="coupe"]')
    page.fill(".open-form input[name=reference]", "KQ 117")
    page.fill('.open-form input[name="batch harbour_glaze"]', "4711")
    press(page, ".open-form [data-act=open]")
    page.wait_for_selector('[data-row-step="1"]')


def coating(page: Page) -> None:
    """Open a job and start its coating."""
    open_job(page)
    with_reason(page, step(0, "skip"), "not needed")
    page.wait_for_selector('[data-row-step="0"][data-status=skipped]')
    with_reason(page, step(1, "start"), "measured by hand")
    page.wait_for_selector('[data-row-step="1"][data-status=active]')


def test_a_job_is_opened_with_what_was_typed(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        open_job(page)
        wait_text(page, '[data-f="job"]', "job 260127-1 · Short · Coupe")
        (opened,) = bench.events("job_opened")
        assert opened["products"]["harbour_glaze"]["batch"] == "4711"
        assert opened["in_flight"] == 2
        assert len(opened["reference_digest"]) == 64


def test_a_hindered_step_starts_with_a_typed_reason_only(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        open_job(page)
        page.wait_for_selector(".hindrances li")
        words = page.inner_text(".hindrances li")
        press(page, step(0, "start"))
        page.wait_for_selector(f'{YES}[aria-disabled="true"]')
        assert page.inner_text(".ask-lines li") in words
        page.fill(".bench-ask input[name=reason]", "no")
        assert page.get_attribute(YES, "aria-disabled") == "true"
        page.fill(".bench-ask input[name=reason]", "the sheet allows it")
        press(page, YES)
        page.wait_for_selector('[data-row-step="0"][data-status=active]')
        assert "Reason: the sheet allows it" in page.inner_text('[data-row-step="0"]')
    (started,) = bench.events("stage_started")
    assert started["reason"] == "the sheet allows it"
    assert started["against"]


def test_the_clock_of_a_panel_runs_by_the_shops_clock(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", TABLET) as page:
        coating(page)
        press(page, f"{NEXT}[data-act=apply]")
        page.wait_for_selector('.clock[data-phase="flashing"]')
        (applied,) = bench.events("panel_applied")
        left = round(applied["flash"]["from_s"])
        wait_text(page, ".clock .left", f"{left // 60}:{left % 60:02}")
        bench.later(left - 10)
        wait_text(page, ".clock .left", "0:10")
        bench.later(20)
        page.wait_for_selector(f".clock[data-phase=due] ~ *, {NEXT}.urgent[data-act=level]")
        bench.later(applied["flash"]["to_s"])
        page.wait_for_selector('.clock[data-phase="overdue"]')
        page.wait_for_selector(f"{NEXT}.late[data-act=level]")
        assert page.inner_text(".clock .left").startswith("+")


def test_undo_takes_back_the_last_act(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        coating(page)
        press(page, f"{NEXT}[data-act=apply]")
        page.wait_for_selector(".clock")
        press(page, ".bench-undo[data-seq]")
        page.wait_for_selector(".clock", state="detached")
        assert len(bench.events("panel_undone")) == 1


def test_a_second_tap_does_not_do_what_the_button_has_come_to_mean(
    bench: Bench, browser: Browser
) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        coating(page)
        page.wait_for_selector(f'{NEXT}[data-act=apply]:not([aria-disabled="true"])')
        page.evaluate(
            """(next) => new Promise((done) => {
              // A button rests 600 ms when it has changed; on a slow machine taps come late.
              const end = performance.now() + 400;
              const tap = () => {
                if (performance.now() > end) { done(); return; }
                document.querySelector(next)?.click();
                setTimeout(tap, 25);
              };
              tap();
            })""",
            NEXT,
        )
        page.wait_for_selector(".clock")
        assert len(bench.events("panel_applied")) == 1


def test_two_devices_see_each_other_and_the_slower_is_told(bench: Bench, browser: Browser) -> None:
    address = f"{bench.url}/bench/north"
    with page_of(browser, address, TABLET) as one, page_of(browser, address, PHONE) as other:
        coating(one)
        other.wait_for_selector(row("bonnet-left", "apply"), timeout=1_000)
        press(one, row("bonnet-left", "apply"))
        other.wait_for_selector(".clock [data-panel=bonnet-left]", timeout=1_000)
        # Both press; what the other asks for is held up on its way.
        held: list[Route] = []
        other.route("**/acts", lambda route: held.append(route))  # noqa: PLW0108 - it takes no builtin
        press(other, row("bonnet-left", "level"))
        wait_text(other, f"{row('bonnet-left')} .bench-said", "sent …")
        press(one, row("bonnet-left", "level"))
        one.wait_for_selector('[data-row-panel="bonnet-left"][data-phase="levelled"]')
        held[0].continue_()
        said = '[data-row-panel="bonnet-left"] .bench-said'
        other.wait_for_function(
            "s => document.querySelector(s)?.textContent.includes('already')", arg=said
        )
        assert "Bonnet left was levelled already at 14:05" in other.inner_text(said)
    assert len(bench.events("panel_levelled")) == 1


def test_a_silent_watch_takes_acts_away_and_leaves_the_job_marked_as_old(
    bench: Bench, browser: Browser
) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        coating(page)
        press(page, f"{NEXT}[data-act=apply]")
        page.wait_for_selector(".clock")
        bench.stand.feed.set_broker(up=False)
        page.wait_for_function(
            """() => [...document.querySelectorAll('.bench button[data-act]')]
              .filter((one) => one.checkVisibility())
              .filter((one) => !['acknowledge', 'jobs'].includes(one.dataset.act))
              .every((one) => one.disabled || one.getAttribute('aria-disabled') === 'true')"""
        )
        bench.pause()
        wait_text(page, '[data-f="silent"]', "Not live: as of 14:05. broker lost.")
        _wait_blank_air(page)
        assert "260127-1" in page.inner_text(".bench-head")
        assert page.locator(".clock").count() == 1
        dock = '.bench-dock [data-f="refused"]'
        words = "Not live: broker lost. Nothing is taken until it is back; clocks run on."
        wait_text(page, dock, words)
        bench.stand.feed.set_broker(up=True)
        bench.pause(on=False)
        page.wait_for_selector('.bench[data-live="yes"]')
        assert page.locator(".clock").count() == 1
        assert not page.locator(".bench-silent").is_visible()


def _wait_blank_air(page: Page) -> None:
    """Until no number of the air is left that could be taken for the present."""
    page.wait_for_function(
        "() => !/[0-9]/.test(document.querySelector('.bench-now [data-f=numbers]').textContent)"
    )


def test_an_act_asked_for_while_nobody_listens_is_refused_and_loses_no_word(
    bench: Bench, browser: Browser
) -> None:
    refusal = "not taken: broker lost. Press again when it is back."
    with page_of(browser, f"{bench.url}/bench/north", TABLET) as page:
        coating(page)
        page.fill("input[name=note]", "scratch on the left mirror")
        press(page, step(1, "finish"))
        reason = ".bench-ask input[name=reason]"
        page.fill(reason, "the customer wants it so")
        bench.stand.feed.set_broker(up=False)
        page.wait_for_selector('.bench[data-live="no"]')
        press(page, YES)
        wait_text(page, ".bench-ask .bench-said", refusal)
        assert page.input_value(reason) == "the customer wants it so"
        page.click(".bench-ask [data-act=ask-no]")
        page.locator(f"{NEXT}[data-act=apply]").click(force=True)
        wait_text(page, '[data-said="next"]', refusal)
        assert page.input_value("input[name=note]") == "scratch on the left mirror"
        bench.stand.feed.set_broker(up=True)
        press(page, f"{NEXT}[data-act=apply]")
        page.wait_for_selector(".clock")
    assert len(bench.events("panel_applied")) == 1
    assert [one["act"] for one in bench.events("act_refused")] == ["finish"]  # asked for before


def test_a_panels_clock_runs_on_and_its_age_is_said_while_the_server_is_away(
    bench: Bench, browser: Browser
) -> None:
    """The paint goes on flashing: an hour later it is overdue, and the bench says of when it is."""
    with page_of(browser, f"{bench.url}/bench/north", PHONE, clock=True) as page:
        coating(page)
        press(page, f"{NEXT}[data-act=apply]")
        page.wait_for_selector('.clock[data-phase="flashing"]')
        page.context.set_offline(offline=True)
        page.clock.fast_forward("01:00:00")
        page.wait_for_selector('.clock[data-phase="overdue"]')
        said = page.inner_text('[data-f="silent"]')
        assert said.startswith("Not live: 1 h")
        assert "old, as of 14:05. board server lost since" in said


def test_notes_batches_panels_and_the_end(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", TABLET) as page:
        coating(page)
        page.fill("input[name=note]", "<b>scratch</b> on the left mirror")
        press(page, ".bench [data-act=note]")
        page.wait_for_function(
            "() => document.querySelector('.notes .list')?.textContent.includes('<b>scratch</b>')"
        )
        press(page, "[data-act=batch]")
        page.fill(".bench-ask input[name=batch]", "4712")
        press(page, YES)
        wait_text(page, ".products .list", "Harbour Glaze · 4712")
        press(page, '[data-act=in_flight][data-to="3"]')
        wait_text(page, ".in-flight .value", "3")
        press(page, "[data-act=panels-edit]")
        press(page, '[data-act=panel-out][data-key="roof-left"]')
        press(page, "[data-act=panel-add]")
        page.locator(".edit-list input").last.fill("Spare wheel cover")
        press(page, "[data-act=panels-save]")
        page.wait_for_selector(row("spare-wheel-cover"))
        assert page.locator(row("roof-left")).count() == 0
        press(page, ".bench-more [data-act=close]")
        page.fill(".bench-ask input[name=reason]", "only a trial")
        press(page, YES)
        page.wait_for_selector(".open-form")
        links = page.eval_on_selector_all(".ends-of-job a", "all => all.map(a => a.pathname)")
        assert links == [f"/api/v1/jobs/260127-1/record.{form}" for form in ("html", "pdf")]


def test_everything_has_a_name_and_a_visible_focus(bench: Bench, browser: Browser) -> None:
    """WCAG 2.2, success criteria 4.1.2 (name, role, value) and 2.4.7 (focus visible)."""
    with page_of(browser, f"{bench.url}/bench/north", TABLET) as page:
        coating(page)
        nameless = """() => [...document.querySelectorAll('.bench button, .bench input, .bench a')]
          .filter((one) => one.checkVisibility())
          .filter((one) => !(one.textContent.trim() || one.getAttribute('aria-label')
            || one.labels?.length)).map((one) => one.outerHTML)"""
        assert page.evaluate(nameless) == []
        page.focus(row("bonnet-left", "apply"))
        page.keyboard.press("Tab")
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline == "solid"


def test_who_it_was_stands_beside_the_act(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        page.wait_for_selector(".open-form")
        page.fill(".bench-more input[name=by]", "Kim")
        open_job(page)
        page.wait_for_function(
            "() => document.querySelector('[data-f=vehicle]').textContent.startsWith('KQ 117')"
        )
    assert [one["by"] for one in bench.events("job_opened")] == ["Kim"]


def test_a_reference_is_erased_after_a_question(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", TABLET) as page:
        open_job(page)
        press(page, ".bench-more [data-act=jobs]")
        press(page, '[data-act=erase][data-of="260127-1"]')
        assert "cannot be brought back" in page.inner_text(".ask-lines")
        press(page, YES)
        wait_text(page, "[data-act=erase]", "reference erased")
        page.wait_for_function(
            "() => !document.querySelector('[data-f=vehicle]').textContent.includes('KQ 117')"
        )
    assert len(bench.events("reference_erased")) == 1


def test_an_alarm_is_acknowledged_at_the_bench(bench: Bench, browser: Browser) -> None:
    with page_of(browser, f"{bench.url}/bench/north", PHONE) as page:
        coating(page)
        bench.later(3_600)  # the coating's air is not heard for an hour
        button = ".bench-alarm [data-act=acknowledge]"
        page.wait_for_selector(button)
        page.locator(button).first.click()
        page.wait_for_selector('.bench-alarm[data-loud="calm"]')
    assert bench.events("alarm_acknowledged")
