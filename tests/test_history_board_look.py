"""The history board in a real browser: what it draws, how it is handled, what it says when lost."""

from __future__ import annotations

import csv
import json
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, urlparse

import pytest

from envmon.clock import HOUR_US, iso_from_us, us_from_iso
from tests.boards_history_support import AT, DAY_START_US, SPIKE_US, add, told_day
from tests.boards_support import (
    NOW_US,
    PATIENCE_MS,
    PHONE,
    TV,
    Stand,
    page_of,
    shop_text,
    stand_of,
)
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page, Request

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

DRAWN = ".strip .mean"


@pytest.fixture
def told(stand: Stand) -> Stand:
    """A stand that has kept a day and a half."""
    add(stand.boards.folder, *told_day())
    return stand


def address(stand: Stand, from_us: int, to_us: int, **more: str) -> str:
    ends = f"from={iso_from_us(from_us)}&to={iso_from_us(to_us)}"
    rest = "".join(f"&{name}={value}" for name, value in more.items())
    return f"{stand.url}/history?bay=north&{ends}{rest}"


@contextmanager
def drawn(
    browser: Browser, address: str, size: Any = None, scheme: str = "dark", *, clock: bool = False
) -> Iterator[Page]:
    """Open the board and wait for its lines."""
    with page_of(browser, address, size, scheme, clock=clock) as page:
        page.wait_for_selector(DRAWN, state="attached")
        page.evaluate("document.fonts.ready")
        yield page


def query_of(page: Page) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(urlparse(page.url).query).items()}


def shown_span_us(page: Page) -> tuple[int, int]:
    query = query_of(page)
    return us_from_iso(query["from"]), us_from_iso(query["to"])


def is_history(request: Request) -> bool:
    return urlparse(request.url).path == "/api/v1/history"


def asked_of(request: Request) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(urlparse(request.url).query).items()}


def wait_step(page: Page, below_s: float) -> None:
    script = "s => window.envmon.history.answer?.step_s < s"
    page.wait_for_function(script, arg=below_s)


def key(page: Page, act: str, value: str) -> Any:
    return page.locator(f'[data-pick="{act}"][data-value="{value}"]')


def chart_box(page: Page) -> dict[str, float]:
    box = page.locator("[data-chart]").bounding_box()
    assert box is not None
    return {"x": box["x"], "y": box["y"], "width": box["width"], "height": box["height"]}


def x_of(page: Page, at_us: int) -> float:
    """Return where a time stands on the screen [px]."""
    x = float(page.evaluate("t => window.envmon.history.chart.x(t)", at_us / 1000))
    return x + chart_box(page)["x"]


def test_it_opens_without_a_word_of_complaint(told: Stand, browser: Browser) -> None:
    """No console error, nothing from elsewhere; the content security policy is in force."""
    context = browser.new_context(viewport=TV)  # type: ignore[arg-type]
    page = context.new_page()
    complaints: list[str] = []
    asked: list[str] = []
    page.on(
        "console", lambda m: complaints.append(m.text) if m.type in {"error", "warning"} else None
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{told.url}/history")
    page.wait_for_selector(DRAWN, state="attached", timeout=PATIENCE_MS)
    key(page, "span", "7d").click()
    page.wait_for_selector('[data-f="fine"]:has-text("One step of the line: 10 min")')
    context.close()
    # The browser says so of every page that would sound and was not touched yet.
    assert [c for c in complaints if "AudioContext was not allowed to start" not in c] == []
    assert [a for a in asked if not a.startswith((told.url, "data:", "blob:"))] == []


def test_it_is_reached_from_every_page(told: Stand, browser: Browser) -> None:
    with page_of(browser, told.url) as page:
        page.click("nav >> text=history")
        page.wait_for_selector(DRAWN, state="attached")
        assert query_of(page)["bay"] == "north"


def test_lanes_lines_bands_and_marks(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        lanes = page.eval_on_selector_all(".lane", "all => all.map((e) => e.dataset.lane)")
        assert lanes == ["temps", "hum", "margin"]
        names = page.eval_on_selector_all(".name", "all => all.map((e) => e.dataset.name).sort()")
        assert names == sorted(
            ["air_temp_c", "panel_temp_c", "dew_point_c", "rel_hum_pct", "dew_margin_k"]
        )
        bands = page.eval_on_selector_all(".band-fill", "all => all.map((e) => e.dataset.band)")
        assert set(bands) == {"air_temp_c", "panel_temp_c", "rel_hum_pct", "dew_margin_k"}
        assert page.locator('[data-stage="coating"]').count() == 1
        assert page.locator(".stage-name").all_text_contents() == ["Coating"]
        for what, shape in (("window", "unfit"), ("unknown", "unknown")):
            mark = page.locator(f'[data-alarm="{what}"]')
            assert mark.count() == 1
            assert mark.locator("svg").count() == 1
            assert mark.get_attribute("data-kind") == shape
        assert page.locator(".unknown-time").count() == 1


def test_a_band_stands_only_while_its_stage_was_worked(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US, q="air_temp_c")) as page:
        box = page.locator('.band-fill[data-band="air_temp_c"]').bounding_box()
        assert box is not None
        assert box["x"] == pytest.approx(x_of(page, AT["coating"]), abs=2)
        assert box["x"] + box["width"] == pytest.approx(x_of(page, AT["ended"]), abs=2)
        y = "v => window.envmon.history.chart.lanes[0].y(v)"
        high = page.evaluate(y, 24.0) + chart_box(page)["y"]
        assert box["y"] == pytest.approx(high, abs=2)


def test_what_was_outside_the_limits_is_drawn_over(told: Stand, browser: Browser) -> None:
    """One reading of 31 °C still sticks out of a month in buckets of an hour."""
    wide = address(told, NOW_US - 30 * 24 * HOUR_US, NOW_US, q="air_temp_c")
    with drawn(browser, wide) as page:
        box = page.locator('[data-out="air_temp_c"] .out-fill').bounding_box()
        assert box is not None
        y = "v => window.envmon.history.chart.lanes[0].y(v)"
        assert box["y"] <= page.evaluate(y, 31.0) + chart_box(page)["y"] + 4


def test_what_may_have_been_before_the_stage_is_not_held_against_it(
    told: Stand, browser: Browser
) -> None:
    """Buckets of hours that begin before a stage or end after it are never drawn as outside."""
    wide = address(told, NOW_US - 60 * 24 * HOUR_US, NOW_US, q="rel_hum_pct")
    with drawn(browser, wide, PHONE) as page:
        found = page.evaluate("""() => {
          const { chart } = window.envmon.history;
          const [limit] = chart.answer.limits;
          const [from, to] = chart.wholly(limit) ?? [];
          const held = from && [from, chart.endOf(to)];
          return { step: chart.answer.step_s, limit, held: held ?? null };
        }""")
        assert found["step"] >= 7_200
        if found["held"] is not None:
            assert found["limit"]["from_ms"] <= found["held"][0]
            assert found["held"][1] <= found["limit"]["to_ms"]
        assert page.evaluate("window.envmon.history.chart.wholly({from_ms: 5, to_ms: 6})") is None
    fine = address(told, AT["coating"] - HOUR_US, AT["ended"] + HOUR_US, q="rel_hum_pct")
    with drawn(browser, fine) as page:
        box = page.locator('[data-out="rel_hum_pct"] .out-line').bounding_box()
        assert box is not None
        assert box["x"] == pytest.approx(x_of(page, AT["coating"]), abs=6)


def test_a_silence_is_a_gap_in_the_drawing(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US, q="air_temp_c")) as page:
        path = page.get_attribute('.mean[data-line="air_temp_c"]', "d") or ""
        runs = [run.split("L") for run in path.split("M") if run]
        assert len(runs) == 2
        left = chart_box(page)["x"]
        end = float(runs[0][-1].split()[0]) + left
        begin = float(runs[1][0].split()[0]) + left
        assert end <= x_of(page, AT["silent"]) <= begin
        assert begin == pytest.approx(x_of(page, AT["heard"]), abs=4)


def test_dragging_a_span_asks_for_finer_data(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        before = page.evaluate("window.envmon.history.answer.step_s")
        y = chart_box(page)["y"] + 400
        with page.expect_request(is_history) as sent:
            page.mouse.move(x_of(page, AT["alarm"]), y)
            page.mouse.down()
            page.mouse.move(x_of(page, AT["alarm"] + HOUR_US // 2), y, steps=4)
            page.mouse.move(x_of(page, AT["cleared"]), y, steps=4)
            page.mouse.up()
        asked = asked_of(sent.value)
        minute_ms = 120_000  # about a pixel
        assert int(asked["from_ms"]) == pytest.approx(AT["alarm"] / 1000, abs=minute_ms)
        assert int(asked["to_ms"]) == pytest.approx(AT["cleared"] / 1000, abs=minute_ms)
        wait_step(page, before)
        line = page.evaluate("window.envmon.history.answer.lines[0]")
        assert max(value for value in line["high"] if value is not None) == 31.0


def test_the_wheel_zooms_about_the_pointer_and_asks_once(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US), clock=True) as page:
        requests: list[str] = []
        page.on(
            "request", lambda request: requests.append(request.url) if is_history(request) else None
        )
        page.evaluate("window.turns = 0; addEventListener('wheel', () => { window.turns += 1; })")
        x = chart_box(page)["x"] + 700  # a whole pixel, as a pointer has it
        at_us = round(page.evaluate("window.envmon.history.chart.time(700)") * 1000)
        page.mouse.move(x, chart_box(page)["y"] + 400)
        before = page.evaluate("window.envmon.history.answer.step_s")
        # The page's clock stands until all turns have come, however slowly.
        page.clock.pause_at(page.evaluate("Date.now() / 1000 + 1"))
        for _ in range(6):
            page.mouse.wheel(0, -200)
        wait_until(lambda: page.evaluate("window.turns") == 6, "six turns of the wheel")
        page.clock.resume()
        wait_step(page, before)
        assert x_of(page, at_us) == pytest.approx(x, abs=1)
        from_us, to_us = shown_span_us(page)
        assert to_us - from_us < (NOW_US - DAY_START_US) / 4
        assert len(requests) == 1


def test_two_fingers_zoom(told: Stand, browser: Browser) -> None:
    context = browser.new_context(viewport=PHONE, has_touch=True)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(address(told, DAY_START_US, NOW_US))
    page.wait_for_selector(DRAWN, state="attached", timeout=PATIENCE_MS)
    page.locator("[data-chart]").scroll_into_view_if_needed()
    before = page.evaluate("[window.envmon.history.from, window.envmon.history.to]")
    box = chart_box(page)
    y, middle = box["y"] + box["height"] / 2, box["x"] + box["width"] / 2
    touch = context.new_cdp_session(page)

    def fingers(kind: str, apart: float) -> None:
        points = [{"x": middle + side * apart, "y": y, "id": place}
                  for place, side in enumerate((-1, 1))]  # fmt: skip
        touches = points if kind != "touchEnd" else []
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    with page.expect_request(is_history) as sent:
        fingers("touchStart", 30)
        for apart in (40, 60, 80, 90):
            fingers("touchMove", apart)
        fingers("touchEnd", 90)
    asked = asked_of(sent.value)
    wide_ms = int(asked["to_ms"]) - int(asked["from_ms"])
    assert wide_ms == pytest.approx((before[1] - before[0]) / 3, rel=0.1)
    context.close()


def test_a_tap_on_an_alarm_goes_to_it(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        box = page.locator('[data-alarm="window"] .alarm-block').bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 8, box["y"] + 8)
        wait_step(page, 60)
        from_us, to_us = shown_span_us(page)
        assert from_us < AT["alarm"] < AT["cleared"] < to_us
        assert to_us - from_us < 2 * HOUR_US
        page.go_back()  # the way back is the browser's own
        assert shown_span_us(page) == (DAY_START_US, NOW_US)


def test_the_values_at_a_moment(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, SPIKE_US - HOUR_US, SPIKE_US + HOUR_US)) as page:
        y = chart_box(page)["y"] + 400
        page.mouse.click(x_of(page, SPIKE_US + 10_000_000), y)
        row = page.locator('[data-value="air_temp_c"]')
        page.wait_for_selector(".cursor")
        assert row.locator(".line-mean").inner_text() == "31.0"
        assert row.locator(".line-range").inner_text() == "31.0 to 31.0"
        assert row.locator(".line-count").inner_text() == "1 ×"
        assert page.inner_text('[data-f="when"]').startswith("Tue 27 Jan")
        assert "09:20:00" in page.inner_text('[data-f="when"]')
        assert "ALARM out of window" in page.inner_text('[data-f="doing"]')
        page.keyboard.press("Escape")
        page.wait_for_selector(".cursor", state="detached")
        assert row.locator(".line-mean").inner_text() == "20.6"  # (60 × 20.4 + 31.0) / 61
        assert row.locator(".line-range").inner_text() == "20.4 to 31.0"


def test_what_is_shown_stands_in_the_address(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        key(page, "quantity", "panel_temp_c").click()
        key(page, "units", "us").click()
        key(page, "move", "closer").click()
        page.wait_for_function("window.envmon.history.answer.lines.length === 4")
        link = page.url
        lanes = page.locator(".below").all_text_contents()
        names = page.locator(".name").all_text_contents()
    with drawn(browser, link) as page:
        assert page.url == link
        assert page.locator(".name").all_text_contents() == names
        assert page.locator(".below").all_text_contents() == lanes
        assert key(page, "units", "us").get_attribute("aria-pressed") == "true"
        assert key(page, "quantity", "panel_temp_c").get_attribute("aria-pressed") == "false"


def test_another_bay_and_other_spans(told: Stand, browser: Browser) -> None:
    with drawn(browser, f"{told.url}/history?bay=north") as page:
        assert key(page, "span", "today").get_attribute("aria-pressed") == "true"
        for name, hours in (("3h", 3), ("yesterday", 24)):
            with page.expect_request(is_history) as sent:
                key(page, "span", name).click()
            asked = asked_of(sent.value)
            wide_ms = int(asked["to_ms"]) - int(asked["from_ms"])
            assert wide_ms == pytest.approx(hours * 3_600_000, abs=2_000)
        assert shown_span_us(page)[1] == DAY_START_US
        with page.expect_request(is_history) as sent:
            key(page, "bay", "south").click()
        assert asked_of(sent.value)["bay"] == "south"
        page.wait_for_selector(".chart-box.empty")
        assert "No readings kept in this span" in page.inner_text('[data-f="hint"]')


def test_fields_are_in_shop_time(told: Stand, browser: Browser) -> None:
    with drawn(browser, f"{told.url}/history") as page:
        key(page, "span", "pick").click()
        page.fill('[data-field="from"]', "2026-01-27T08:30")
        page.fill('[data-field="to"]', "2026-01-27T08:30")
        key(page, "fields", "show").click()
        assert "at least a minute" in page.inner_text(".field-said")
        page.fill('[data-field="to"]', "2026-01-27T10:00")
        with page.expect_request(is_history) as sent:
            key(page, "fields", "show").click()
        asked = asked_of(sent.value)
        assert int(asked["from_ms"]) * 1000 == us_from_iso("2026-01-27T08:30:00-09:00")
        assert int(asked["to_ms"]) * 1000 == us_from_iso("2026-01-27T10:00:00-09:00")


def test_fahrenheit(told: Stand, browser: Browser) -> None:
    """20.4 °C is 68.7 °F; a difference of 10.4 K is 18.8 °F, without the 32."""
    quiet = address(told, NOW_US - HOUR_US, NOW_US)
    with drawn(browser, quiet) as page:
        mean = '[data-value="{}"] .line-mean'
        assert page.inner_text(mean.format("air_temp_c")) == "20.4"
        margin_k = float(page.inner_text(mean.format("dew_margin_k")))
        key(page, "units", "us").click()
        assert page.inner_text(mean.format("air_temp_c")) == "68.7"
        margin_f = float(page.inner_text(mean.format("dew_margin_k")))
        assert margin_f == pytest.approx(margin_k * 1.8, abs=0.15)
        assert page.inner_text('[data-value="dew_margin_k"] .line-unit') == "°F"
        assert "temperatures °F" in page.locator(".title").all_text_contents()


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_what_is_shown_can_be_saved(told: Stand, browser: Browser, kind: str) -> None:
    """With the content security policy in force."""
    context = browser.new_context(viewport=TV)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(address(told, DAY_START_US, NOW_US, units="us", q="air_temp_c"))
    page.wait_for_selector(DRAWN, state="attached", timeout=PATIENCE_MS)
    with page.expect_download() as saving:
        key(page, "file", kind).click()
    path = Path(saving.value.path())
    assert saving.value.suggested_filename.endswith(f".{kind}")
    shown = page.evaluate("window.envmon.history.answer.lines[0].mean.filter((v) => v !== null)")
    if kind == "csv":
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert [float(row["mean"]) for row in rows] == pytest.approx(
            [value * 1.8 + 32 for value in shown], abs=0.01
        )
        assert {row["unit"] for row in rows} == {"°F"}
    else:
        assert path.read_bytes()[:4] == path.read_bytes()[-4:] == b"PAR1"
    context.close()


def test_a_dead_server_is_said_loudly_and_the_chart_is_marked_old(
    told: Stand, browser: Browser
) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        assert not page.is_visible(".lost-bar")
        page.route("**/api/v1/history?*", lambda route: route.abort())
        key(page, "move", "closer").click()
        page.wait_for_selector(".chart-box.old")
        assert page.is_visible(".lost-bar")
        said = page.inner_text(".lost-bar")
        assert "the board server does not answer" in said
        assert "was fetched at" in said
        assert page.inner_text('[data-f="stamp"]') == "OLD"
        assert page.locator(DRAWN).count() > 0
        page.unroute("**/api/v1/history?*")
        page.wait_for_selector(".chart-box:not(.old)")  # it asks again by itself
        assert not page.is_visible(".lost-bar")


def test_a_refusal_is_said_in_the_servers_words(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        refusal = {"status": 503, "content_type": "application/json",
                   "body": json.dumps({"error": "cannot read <b>the disk</b>"})}  # fmt: skip
        page.route("**/api/v1/history?*", lambda route: route.fulfill(**refusal))
        key(page, "move", "earlier").click()
        page.wait_for_selector(".chart-box.old")
        assert "cannot read <b>the disk</b>" in page.inner_text(".lost-bar")


def test_a_board_that_cannot_even_begin_says_so(told: Stand, browser: Browser) -> None:
    with page_of(browser, f"{told.url}/history") as page:
        page.route("**/api/v1/history/span", lambda route: route.abort())
        page.reload()
        page.wait_for_selector(".lost-bar", state="visible")
        assert "the board server does not answer" in page.inner_text(".lost-bar")
        page.unroute("**/api/v1/history/span")
        page.wait_for_selector(DRAWN, state="attached")
        assert not page.is_visible(".lost-bar")


@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_a_phone_with_wet_gloves(told: Stand, browser: Browser, scheme: str) -> None:
    """No sideways scrolling; targets of at least 48 px (WCAG 2.2 asks for 24, enhanced 44)."""
    with drawn(browser, address(told, DAY_START_US, NOW_US), PHONE, scheme) as page:
        key(page, "span", "pick").click()
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        script = """all => all.filter((e) => e.offsetParent).map((e) => {
          const box = e.getBoundingClientRect();
          return [e.textContent, box.width, box.height, box.left, box.right];
        })"""
        targets = page.eval_on_selector_all(".history button, .history input", script)
        assert len(targets) > 20
        for text, width, height, left, right in targets:
            assert min(width, height) >= 48, text
            assert left >= 0, text
            assert right <= PHONE["width"], text
        cut = (
            "all => all.filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.textContent)"
        )
        assert page.eval_on_selector_all(".history button", cut) == []


def test_a_wall_screen_needs_no_scrolling(told: Stand, browser: Browser) -> None:
    with drawn(browser, address(told, DAY_START_US, NOW_US)) as page:
        size = "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
        assert page.evaluate(size) == [TV["width"], TV["height"]]
        heights = page.eval_on_selector_all(
            ".history button",
            "all => all.filter((e) => e.offsetParent)"
            ".map((e) => Math.min(e.offsetHeight, e.offsetWidth))",
        )
        assert min(heights) >= 48
        edge = chart_box(page)["x"] + chart_box(page)["width"]
        names = page.eval_on_selector_all(
            ".name", "all => all.map((e) => e.getBoundingClientRect().right)"
        )
        assert max(names) <= edge


def test_names_full_of_markup_stay_text(tmp_path: Path, browser: Browser) -> None:
    name = "<img src=x onerror=hit()>"
    with stand_of(tmp_path, shop_text(1, north=name)).serving() as stand:
        readings, events = told_day()
        strange = [e._replace(data={**e.data, "stage": name} if "stage" in e.data else e.data)
                   for e in events]  # fmt: skip
        add(tmp_path, readings, strange)
        with page_of(browser, address(stand, DAY_START_US, NOW_US)) as page:
            page.add_init_script("window.hits = 0; window.hit = () => { window.hits += 1; };")
            page.reload()
            page.wait_for_selector(DRAWN, state="attached")
            assert name in page.inner_text(".bays")
            page.mouse.move(x_of(page, AT["alarm"]), chart_box(page)["y"] + 400)
            page.wait_for_selector(".cursor")
            assert name in page.inner_text('[data-f="doing"]')
            assert page.locator("#page img, #page script").count() == 0
            assert page.evaluate("window.hits") == 0


def test_states_are_words(tmp_path: Path, browser: Browser) -> None:
    text = shop_text(1).replace("air_temp_c = {", 'door_open = { name = "d" }, air_temp_c = {')
    with stand_of(tmp_path, text).serving() as stand:
        from envmon.facts import Flag, Reading

        add(tmp_path, [
            Reading("north-all", "door_open", NOW_US - second * 1_000_000, float(second < 600),
                    Flag.GOOD, NOW_US)
            for second in range(0, 3600, 60)
        ])  # fmt: skip
        with drawn(browser, address(stand, NOW_US - HOUR_US, NOW_US, q="door_open")) as page:
            assert {"shut", "open"} <= set(page.locator("text.soft").all_text_contents())
