"""The document's numbers: no tails of binary arithmetic, and sums that add up to the last digit.

Held against Python's ``decimal`` on the JSON's own text.
"""

from __future__ import annotations

import csv
import json
import math
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.heating.csv_rows import COLUMNS, days_csv
from envmon.heating.model import Bill
from envmon.heating.report import document_of
from envmon.heating.tidy import tidy
from envmon.service.heating.bills import keep_bills
from envmon.service.heating.make import DaySpan, make_report
from tests.winter_shop import kept
from tests.winter_story import TEXT, tell

if TYPE_CHECKING:
    from collections.abc import Iterator

SPAN = DaySpan(date(2025, 12, 20), date(2026, 2, 10))


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Return the document as a reader of the JSON has it, its numbers as they are written."""
    with kept(tmp_path_factory.mktemp("document"), text=TEXT) as made:
        tell(made.store, SPAN.first, 52, seed=8)
        bill = Bill(date(2025, 12, 1), date(2026, 1, 31), 1111.1, "l", 8765.43)
        keep_bills(made.store, [bill], 0)
        report = make_report(made.past, made.shop, made.plan, SPAN)
        written = msgspec.json.encode(document_of(report, made.shop))
    found: dict[str, Any] = json.loads(written, parse_float=Decimal)
    return found


def decimals(value: Any, path: str = "") -> Iterator[tuple[str, int]]:
    """Yield every number's place and how many decimals it is written with."""
    if isinstance(value, dict):
        for name, each in value.items():
            yield from decimals(each, f"{path}.{name}")
    elif isinstance(value, list):
        for each in value:
            yield from decimals(each, path)
    elif isinstance(value, Decimal) and value:
        yield path, -int(value.as_tuple().exponent) - max(0, -math.floor(value.copy_abs().log10()))


def test_no_number_has_a_tail(document: dict[str, Any]) -> None:
    found = list(decimals(document))
    assert len(found) > 500
    assert [place for place, count in found if count > 6] == []


def test_money_and_energy_add_up_to_the_last_digit(document: dict[str, Any]) -> None:
    days, months, whole = document["days"], document["months"], document["whole"]
    for name in ("cost", "energy_kwh", "heat_kwh", "fuel", "run_h", "degree_days"):
        for month in months:
            inside = [day[name] for day in days if day["day"][:7] == month["first"][:7]]
            assert sum(map(Decimal, inside)) == month[name], name
        assert sum(month[name] for month in months) == whole[name], name
    assert whole["cost"] == document["costs"]["total"]
    assert sum(month["billed_cost"] or 0 for month in months) == whole["billed_cost"]
    for month in document["costs"]["months"]:
        assert sum(line["cost"] for line in month["lines"]) == month["total"]


def test_a_bill_is_shared_by_its_days_without_loss(document: dict[str, Any]) -> None:
    """Of 62 days the log has 43: 8765.43 · 43/62, to a smallest unit."""
    billed = document["whole"]["billed_cost"]
    assert abs(billed - Decimal("8765.43") * 43 / 62) <= Decimal("0.01")
    assert document["bills"][0]["cost"] == Decimal("8765.43")


def test_parts_of_the_heat_add_up_to_it(document: dict[str, Any]) -> None:
    for one in document["where"]:
        assert sum(Decimal(part["kwh"]) for part in one["parts"]) == one["heat_kwh"]


def test_digits_that_count_are_kept() -> None:
    assert tidy({"a": 0.1 + 0.2, "b": [17275.382366612997], "price": 0.12345678}) == {
        "a": 0.3, "b": [17275.382], "price": 0.12345678,
    }  # fmt: skip
    assert tidy(0.00012345678) == 0.000123457
    assert tidy([0.0, None, "x", 3]) == [0.0, None, "x", 3]
    assert math.isnan(tidy(math.nan))


def test_csv_keeps_every_smallest_unit() -> None:
    """A day in the thousands has its cents too, and no exponent."""
    numbers = {"cost": 123_456.78, "energy_kwh": 1_234_567.891, "run_h": 24.0, "fuel": 0.001}
    day = dict.fromkeys(COLUMNS) | {"jobs": [], "notes": [], "faults": []} | numbers
    document = {"fuel": {"unit": "l", "currency": "NOK"}, "days": [day]}
    (row,) = csv.DictReader(days_csv(document).splitlines())
    assert [row["cost_nok"], row["energy_kwh"], row["run_h"], row["fuel_l"]] == [
        "123456.78", "1234567.891", "24", "0.001"
    ]  # fmt: skip
