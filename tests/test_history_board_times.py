"""The board's time axis in the browser, held against Python's own time zones."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from envmon_boards.app import ASSETS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = pytest.mark.browser

HOUR_MS = 3_600_000
DAYS = [
    ("Europe/Oslo", "2026-03-29", 23),
    ("Europe/Oslo", "2026-10-25", 25),
    ("America/Chicago", "2026-03-08", 23),
    ("America/Chicago", "2026-11-01", 25),
    ("Australia/Lord_Howe", "2026-04-05", 24.5),  # half an hour
    ("America/Santiago", "2026-09-06", 23),  # at midnight: the day begins at one o'clock
    ("Asia/Kathmandu", "2026-01-27", 24),
    ("America/Anchorage", "2026-01-27", 24),
]


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """An empty page with the scripts that know of time."""
    opened = browser.new_page()
    for name in ("a_base.js", "g_times.js"):
        opened.add_script_tag(path=ASSETS / name)
    yield opened
    opened.close()


def ends_ms(zone: str, date: str) -> tuple[int, int]:
    """Return where a local date begins and ends, in steps of a minute [ms]."""
    wanted = datetime.fromisoformat(date).date()
    noon = datetime.fromisoformat(f"{date}T12:00").replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    minutes = [noon + timedelta(minutes=m) for m in range(-1600, 1600)]
    inside = [m for m in minutes if m.astimezone(ZoneInfo(zone)).date() == wanted]
    begin, last = inside[0], inside[-1]
    return round(begin.timestamp() * 1000), round(last.timestamp() * 1000) + 60_000


def local(t_ms: float, zone: str) -> datetime:
    return datetime.fromtimestamp(t_ms / 1000, UTC).astimezone(ZoneInfo(zone))


def axis(page: Page, from_ms: float, to_ms: float, zone: str, room: int) -> Any:
    script = "([f, t, z, r]) => window.envmon.times.axis(f, t, z, r)"
    return page.evaluate(script, [from_ms, to_ms, zone, room])


@pytest.mark.parametrize(("zone", "date", "hours"), DAYS)
def test_a_day_has_its_real_hours(page: Page, zone: str, date: str, hours: float) -> None:
    begin, end = ends_ms(zone, date)
    assert (end - begin) / HOUR_MS == hours
    script = "([t, z, n]) => window.envmon.times.midnight(t, z, n)"
    assert page.evaluate(script, [begin, zone, 0]) == begin
    assert page.evaluate(script, [end - 1, zone, 0]) == begin
    assert page.evaluate(script, [end - 1, zone, 1]) == end
    found = axis(page, begin, end, zone, 30)
    whole = [t for t in range(begin, end + 1, 60_000) if local(t, zone).minute == 0]
    assert [tick["t"] for tick in found["ticks"]] == whole
    for tick in found["ticks"]:
        assert tick["text"].removesuffix(" again") == f"{local(tick['t'], zone):%H:%M}"
    texts = [tick["text"] for tick in found["ticks"][:-1]]
    assert len(set(texts)) == len(texts)  # an hour that comes twice is told apart
    said = found["below"][0]["text"]
    assert said.endswith(f"· {hours:g} h") == (hours != 24)


@pytest.mark.parametrize(("zone", "date", "hours"), DAYS)
@pytest.mark.parametrize("room", [5, 9, 14, 60, 200])
def test_ticks_stand_where_their_text_says(
    page: Page, zone: str, date: str, hours: float, room: int
) -> None:
    begin, end = ends_ms(zone, date)
    found = axis(page, begin - 5 * HOUR_MS, end + 7 * HOUR_MS, zone, room)
    assert 2 <= len(found["ticks"]) <= 2 * room + 3
    times = [tick["t"] for tick in found["ticks"]]
    assert times == sorted(set(times))
    for tick in found["ticks"]:
        assert tick["text"].removesuffix(" again") == f"{local(tick['t'], zone):%H:%M}"
    assert hours > 0


@pytest.mark.parametrize("zone", sorted({zone for zone, _, _ in DAYS}))
def test_days_months_and_years(page: Page, zone: str) -> None:
    begin = ends_ms(zone, "2025-12-03")[0]
    for days, pattern in ((9, "%d"), (40, "%d"), (400, "%b"), (3000, "%b")):
        found = axis(page, begin, begin + days * 24 * HOUR_MS, zone, 12)
        assert 2 <= len(found["ticks"]) <= 24
        for tick in found["ticks"]:
            moment = local(tick["t"], zone)
            assert (moment - timedelta(minutes=1)).date() < moment.date() or moment.hour <= 1
            assert f"{moment:{pattern}}".lstrip("0") in tick["text"]


@pytest.mark.parametrize(("zone", "date", "hours"), DAYS)
def test_fields_and_back(page: Page, zone: str, date: str, hours: float) -> None:
    """Every whole quarter of the day, except the first pass through a doubled hour's second."""
    begin, end = ends_ms(zone, date)
    times = list(range(begin, end, 900_000))
    script = """([all, z]) => all.map((t) => {
      const { toField, fromField } = window.envmon.times;
      return [toField(t, z), fromField(toField(t, z), z)];
    })"""
    for t, (text, back) in zip(times, page.evaluate(script, [times, zone]), strict=True):
        assert text == f"{local(t, zone):%Y-%m-%dT%H:%M}"
        assert f"{local(back, zone):%Y-%m-%dT%H:%M}" == text
        assert back <= t
        naive = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))  # fold 0: the first
        assert back == round(naive.timestamp() * 1000)
    assert hours > 0


def test_a_time_that_was_skipped(page: Page) -> None:
    """Oslo, 29 March 2026 02:30 is not on any clock; it is taken as 03:30, as Python does."""
    script = "window.envmon.times.fromField('2026-03-29T02:30', 'Europe/Oslo')"
    skipped = datetime(2026, 3, 29, 2, 30, tzinfo=ZoneInfo("Europe/Oslo"))
    assert page.evaluate(script) == round(skipped.timestamp() * 1000)
    assert local(page.evaluate(script), "Europe/Oslo").hour == 3
