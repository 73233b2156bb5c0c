"""The log of two told winters against what was told, and its sums against plain pandas."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pandas as pd
import pytest

from envmon.clock import us_from_iso
from envmon.errors import InputError
from envmon.heating.report import document_of, together
from envmon.heating.sentences import words_of
from envmon.heating.sums import winter_name, winter_year
from envmon.heating.versus import changes_of, versus
from envmon.service.heating.make import (
    DaySpan,
    make_report,
    since_kept,
    span_from,
    this_winter,
    winter_span,
    years_kept,
)
from envmon.service.heating.table import said_lines
from envmon.store.archive import Archive, Rules
from tests.winter_shop import kept, shop_of
from tests.winter_story import LOSS_W_K, SEAL_GONE, SEAL_MORE, TEXT, Story, tell

if TYPE_CHECKING:
    from envmon.heating.report import HeatingReport

SPAN = DaySpan(date(2025, 10, 1), date(2026, 4, 1))
NOW_US = us_from_iso("2026-03-31T16:30:00Z")


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[HeatingReport, Story]:
    with kept(tmp_path_factory.mktemp("winter"), text=TEXT) as made:
        tell(made.store, date(2024, 10, 1), 182, seed=3)
        story = tell(made.store, SPAN.first, 182, seed=8, litres=9_000.0)
        return make_report(made.past, made.shop, made.plan, SPAN), story


def test_days_say_what_was_told(told: tuple[HeatingReport, Story]) -> None:
    report, story = told
    days = report.log.days
    assert [day.day for day in days] == list(story.days)
    energy = np.array([day.energy_kwh for day in days], dtype=float)
    # Told are 144 readings a day, so days next to a change of the clocks overlap or have a gap.
    usual = np.array([day.hours == 24 for day in days])
    usual &= np.roll(usual, 1)
    usual[-1] = False  # its last ten minutes are after the meter's last reading
    np.testing.assert_allclose(energy[usual], story.energy_kwh[usual], rtol=0.02, atol=0.2)
    assert usual.sum() >= 175
    assert {day.energy_kind for day in days} == {"measured"}
    assert {day.hours for day in days} == {23.0, 24.0, 25.0}
    assert not any(day.partial for day in days)


def test_sums_are_those_of_pandas(told: tuple[HeatingReport, Story]) -> None:
    log = told[0].log
    frame = pd.DataFrame(
        [(d.day, d.energy_kwh, d.cost, d.degree_days, d.outdoor_mean_c, d.outdoor_low_c, d.washes)
         for d in log.days],
        columns=["day", "kwh", "cost", "dd", "mean", "low", "washes"],
    )  # fmt: skip
    by_month = frame.groupby(frame.day.map(lambda day: f"{day:%Y-%m}"))
    assert [f"{month.first:%Y-%m}" for month in log.months] == list(by_month.groups)
    for name, of in {"energy_kwh": "kwh", "cost": "cost", "degree_days": "dd",
                     "washes": "washes"}.items():  # fmt: skip
        found = np.array([getattr(month, name) for month in log.months], dtype=float)
        np.testing.assert_allclose(found, by_month[of].sum(), rtol=1e-9)
    means = np.array([month.outdoor_mean_c for month in log.months], dtype=float)
    lows = np.array([month.outdoor_low_c for month in log.months], dtype=float)
    np.testing.assert_allclose(means, by_month["mean"].mean())
    np.testing.assert_allclose(lows, by_month["low"].min())
    assert log.whole.energy_kwh == pytest.approx(frame.kwh.sum())
    assert log.whole.known["cost"] == 182
    each = frame.kwh.sum() / frame.dd.sum()
    assert log.whole.kwh_per_degree_day == pytest.approx(each)


def test_money_of_days_is_that_of_the_tariff(told: tuple[HeatingReport, Story]) -> None:
    """9.50 a litre and 120 a month, 25 % tax: a month's total is what a bill would say."""
    log = told[0].log
    for month, cost in zip(log.months, log.costs.months, strict=True):
        assert month.fuel is not None
        bill = (month.fuel * 9.5 + 120.0) * 1.25
        assert float(cost.total) == pytest.approx(bill, abs=0.02)
        assert month.cost == pytest.approx(float(cost.total), abs=1e-6)


def test_the_signature_finds_the_loss_that_was_told(told: tuple[HeatingReport, Story]) -> None:
    """The winter before had the seal whole all the time."""
    before = told[0].before
    assert before is not None
    assert before.signature is not None
    true = sum(LOSS_W_K.values())
    assert before.signature.loss_w_k == pytest.approx(true, rel=0.06)
    assert before.signature_of == "days"


def test_the_winters_are_compared_in_the_same_weather(told: tuple[HeatingReport, Story]) -> None:
    report = told[0]
    whole, *months = report.versus
    assert whole.found is not None
    assert whole.what == "winter 2025/26"
    assert 0.08 < whole.found.more < SEAL_MORE - 1
    assert "Same weather" in whole.text
    by_name = {one.what: one for one in months}
    assert set(by_name) == {f"{name} 2025" for name in ("October", "November", "December")} | {
        f"{name} 2026" for name in ("January", "February", "March")
    }
    march, november = by_name["March 2026"].found, by_name["November 2025"].found
    assert march is not None
    assert november is not None
    assert march.more == pytest.approx(SEAL_MORE - 1, abs=0.07)
    assert november.more == pytest.approx(0.0, abs=0.05)


def test_the_day_the_seal_went_is_dated(told: tuple[HeatingReport, Story]) -> None:
    (change,) = told[0].log.changes
    assert abs((change.day - SEAL_GONE).days) <= 3
    assert change.more == pytest.approx(SEAL_MORE - 1, abs=0.05)
    assert change.bays == ()  # both bays lost as much more


def test_the_document_names_the_bay_of_a_change(told: tuple[HeatingReport, Story]) -> None:
    """Paper, board and command print its sentence."""
    log, shop = told[0].log, shop_of(TEXT)
    own = log.changes[0]._replace(bays=("north",))
    of_one = told[0]._replace(log=replace(log, changes=(own,)))
    for report, bays in ((told[0], []), (of_one, ["north"])):
        document = document_of(report, shop)
        (change,) = document["changes"]
        assert change["bays"] == bays
        said = f"most of it in {shop.bay[0].name}"
        assert (said in change["text"]) == bool(bays)
        lines = said_lines(document, words_of(document))
        for part in document["where"][0]["parts"]:
            assert any(line.endswith(f": {part['text']}") for line in lines)
        assert change["text"] in "\n".join(lines)


def test_either_side_of_the_change_has_its_own_loss(told: tuple[HeatingReport, Story]) -> None:
    before, since = told[0].log.sides
    assert before.found is not None
    assert since.found is not None
    true = sum(LOSS_W_K.values())
    assert before.found.loss_within.low < true < before.found.loss_within.high
    assert since.found.loss_within.low < SEAL_MORE * true < since.found.loss_within.high
    assert before.found.loss_within.high < since.found.loss_within.low
    assert told[0].log.signature == since.found
    assert (before.last - SEAL_GONE).days in range(-4, 3)
    assert since.early is not None
    assert since.late is not None
    assert since.early <= SEAL_GONE <= since.late


def test_a_comparison_of_winters_says_that_a_change_lies_inside(
    told: tuple[HeatingReport, Story],
) -> None:
    whole, *months = told[0].versus
    assert [abs((day - SEAL_GONE).days) <= 3 for day in whole.inside] == [True]
    assert "Inside winter 2025/26 something changed (about " in whole.text
    assert "Jan no difference (within " in whole.text
    assert "to 31 Mar 29 % more" in whole.text or "to 31 Mar 30 % more" in whole.text
    assert [one.what for one in months if one.inside] == ["January 2026"]
    said = [one.text for one in months if "something changed" in one.text]
    assert len(said) == 1


def test_a_winter_before_that_changed_inside_is_said_to_be_a_mean(
    told: tuple[HeatingReport, Story],
) -> None:
    """The two winters the other way round: against what held last, 1 − 1/1.3 less."""
    report, _ = told
    assert report.before is not None
    whole, *_ = versus(report.before, report.log, 10)
    said = re.search(r"from (\d+) Jan on (\d+) % less .*; all of it is a mean of both", whole.text)
    assert said is not None, whole.text
    assert abs(int(said[1]) - SEAL_GONE.day) <= 3
    assert int(said[2]) == pytest.approx(100 * (1 - 1 / SEAL_MORE), abs=3)


def test_more_washes_are_no_change_of_the_building(told: tuple[HeatingReport, Story]) -> None:
    log = told[0].log
    before = [day for day in log.days if day.day < SEAL_GONE]
    washes = [6 if place >= 60 and day.day.weekday() < 5 else 0 for place, day in enumerate(before)]
    rows = [
        msgspec.structs.replace(day, washes=count, energy_kwh=(day.energy_kwh or 0.0) + 5 * count)
        for day, count in zip(before, washes, strict=True)
    ]
    assert changes_of(rows) == ()
    unseen = tuple(msgspec.structs.replace(row, washes=0) for row in rows)
    assert changes_of(unseen) != ()


def test_where_the_heat_went_adds_up(told: tuple[HeatingReport, Story]) -> None:
    where = told[0].log.spent.where
    assert [one.bay for one in where] == ["north", "south"]
    for one in (*where, *together(where)):
        assert sum(part.kwh for part in one.parts) == pytest.approx(one.heat_kwh)
    whole = together(where)[0]
    assert whole.heat_kwh == pytest.approx(told[0].log.whole.heat_kwh, rel=0.01)


def test_the_document_has_plain_types_only(told: tuple[HeatingReport, Story]) -> None:
    with_shop = document_of(told[0], shop_of(TEXT))
    again = msgspec.json.decode(msgspec.json.encode(with_shop))
    assert len(again["days"]) == 182
    assert again["whole"]["energy_kwh"] == pytest.approx(told[0].log.whole.energy_kwh)
    assert again["costs"]["currency"] == "NOK"
    assert again["degree_days"]["words"] == "base 18 °C, hour by hour"
    assert again["signature"]["of"] == "days"


def test_spans_are_days_and_end_before() -> None:
    assert span_from("2025-10-01", "2026-04-01") == SPAN
    for since, until, said in (
        ("2025-10-01", "2025-10-01", "not after"),
        ("yesterday", "2025-10-01", "--from is 'yesterday'; allowed is a date"),
        ("2025-10-01T10:00", "2025-10-02", "allowed is a date"),
        ("2020-01-01", "2025-10-01", "allowed: 1100"),
        ("1900-01-01", "1900-02-01", "from 1972 to 2198"),
    ):
        with pytest.raises(InputError, match=said):
            span_from(since, until)


def test_the_winter_of_now_and_of_other_years() -> None:
    shop = shop_of(TEXT)
    assert this_winter(NOW_US, shop) == DaySpan(date(2025, 9, 1), date(2026, 4, 1))
    assert winter_span(2024, NOW_US, shop) == DaySpan(date(2024, 9, 1), date(2025, 9, 1))
    with pytest.raises(InputError, match="has not begun"):
        winter_span(2026, NOW_US, shop)
    assert winter_name(winter_year(date(2026, 8, 31), 9)) == "2025/26"
    assert winter_name(winter_year(date(2099, 9, 1), 9)) == "2099/00"
    assert DaySpan(date(2024, 2, 29), date(2024, 3, 1)).year_before == DaySpan(
        date(2023, 2, 28), date(2023, 3, 1)
    )


def test_an_empty_store_says_so_and_a_span_begins_where_something_is_kept(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with kept(tmp_path_factory.mktemp("short"), text=TEXT) as made:
        span = DaySpan(date(2025, 9, 1), date(2025, 12, 1))
        empty = make_report(made.past, made.shop, made.plan, span)
        assert empty.before is None
        assert empty.log.whole.energy_kwh is None
        assert empty.log.whole.cost is None
        assert len(empty.log.missing) >= 3
        assert years_kept(made.past, made.shop, NOW_US) == [2025]
        tell(made.store, date(2025, 11, 3), 5)
        assert since_kept(made.past, made.shop, span).first == date(2025, 11, 3)
        assert years_kept(made.past, made.shop, NOW_US) == [2025]


def test_a_winter_begins_where_it_is_kept_though_an_earlier_one_is_too(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with kept(tmp_path_factory.mktemp("gap"), text=TEXT) as made:
        tell(made.store, date(2025, 1, 10), 3)
        tell(made.store, date(2025, 11, 3), 3)
        mover = Archive(made.store, made.folder, made.shop.shop.site)
        try:
            mover.archive_closed(us_from_iso("2025-11-20T00:00:00Z"), Rules())
        finally:
            mover.close()
        span = DaySpan(date(2025, 9, 1), date(2025, 12, 1))
        assert since_kept(made.past, made.shop, span).first == date(2025, 11, 3)
