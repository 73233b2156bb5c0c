"""Bills from a file: what is read, what is refused, kept once and in the chain, and a log of them.

A US therm is 100 000 Btu (NIST SP 811, from memory); a Btu is 1055.05585262 J.
"""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest

from envmon.clock import MINUTE_US, ManualClock, us_from_iso
from envmon.errors import InputError
from envmon.facts import Flag, Reading
from envmon.guard.engine import fresh_state
from envmon.heating.billed_versus import compare_bills
from envmon.heating.billing import BillRow, overlaps
from envmon.heating.bills_chart import bills_chart
from envmon.heating.draw import PAPER
from envmon.heating.fuel import unit_kwh
from envmon.heating.model import Bill
from envmon.heating.page import page
from envmon.heating.report import document_of
from envmon.heating.sentences import fuel_words, numbers_of, words_of
from envmon.service.asked import HEAT_BILLED, is_sound
from envmon.service.calibration.desk import Recalibration
from envmon.service.heating.bills import (
    BillsWish,
    bills_from_csv,
    bills_kept,
    import_bills,
    is_withdrawn,
    keep_bills,
)
from envmon.service.heating.make import DaySpan, make_report
from envmon.service.heating.table import sum_note
from envmon.service.taking_up import TakingUp
from envmon.shop.heat import HeatingInfo
from envmon.store.sqlite import SqliteStore
from envmon_boards.winter_view import view_of
from tests.winter_shop import SHOP, kept

if TYPE_CHECKING:
    from pathlib import Path

NOW_US = us_from_iso("2026-04-02T10:00:00Z")
TODAY = date(2026, 4, 2)
INFO = HeatingInfo(fuel="propane")
JANUARY = Bill(date(2025, 1, 1), date(2025, 1, 31), 620.0, "l", 7_362.5)
CSV = """from,to,amount,unit,cost
2025-01-01,2025-01-31,620,l,7362.50
2025-02-01,2025-02-28,540.5,l,
2025-03-01,2025-03-31,,,5100
"""


def test_bills_are_read_with_days_amount_unit_and_cost() -> None:
    assert bills_from_csv(CSV, INFO, TODAY) == [
        JANUARY,
        Bill(date(2025, 2, 1), date(2025, 2, 28), 540.5, "l", None),
        Bill(date(2025, 3, 1), date(2025, 3, 31), None, "", 5_100.0),
    ]


def test_months_semicolons_and_decimal_commas_are_read() -> None:
    text = "\ufeffMonth;Amount;Unit;Cost\n2024-02;1.234,5;l;7 362,50\n\n"
    assert bills_from_csv(text, INFO, TODAY) == [
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
        (
            "month,amount,unit\n2025-01,12,cord\n",
            "line 2: unit is 'cord' and the shop heats with",
        ),
        ("month,amount,unit\n2025-01,-3,l\n", "line 2: amount is '-3'; allowed is a number"),
        ("month,amount,unit\n2025-01,nan,l\n", "line 2: amount is 'nan'; allowed is a number"),
        ("month,amount,unit,cost\n2025-01,,,\n", "line 2: amount and cost are empty"),
        ("from,to,cost\n2020-01-01,2025-01-01,3\n", "allowed are 400 days or fewer"),
        ("month,cost\n2026-05,3\n", "line 2: bill is of 2026-05-01 to 2026-05-31, and today is "),
        ("from,to,cost\n2026-03-20,2026-04-03,3\n", "still open today, 2026-04-02; allowed are "),
        ("month,cost\n2026-04,3\n", "with from 2026-04-01, to 2026-04-02, and withdraw that"),
    ],
)
def test_a_fault_names_its_line_and_what_is_allowed(text: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        bills_from_csv(text, INFO, TODAY)


def test_a_bill_may_end_today_and_one_of_days_to_come_can_be_taken_away() -> None:
    text = "from,to,amount,unit\n2026-03-20,2026-04-02,3,l\n2026-05-01,2026-05-31,withdrawn,\n"
    ended, withdrawn = bills_from_csv(text, INFO, TODAY)
    assert ended.last == TODAY
    assert is_withdrawn(withdrawn)


@pytest.mark.parametrize(
    ("fuel", "unit", "allowed"),
    [
        ("natural_gas", "l", "m3, ft3, kWh, MWh, therm"),
        ("natural_gas", "gal", "m3, ft3, kWh, MWh, therm"),
        ("electricity", "m3", "kWh, MWh, therm"),
        ("heating_oil", "cord", "m3, ft3, l, gal, kWh, MWh, therm"),
    ],
)
def test_a_fuel_is_billed_in_units_it_is_sold_by(fuel: Any, unit: str, allowed: str) -> None:
    """Natural gas is sold as a gas, by volume or energy; litres are of a liquid."""
    text = f"month,amount,unit\n2025-01,12,{unit}\n"
    said = (
        f"line 2: unit is {unit!r} and the shop heats with {fuel.replace('_', ' ')}; "
        f"allowed: {allowed}; write the amount in one of these"
    )
    with pytest.raises(InputError, match=re.escape(said)):
        bills_from_csv(text, HeatingInfo(fuel=fuel), TODAY)


def test_a_megawatt_hour_is_a_thousand_kilowatt_hours() -> None:
    text = "month,amount,unit\n2025-01,1.2,MWh\n"
    info = HeatingInfo(fuel="natural_gas")
    (bill,) = bills_from_csv(text, info, TODAY)
    assert bill.amount is not None
    assert bill.amount * unit_kwh(bill.unit, info) == pytest.approx(1_200)


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
    assert "2025-01-01 to 2025-01-31  620 l  NOK 7\u202f362.50" in said[1]
    store = SqliteStore(tmp_path / "data")
    assert len(store.requests()) == 3
    store.close()


def test_bills_that_share_days_are_told() -> None:
    other = Bill(date(2025, 1, 20), date(2025, 2, 19), 5.0, "l", None)
    assert overlaps([JANUARY]) == []
    assert "share days, which are counted twice" in overlaps([other, JANUARY])[0]
    winter = Bill(date(2024, 12, 1), date(2025, 3, 31), 900.0, "l", None)
    february = Bill(date(2025, 2, 1), date(2025, 2, 28), 540.5, "l", None)
    assert [text.split(" share")[0] for text in overlaps([february, JANUARY, winter])] == [
        "Bills of 2024-12-01 to 2025-03-31 and 2025-01-01 to 2025-01-31",
        "Bills of 2024-12-01 to 2025-03-31 and 2025-02-01 to 2025-02-28",
    ]


def test_a_bill_with_wrong_days_is_withdrawn_and_the_log_says_what_is_counted_twice(
    tmp_path: Path,
) -> None:
    wrong = "from,to,amount,unit,cost\n2025-01-20,2025-02-19,300,l,\n"
    with kept(tmp_path) as made:
        keep_bills(made.store, bills_from_csv(CSV + wrong.split("\n", 1)[1], INFO, TODAY), NOW_US)
        span = DaySpan(date(2025, 1, 1), date(2025, 4, 1))
        notes = make_report(made.past, made.shop, made.plan, span).log.notes
        assert [note for note in notes if "counted twice" in note] == [
            *overlaps(bills_kept(made.store))
        ]
        taken = bills_from_csv(wrong.replace("300,l", "Withdrawn,"), INFO, TODAY)
        assert keep_bills(made.store, taken, NOW_US) == (0, 1)
        assert keep_bills(made.store, taken, NOW_US) == (0, 0)
        assert bills_kept(made.store) == tuple(bills_from_csv(CSV, INFO, TODAY))
        assert "counted twice" not in str(
            make_report(made.past, made.shop, made.plan, span).log.notes
        )


def test_sums_say_of_how_many_days_bills_and_their_cost_are(tmp_path: Path) -> None:
    bills = "from,to,amount,unit,cost\n2025-01-01,2025-01-31,62,l,93\n2025-02-01,2025-02-14,28,l,\n"
    with kept(tmp_path) as made:
        keep_bills(made.store, bills_from_csv(bills, INFO, TODAY), NOW_US)
        span = DaySpan(date(2025, 1, 1), date(2025, 3, 1))
        document = document_of(make_report(made.past, made.shop, made.plan, span), made.shop)
    assert [sum_note(one) for one in document["months"]] == ["by bills", "bills 14/28 d"]
    assert sum_note(document["whole"]) == "bills 45/59 d, cost 31/59 d"
    assert re.search(r"February 2025.*?14/28 d", page(document), re.DOTALL)


def test_bills_of_a_leap_year_stand_beside_those_of_the_same_days(tmp_path: Path) -> None:
    """The Gregorian calendar: 2024 has 29 February."""
    bills = "month,amount,unit\n2024-01,90,l\n2024-02,80,l\n2025-01,93,l\n2025-02,84,l\n"
    with kept(tmp_path) as made:
        keep_bills(made.store, bills_from_csv(bills, INFO, TODAY), NOW_US)
        span = DaySpan(date(2025, 1, 1), date(2025, 3, 1))
        document = document_of(make_report(made.past, made.shop, made.plan, span), made.shop)
    drawn = ET.fromstring(bills_chart(document, words_of(document), PAPER))
    named = [one.text for one in drawn.iter() if one.text in {"Jan", "Feb", "31 Dec", "31 Jan"}]
    assert named == ["Jan", "Feb"]


def test_bills_alone_give_a_log_that_says_what_is_missing(tmp_path: Path) -> None:
    """Propane in the table: 91 452 Btu a US gallon of 3.785411784 l."""
    kwh_l = 91_452 * 1055.05585262 / 3.6e6 / 3.785411784
    with kept(tmp_path) as made:
        keep_bills(made.store, bills_from_csv(CSV, INFO, TODAY), NOW_US)
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


WINTER_NOW = """from,to,amount,unit,cost
2025-12-01,2025-12-31,590,l,7050
2026-01-01,2026-01-31,720,l,8600
2026-02-01,2026-02-28,640.5,l,
2026-03-01,2026-03-31,,,5100
"""
WINTER_WAS = """from,to,amount,unit,cost
2024-12-01,2024-12-31,540,l,6100
2025-01-01,2025-01-31,600,l,6800
2025-02-01,2025-02-28,570,l,6500
2025-03-01,2025-03-31,430,l,4900
"""
SPAN_NOW = DaySpan(date(2025, 12, 1), date(2026, 4, 1))


def billed(folder: Path, text: str, outdoor_c: tuple[float, float] | None = None) -> dict[str, Any]:
    """Return the document of a winter of bills, with the outdoors of this winter and the last."""
    with kept(folder) as made:
        keep_bills(made.store, bills_from_csv(text, INFO, TODAY), NOW_US)
        for year, temp_c in zip((2025, 2024), outdoor_c or (), strict=False):
            start = us_from_iso(f"{year}-11-30T23:00:00Z")
            made.store.add_readings(
                [
                    Reading(
                        "yard", "outdoor_temp_c", start + n * 4 * MINUTE_US, temp_c, Flag.GOOD, 0
                    )
                    for n in range(121 * 360)
                ]
            )
        return document_of(make_report(made.past, made.shop, made.plan, SPAN_NOW), made.shop)


def test_bills_alone_say_what_their_energy_rests_on_and_are_drawn(tmp_path: Path) -> None:
    document = billed(tmp_path, WINTER_NOW)
    fuel = document["fuel"]
    assert fuel["heating_value_kwh"] == pytest.approx(7.0802, abs=1e-3)
    assert fuel["heating_value_unit"] == "l"
    assert "7.08 kWh per l (EIA" in fuel_words(document)
    html = page(document)
    assert "Bill by bill" in html
    assert "Day by day" not in html
    assert "as a calendar" not in html
    assert "Not drawn: outdoor temperatures are not known" in html
    drawing = ET.fromstring(bills_chart(document, words_of(document), PAPER))
    rects = [one for one in drawing.iter() if one.tag.endswith("rect")]
    assert [one.get("class") for one in rects] == ["bar"] * 3
    view = view_of(document)
    assert set(view["drawings"]["wide"]) == set(view["drawings"]["phone"]) == {"billed", "months"}
    assert view["captions"]["billed"] == "A bar is a bill: what it took a day."
    # March is known by its cost alone, February by its amount alone.
    assert [one.under for one in numbers_of(document, words_of(document))[:2]] == [
        "by bills of 90 of 121 days", "by bills of 93 of 121 days"
    ]  # fmt: skip


def test_electricity_is_billed_in_units_of_energy(tmp_path: Path) -> None:
    bill = Bill(date(2026, 1, 1), date(2026, 1, 31), 900.0, "kWh", None)
    with kept(tmp_path) as made:
        keep_bills(made.store, [bill], NOW_US)
        report = make_report(made.past, made.shop, made.plan, SPAN_NOW)
        document = document_of(report, made.shop)
    assert document["fuel"]["heating_value_kwh"] is None
    assert "in kWh as billed" in fuel_words(document)


def test_two_winters_of_bills_without_outdoors_are_compared_by_the_day(tmp_path: Path) -> None:
    (whole, *_) = billed(tmp_path, WINTER_NOW + WINTER_WAS.partition("\n")[2])["comparisons"]
    found = whole["billed"]
    # Energy: December to February of both; money: December, January and March of both.
    assert found["by"] == "energy"
    assert found["more"] == pytest.approx((590 + 720 + 640.5) / (540 + 600 + 570) - 1, abs=1e-4)
    assert found["now"]["amount_day"] == pytest.approx(1_950.5 / 90, abs=1e-3)
    assert found["now"]["cost_day"] == pytest.approx((7050 + 8600 + 5100) / 93, abs=1e-2)
    assert found["was"]["cost_day"] == pytest.approx((6100 + 6800 + 4900) / 93, abs=1e-2)
    assert whole["text"].startswith(
        "From bills, weather left in: 14 % more energy a day than winter 2024/25. A day: "
    )
    assert "21.7 l against 19.0, NOK 223.12 against 191.40" in whole["text"]


def test_two_winters_of_bills_are_compared_by_degree_days(tmp_path: Path) -> None:
    """Outdoors −6 °C now and −2 °C before: 24 and 20 K·d a day to the base of 18 °C."""
    text = WINTER_NOW + WINTER_WAS.partition("\n")[2]
    document = billed(tmp_path, text, (-6.0, -2.0))
    found = document["comparisons"][0]["billed"]
    assert found["by"] == "degree days"
    more = (1_950.5 / (24 * 90)) / (1_710 / (20 * 90)) - 1
    assert found["more"] == pytest.approx(more, abs=1e-3)
    assert more < 0
    said = document["comparisons"][0]["text"]
    assert said.startswith("Same weather by degree days, from bills: 5 % less energy a degree day")
    assert "Bills are too few to say how sure that is." in said
    same = numbers_of(document, words_of(document))[-1]
    assert (same.what, same.value) == ("same weather", "5 % less")
    assert document["why_no_signature"].startswith("3 bills have outdoor temperature and energy")


def test_bills_of_another_time_of_the_year_are_not_compared() -> None:
    def row(first: date, last: date) -> BillRow:
        return BillRow(Bill(first, last, 1.0, "l", 1.0), (last - first).days + 1, 7.0, None, None,
                       None)  # fmt: skip

    summer = row(date(2024, 6, 1), date(2024, 6, 30))
    winter = row(date(2025, 1, 1), date(2025, 1, 31))
    assert compare_bills([summer], [winter]) is None
    assert compare_bills([], [winter]) is None
    before = row(date(2024, 1, 3), date(2024, 2, 2))
    assert compare_bills([summer, before], [winter]) is not None
