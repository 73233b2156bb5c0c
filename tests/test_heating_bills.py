"""Bills from a file: what is read, what is refused, kept once and in the chain, and a log of them.

A US therm is 100 000 Btu (NIST SP 811, from memory); a Btu is 1055.05585262 J.
"""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING

import pytest

from envmon.clock import ManualClock, us_from_iso
from envmon.errors import InputError
from envmon.guard.engine import fresh_state
from envmon.heating.model import Bill
from envmon.service.asked import HEAT_BILLED, is_sound
from envmon.service.heating_import import (
    BillsWish,
    bills_from_csv,
    bills_kept,
    import_bills,
    keep_bills,
    overlaps,
)
from envmon.service.heating_make import DaySpan, make_report
from envmon.service.recalibration import Recalibration
from envmon.service.taking_up import TakingUp
from envmon.shop.heat import HeatingInfo
from envmon.store.sqlite import SqliteStore
from tests.winter_shop import SHOP, kept

if TYPE_CHECKING:
    from pathlib import Path

NOW_US = us_from_iso("2026-04-02T10:00:00Z")
INFO = HeatingInfo(fuel="propane")
JANUARY = Bill(date(2025, 1, 1), date(2025, 1, 31), 620.0, "l", 7_362.5)
CSV = """from,to,amount,unit,cost
2025-01-01,2025-01-31,620,l,7362.50
2025-02-01,2025-02-28,540.5,l,
2025-03-01,2025-03-31,,,5100
"""


def test_bills_are_read_with_days_amount_unit_and_cost() -> None:
    assert bills_from_csv(CSV, INFO) == [
        JANUARY,
        Bill(date(2025, 2, 1), date(2025, 2, 28), 540.5, "l", None),
        Bill(date(2025, 3, 1), date(2025, 3, 31), None, "", 5_100.0),
    ]


def test_months_semicolons_and_decimal_commas_are_read() -> None:
    text = "\ufeffMonth;Amount;Unit;Cost\n2024-02;1.234,5;l;7 362,50\n\n"
    assert bills_from_csv(text, INFO) == [
        Bill(date(2024, 2, 1), date(2024, 2, 29), 1_234.5, "l", 7_362.5)
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "columns are none; allowed: from and to, or month"),
        ("from,to,litres\n", "columns are from, to, litres; allowed"),
        ("from,to,cost\n", "no bill in the file"),
        ("from,to,cost\n2025-01-31,2025-01-01,3\n", "line 2: to is 2025-01-01, before from"),
        ("from,to,cost\n2025-13-01,2025-01-01,3\n", "line 2: from is '2025-13-01'; allowed"),
        ("from,to,cost\n9999-12-01,9999-12-31,3\n", "allowed are dates from 1972 to 2198"),
        ("month,amount,unit\n2025-01,12,cord\n", "line 2: unit is 'cord'; allowed: m3, ft3"),
        ("month,amount,unit\n2025-01,-3,l\n", "line 2: amount is '-3'; allowed is a number"),
        ("month,amount,unit\n2025-01,nan,l\n", "line 2: amount is 'nan'; allowed is a number"),
        ("month,amount,unit,cost\n2025-01,,,\n", "line 2: amount and cost are empty"),
        ("from,to,cost\n2020-01-01,2025-01-01,3\n", "allowed are 400 days or fewer"),
    ],
)
def test_a_fault_names_its_line_and_what_is_allowed(text: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        bills_from_csv(text, INFO)


def test_a_bill_is_kept_once_and_a_corrected_one_takes_its_place(tmp_path: Path) -> None:
    with kept(tmp_path) as made:
        assert keep_bills(made.store, [JANUARY], NOW_US) == (1, 0)
        assert keep_bills(made.store, [JANUARY, JANUARY], NOW_US) == (0, 0)
        mended = JANUARY._replace(cost=7_400.0)
        assert keep_bills(made.store, [mended], NOW_US) == (0, 1)
        assert bills_kept(made.store) == (mended,)


def test_the_watch_makes_bills_events_and_nothing_is_lost_on_the_way(tmp_path: Path) -> None:
    with kept(tmp_path) as made:
        keep_bills(made.store, [JANUARY], NOW_US)
        requests = made.store.requests()
        recalibration = Recalibration(made.shop, made.store)
        assert is_sound(requests[0], made.plan, recalibration)
        taking_up = TakingUp(made.shop, made.plan, made.store, recalibration)
        heeded = taking_up.write(requests, [], [], fresh_state(made.plan, NOW_US), NOW_US)
        assert heeded == []
        assert made.store.requests() == []
        assert [event.kind for event in made.store.events_of(HEAT_BILLED)] == [HEAT_BILLED]
        assert bills_kept(made.store) == (JANUARY,)
        assert keep_bills(made.store, [JANUARY], NOW_US) == (0, 0)


def test_a_file_with_a_fault_brings_nothing_in(tmp_path: Path) -> None:
    shop, file = tmp_path / "shop.toml", tmp_path / "bills.csv"
    shop.write_text(SHOP, encoding="utf-8")
    file.write_text(CSV + "2025-04-01,2025-04-31,3,l,4\n", encoding="utf-8")
    said: list[str] = []
    wish = BillsWish(shop, file, str(tmp_path / "data"))
    with pytest.raises(InputError, match="nothing was brought in"):
        import_bills(wish, ManualClock(NOW_US), said.append)
    file.write_text(CSV, encoding="utf-8")
    assert import_bills(wish, ManualClock(NOW_US), said.append) == 0
    assert "3 new, 0 changed, 0 there already" in said[0]
    said.clear()
    assert import_bills(wish, ManualClock(NOW_US), said.append) == 0
    assert "0 new, 0 changed, 3 there already" in said[0]
    assert "2025-01-01 to 2025-01-31  620 l  NOK 7,362.50" in said[1]
    store = SqliteStore(tmp_path / "data")
    assert len(store.requests()) == 3
    store.close()


def test_bills_that_share_days_are_told() -> None:
    other = Bill(date(2025, 1, 20), date(2025, 2, 19), 5.0, "l", None)
    assert overlaps([JANUARY]) == []
    assert "share days, which are counted twice" in overlaps([other, JANUARY])[0]


def test_bills_alone_give_a_log_that_says_what_is_missing(tmp_path: Path) -> None:
    """Propane in the table: 91 452 Btu a US gallon of 3.785411784 l."""
    kwh_l = 91_452 * 1055.05585262 / 3.6e6 / 3.785411784
    with kept(tmp_path) as made:
        keep_bills(made.store, bills_from_csv(CSV, INFO), NOW_US)
        span = DaySpan(date(2025, 1, 1), date(2025, 4, 1))
        report = make_report(made.past, made.shop, made.plan, span)
    log = report.log
    assert [row.energy_kwh for row in log.days] == [None] * 90
    assert [month.billed_kwh for month in log.months] == [
        pytest.approx(620 * kwh_l), pytest.approx(540.5 * kwh_l), None
    ]  # fmt: skip
    assert log.whole.billed_cost == pytest.approx(7_362.5 + 5_100)
    assert log.whole.billed_days == 90
    assert log.whole.energy_kwh is None
    said = " ".join(log.missing)
    assert "known from bills only, of 90 of 90 days" in said
    assert "No outdoor temperatures" in said
    assert "No run time" in said
    assert log.signature is None
    assert "outdoor temperatures are not known" in log.why_no_signature


def test_a_bill_across_a_months_end_is_shared_by_its_days(tmp_path: Path) -> None:
    bill = Bill(date(2025, 1, 22), date(2025, 2, 10), 200.0, "kWh", 100.0)
    with kept(tmp_path) as made:
        keep_bills(made.store, [bill], NOW_US)
        span = DaySpan(date(2025, 1, 1), date(2025, 3, 1))
        log = make_report(made.past, made.shop, made.plan, span).log
    assert [month.billed_kwh for month in log.months] == pytest.approx([100.0, 100.0])
    assert [month.billed_days for month in log.months] == [10, 10]
