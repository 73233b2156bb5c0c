"""When to start heating for the morning: the same on wall, bench, page and in the command.

That all say the same is the requirement itself; that a colder night starts earlier is a law of heat
loss (ISO 52016-1, heat balance of a zone, from memory).
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, ManualClock, iso_from_us, us_from_iso
from envmon.facts import Foretold, NewEvent
from envmon.guard.plan import plan_from_shop
from envmon.heating.report import document_of
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fresh_facts
from envmon.service.heating.make import DaySpan, make_report
from envmon.service.outlook.command import outlook_lines, shop_outlook
from envmon.service.outlook.facts import keep_facts
from envmon.service.outlook.live import MorningSaid, OutlookState, agreed
from envmon.service.outlook.morning import OLDEST_US, Mornings, mornings_said, with_mornings
from tests.test_heating_ahead import learned
from tests.winter_shop import Kept, kept
from tests.winter_story import TEXT, tell

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOW_US = us_from_iso("2026-01-29T19:07:41+01:00")
READY = iso_from_us(us_from_iso("2026-01-30T08:00:00+01:00"))


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Kept]:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2026, 1, 8), 22)
        yield made


def said(made: Kept, now_us: int = NOW_US) -> dict[str, MorningSaid]:
    return mornings_said(made.past, made.shop, made.plan, now_us)


def test_the_sentence_is_that_of_the_winters_page(made: Kept) -> None:
    found = said(made)
    assert set(found) == {"north", "south"}
    span = DaySpan(date(2026, 1, 8), date(2026, 1, 30))
    # The page was asked for three minutes later, in the same quarter of an hour.
    report = make_report(made.past, made.shop, made.plan, span, NOW_US + 3 * MINUTE_US)
    page = {one["bay"]: one["text"] for one in document_of(report, made.shop)["ahead"]}
    for bay, one in found.items():
        assert one.ready == READY
        assert one.start is not None
        assert us_from_iso(one.start) % (5 * MINUTE_US) == 0, "a time people read off a clock"
        assert one.line.startswith("start heating at 0")
        assert one.line.endswith("for 20.0 °C by 08:00")
        assert one.text.startswith(one.line)
        assert ", a guess still (warming takes about" in one.text, "no morning to learn from yet"
        assert "°C outside" in one.text
        assert one.text in page[bay]


def test_a_forecast_of_a_colder_night_starts_earlier_and_is_named(made: Kept) -> None:
    keep_facts(made.store.path.parent, {b: learned() for b in ("north", "south")})
    plain = said(made)["north"]
    made.store.add_foretold(
        [
            Foretold("weather", NOW_US + hour * HOUR_US, -11.0 - 2.5 * max(hour, 0), NOW_US)
            for hour in range(-6, 20)
        ],
        NOW_US - DAY_US,
    )
    cold = said(made)["north"]
    assert ", by the forecast)" in cold.text
    assert plain.start is not None
    assert cold.start is not None
    assert cold.start < plain.start


def test_where_something_cures_there_is_no_start(made: Kept) -> None:
    made.store.add_events([NewEvent(NOW_US - 10**9, "stage_started", "south", {"stage": "cure"})])
    assert set(said(made)) == {"north"}


def test_before_the_evening_nothing_is_said(made: Kept) -> None:
    assert said(made, us_from_iso("2026-01-29T11:00:00+01:00")) == {}


def test_it_is_worked_out_beside_and_ends_with_its_hour(made: Kept) -> None:
    mornings = Mornings(made.shop, made.plan, made.store.path.parent)
    assert mornings.look(NOW_US) == {}
    mornings.wait()
    found = mornings.look(NOW_US + MINUTE_US)
    assert found == said(made)
    assert mornings.look(NOW_US + OLDEST_US + MINUTE_US) == {}, "old words are none"
    mornings.wait()
    assert mornings.look(us_from_iso(READY)) == {}


def test_no_start_is_said_that_is_over(made: Kept) -> None:
    """Worked out in a quarter of an hour in which its start comes: from then on it is now."""
    quarter = 15 * MINUTE_US
    begin_us = us_from_iso(said(made, NOW_US - DAY_US)["north"].start or "")
    quarter_us = begin_us // quarter * quarter - 2 * quarter
    while begin_us // quarter * quarter != quarter_us:
        quarter_us += quarter
        begin_us = us_from_iso(said(made, quarter_us)["north"].start or "")
    assert begin_us > quarter_us, "else it is now from the beginning, which would show nothing"
    mornings = Mornings(made.shop, made.plan, made.store.path.parent)
    mornings.look(quarter_us)
    mornings.wait()
    shown = {
        minute: mornings.look(quarter_us + minute * MINUTE_US)["north"] for minute in range(15)
    }
    for minute, one in shown.items():
        over = begin_us <= quarter_us + (minute + 1) * MINUTE_US
        assert one.line.startswith("start heating now for" if over else "start heating at 0")
        assert one.text.startswith(one.line)
    assert said(made, quarter_us + 14 * MINUTE_US)["north"].line == shown[14].line


def test_where_the_clock_runs_fast_the_words_stay_until_the_next_ones(made: Kept) -> None:
    mornings = Mornings(made.shop, made.plan, made.store.path.parent, 600.0)
    mornings.look(NOW_US)
    mornings.wait()
    assert mornings.look(NOW_US + 5 * HOUR_US), "twenty seconds of real time are more than three h"


def test_a_fault_takes_nothing_else_with_it(
    made: Kept, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    mornings = Mornings(made.shop, made.plan, tmp_path / "gone" / "\0")
    mornings.look(NOW_US)
    mornings.wait()
    assert "cannot work out the next morning" in caplog.text
    assert mornings.look(NOW_US) == {}


def test_only_a_bay_in_which_nothing_is_worked_has_it() -> None:
    one = MorningSaid(READY, READY, 0.9, "line", "text")
    plain = {
        bay: OutlookState(bay, READY, known=True, guessing=False) for bay in ("north", "south")
    }
    found = with_mornings(plain, {"north": one, "south": one}, {"north"})
    assert (found["north"].morning, found["south"].morning) == (one, None)
    assert agreed(found["north"], {}).morning == one
    assert agreed(found["north"], {}, worked=True).morning is None


def test_the_command_says_it(tmp_path: Path) -> None:
    text = TEXT + f'\n[store]\nfolder = "{tmp_path}"\n'
    with kept(tmp_path, text=text) as made:
        tell(made.store, date(2026, 1, 8), 22)
        keep_facts(tmp_path, {b: fresh_facts(Priors(220.0)) for b in ("north", "south")})
        found = said(made)
        assert plan_from_shop(made.shop) == made.plan
    path = tmp_path / "shop.toml"
    path.write_text(text, encoding="utf-8")
    lines = outlook_lines(shop_outlook(path, "north", ManualClock(NOW_US)))
    assert f"  → {found['north'].text}" in lines
