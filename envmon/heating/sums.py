"""Day rows summed up to months and winters; what is not known is left out, and counted."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from envmon.heating.money_round import apportioned, exact
from envmon.heating.tidy import DECIMALS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.heating.model import Bill, DayRow

SUMMED = ("run_h", "fuel", "energy_kwh", "heat_kwh", "cost", "degree_days")
LEAST_DEGREE_DAYS = 10.0
"""With fewer [K·d] energy over degree days says little: most of it is base load."""
AVERAGED = ("outdoor_mean_c", "indoor_mean_c")
_EXACT = 6
"""What is added up has fewer decimals; more are tails of binary arithmetic."""


class Sum(msgspec.Struct, frozen=True):
    """Days added up; None is not known on any of them.

    Attributes:
        first: First day.
        last: Last day.
        days: How many.
        known: Quantity -> on how many of them it is known; sums and means are of those.
        outdoor_mean_c: Mean of the days' means [°C].
        outdoor_low_c: Lowest outdoors [°C].
        indoor_mean_c: Mean of the days' means [°C].
        run_h: Hours the heaters ran, summed over the bays.
        fuel: Amount by the meter, in the fuel's unit.
        energy_kwh: Energy of the fuel [kWh].
        heat_kwh: Heat into the bays [kWh].
        cost: In the shop's currency, tax included.
        degree_days: By the shop's base and method [K·d].
        kwh_per_degree_day: Energy over degree days, of days on which both are known [kWh/(K·d)].
        washes: Washes begun.
        jobs: Different jobs.
        inferred_days: Days whose run time or energy is inferred, not measured.
        partial_days: Days that lack more than an hour of something.
        billed_days: Days that bills are of.
        billed_kwh: Energy of the bills' share of these days [kWh].
        billed_cost: Their share of the bills' cost.
        billed_cost_days: Days of bills that say what they cost.
    """

    first: date
    last: date
    days: int
    known: dict[str, int]
    outdoor_mean_c: float | None = None
    outdoor_low_c: float | None = None
    indoor_mean_c: float | None = None
    run_h: float | None = None
    fuel: float | None = None
    energy_kwh: float | None = None
    heat_kwh: float | None = None
    cost: float | None = None
    degree_days: float | None = None
    kwh_per_degree_day: float | None = None
    washes: int = 0
    jobs: int = 0
    inferred_days: int = 0
    partial_days: int = 0
    billed_days: int = 0
    billed_kwh: float | None = None
    billed_cost: float | None = None
    billed_cost_days: int = 0


class BilledDay(msgspec.Struct, frozen=True):
    """A day's share of the bill it lies in."""

    energy_kwh: float | None
    cost: float | None


def billed_days(
    bills: Iterable[Bill], kwh: Iterable[float | None], digits: int
) -> dict[date, BilledDay]:
    """Return the days that bills are of; a bill is shared evenly by its days, and adds up to it.

    Args:
        bills: The bills.
        kwh: Energy of each [kWh], None where it has no amount.
        digits: Behind the point of the currency.
    """
    found: dict[date, BilledDay] = {}
    for bill, energy in zip(bills, kwh, strict=True):
        count = (bill.last - bill.first).days + 1
        shares = zip(
            _shares(energy, count, DECIMALS), _shares(bill.cost, count, digits), strict=True
        )
        for number, (of_energy, of_cost) in enumerate(shares):
            day = bill.first + timedelta(days=number)
            found[day] = _both(found.get(day), BilledDay(of_energy, of_cost))
    return found


def _shares(whole: float | None, count: int, digits: int) -> list[float | None]:
    if whole is None:
        return [None] * count
    return [float(part) for part in apportioned([exact(whole) / count] * count, digits)]


def _both(one: BilledDay | None, other: BilledDay) -> BilledDay:
    if one is None:
        return other
    return BilledDay(_plus(one.energy_kwh, other.energy_kwh), _plus(one.cost, other.cost))


def _plus(one: float | None, other: float | None) -> float | None:
    return one if other is None else other if one is None else one + other


def sum_of(rows: Sequence[DayRow], billed: dict[date, BilledDay]) -> Sum:
    """Return rows added up.

    Args:
        rows: Days in order, at least one.
        billed: Days that bills are of.
    """
    lows = [row.outdoor_low_c for row in rows if row.outdoor_low_c is not None]
    bills = [billed[row.day] for row in rows if row.day in billed]
    known = {name: len(_known(rows, name)) for name in (*SUMMED, *AVERAGED)}
    return Sum(
        rows[0].day, rows[-1].day, len(rows), known,
        outdoor_low_c=min(lows, default=None),
        kwh_per_degree_day=_per_degree_day(rows),
        washes=sum(row.washes for row in rows),
        jobs=len({job for row in rows for job in row.jobs}),
        inferred_days=sum("inferred" in {row.run_kind, row.energy_kind} for row in rows),
        partial_days=sum(row.partial for row in rows),
        billed_days=len(bills),
        billed_kwh=_total([bill.energy_kwh for bill in bills]),
        billed_cost=_total([bill.cost for bill in bills]),
        billed_cost_days=sum(bill.cost is not None for bill in bills),
        **{name: _total(_known(rows, name)) for name in SUMMED},
        **{name: _mean(_known(rows, name)) for name in AVERAGED},
    )  # fmt: skip


def _per_degree_day(rows: Iterable[DayRow]) -> float | None:
    both = [
        (row.energy_kwh, row.degree_days)
        for row in rows
        if row.energy_kwh is not None and row.degree_days is not None
    ]
    degree_days = sum(days for _, days in both)
    if degree_days < LEAST_DEGREE_DAYS:
        return None
    return sum(kwh for kwh, _ in both) / degree_days


def _known(rows: Iterable[DayRow], name: str) -> list[float]:
    return [value for row in rows if (value := getattr(row, name)) is not None]


def _total(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return round(float(np.sum(known)), _EXACT) if known else None


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def months_of(rows: Sequence[DayRow], billed: dict[date, BilledDay]) -> tuple[Sum, ...]:
    """Return a sum for each calendar month, or the part of it the rows cover."""
    by_month = groupby(rows, key=lambda row: (row.day.year, row.day.month))
    return tuple(sum_of(list(of), billed) for _, of in by_month)


def winters_of(
    rows: Sequence[DayRow], billed: dict[date, BilledDay], winter_from: int
) -> tuple[Sum, ...]:
    """Return a sum for each heating year.

    Args:
        rows: Days in order.
        billed: Days that bills are of.
        winter_from: First month of a heating year.
    """
    by_year = groupby(rows, key=lambda row: winter_year(row.day, winter_from))
    return tuple(sum_of(list(of), billed) for _, of in by_year)


def winter_year(day: date, winter_from: int) -> int:
    """Return the year in which the heating year of a day began."""
    return day.year if day.month >= winter_from else day.year - 1


def winter_name(year: int) -> str:
    """Return ``2025/26``."""
    return f"{year}/{(year + 1) % 100:02d}"
