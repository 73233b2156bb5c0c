"""Bills beside what the log knows of their days."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.heating.fuel import unit_kwh

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from envmon.heating.model import Bill, DayRow
    from envmon.shop.heat import HeatingInfo

KNOWN_SHARE = 0.9
"""A bill's weather counts as known with this share of its days; what it says is their mean."""


class BillRow(NamedTuple):
    """A bill beside the log; None is not known.

    Attributes:
        bill: The bill.
        days: How many days it is of.
        energy_kwh: Energy of its amount [kWh].
        outdoor_mean_c: Mean of its days [°C].
        degree_days: Of its days [K·d].
        metered_kwh: What the meters say of its days, where all are known [kWh].
    """

    bill: Bill
    days: int
    energy_kwh: float | None
    outdoor_mean_c: float | None
    degree_days: float | None
    metered_kwh: float | None


def bill_rows(
    bills: Iterable[Bill], rows: Sequence[DayRow], info: HeatingInfo
) -> tuple[BillRow, ...]:
    """Return the bills that share days with the log, in order.

    Args:
        bills: All bills known.
        rows: The log's days, in order.
        info: The shop's ``[heating]``: what a unit holds.
    """
    if not rows:
        return ()
    by_day = {row.day: row for row in rows}
    first, last = rows[0].day, rows[-1].day
    return tuple(
        _row(bill, by_day, info)
        for bill in sorted(bills, key=lambda bill: (bill.first, bill.last))
        if bill.first <= last and bill.last >= first
    )


def _row(bill: Bill, by_day: Mapping[date, DayRow], info: HeatingInfo) -> BillRow:
    count = (bill.last - bill.first).days + 1
    days = [by_day.get(bill.first + timedelta(days=number)) for number in range(count)]
    there = [day for day in days if day is not None]
    outdoor = [day.outdoor_mean_c for day in there if day.outdoor_mean_c is not None]
    degree = [day.degree_days for day in there if day.degree_days is not None]
    metered = [day.energy_kwh for day in there if day.energy_kwh is not None and not day.partial]
    kwh = None if bill.amount is None else bill.amount * unit_kwh(bill.unit, info)
    return BillRow(
        bill,
        count,
        kwh,
        _mean(outdoor, count),
        None if (mean := _mean(degree, count)) is None else mean * count,
        sum(metered) if len(metered) == count else None,
    )


def _mean(values: Sequence[float], count: int) -> float | None:
    return float(np.mean(values)) if len(values) >= KNOWN_SHARE * count else None


def overlaps(bills: Sequence[Bill]) -> list[str]:
    """Return a sentence for each bill that shares days with one begun before it."""
    said: list[str] = []
    longest: Bill | None = None
    for bill in sorted(bills, key=lambda one: (one.first, one.last)):
        if longest is not None and bill.first <= longest.last:
            said.append(
                f"Bills of {longest.first} to {longest.last} and {bill.first} to {bill.last} share "
                "days, which are counted twice: bring one in again with withdrawn as its amount, "
                "then with its true days."
            )
        if longest is None or bill.last > longest.last:
            longest = bill
    return said
