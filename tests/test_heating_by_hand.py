"""Meters read by hand: what lies between readings, as bills."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import MINUTE_US
from envmon.heating.by_hand import is_by_hand, readings_as_bills
from envmon.heating.model import Bill, Counter
from tests.heating_story import OSLO, local_us


def counter(readings: list[tuple[date, int, float]]) -> Counter:
    t_us = np.array([local_us(day, hour) for day, hour, _ in readings])
    return Counter("fuel_m3", t_us, np.array([value for _, _, value in readings]))


def test_readings_on_the_first_of_the_month() -> None:
    """A reading at 20:00 counts for the midnight after it, one at 08:00 for that before."""
    meter = counter([
        (date(2025, 12, 1), 8, 4_000.0),
        (date(2025, 12, 31), 20, 4_310.5),
        (date(2026, 2, 1), 7, 4_700.5),
    ])  # fmt: skip
    assert is_by_hand(meter)
    assert readings_as_bills(meter, OSLO) == (
        Bill(date(2025, 12, 1), date(2025, 12, 31), 310.5, "m3", None),
        Bill(date(2026, 1, 1), date(2026, 1, 31), 390.0, "m3", None),
    )


def test_two_readings_of_a_day_are_one() -> None:
    meter = counter([
        (date(2026, 1, 5), 7, 10.0),
        (date(2026, 1, 5), 9, 12.0),
        (date(2026, 1, 9), 7, 30.0),
    ])  # fmt: skip
    assert readings_as_bills(meter, OSLO) == (
        Bill(date(2026, 1, 5), date(2026, 1, 8), 20.0, "m3", None),
    )


def test_a_changed_meter_has_no_bill_for_that_time() -> None:
    meter = counter([
        (date(2026, 1, 5), 7, 5_000.0),
        (date(2026, 1, 12), 7, 5_070.0),
        (date(2026, 1, 19), 7, 3_000.0),
        (date(2026, 1, 26), 7, 3_081.0),
    ])  # fmt: skip
    assert [(bill.first.day, bill.amount) for bill in readings_as_bills(meter, OSLO)] == [
        (5, 70.0), (19, 81.0),
    ]  # fmt: skip


@given(
    st.integers(0, 1000),
    st.lists(st.tuples(st.integers(1, 40), st.floats(0, 400)), min_size=1, max_size=12),
)
def test_bills_follow_each_other_and_add_up(first: int, steps: list[tuple[int, float]]) -> None:
    day, value = date(2024, 1, 1) + timedelta(days=first), 100.0
    readings = [(day, 9, value)]
    for days, amount in steps:
        day, value = day + timedelta(days=days), value + amount
        readings.append((day, 9, value))
    bills = readings_as_bills(counter(readings), OSLO)
    assert sum(bill.amount or 0.0 for bill in bills) == pytest.approx(value - 100.0)
    assert bills[0].first == readings[0][0]
    assert bills[-1].last + timedelta(days=1) == day
    for bill, after in pairwise(bills):
        assert bill.last + timedelta(days=1) == after.first


def test_a_meter_that_speaks_each_minute_is_not_read_by_hand() -> None:
    t_us = np.arange(3 * 1440, dtype=np.int64) * MINUTE_US
    shown = np.linspace(0.0, 1.0, len(t_us))
    assert not is_by_hand(Counter("fuel_m3", t_us, shown))
    assert not is_by_hand(Counter("fuel_m3", t_us[:1], shown[:1]))
