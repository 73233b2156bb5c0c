"""Winters known from bills alone, held against each other: by degree days, or else by the day.

With outdoor temperatures energy over degree days is compared, so that the weather is out of it; hot
water and whatever else does not go by the weather are in it. Without them weather stays in, and
that is said. Only bills of the same time of the year are compared. Bills are too few to say how
sure a difference is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.heating.words import number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from envmon.heating.billing import BillRow
    from envmon.heating.words import Words

LEAST_DEGREE_DAYS = 10.0
"""With fewer [K·d] energy over degree days says little."""
YEAR = 365


class Rates(NamedTuple):
    """What bills come to by the day and by the degree day; None where it is not known.

    Attributes:
        days: Days of all of them.
        kwh_day: Energy [kWh/d].
        cost_day: Money [currency/d].
        amount_day: Amount of fuel a day, where all are in one unit.
        unit: That unit; empty otherwise.
        kwh_degree_day: Energy over degree days [kWh/(K·d)].
    """

    days: int
    kwh_day: float | None
    cost_day: float | None
    amount_day: float | None
    unit: str
    kwh_degree_day: float | None


class BilledVersus(NamedTuple):
    """A later time by its bills against an earlier one.

    Attributes:
        now: The later one.
        was: The earlier one.
        by: What ``more`` compares: ``degree days``, ``energy`` or ``cost`` by the day.
        more: Difference over the earlier one; 0.12 is 12 % more.
    """

    now: Rates
    was: Rates
    by: str
    more: float


def compare_bills(before: Sequence[BillRow], after: Sequence[BillRow]) -> BilledVersus | None:
    """Return how bills compare with those of a year before; None where nothing is in both.

    Args:
        before: Of the earlier time.
        after: Of the later one.
    """
    energy = same_season(before, after, lambda row: row.energy_kwh)
    money = same_season(before, after, lambda row: row.bill.cost)
    was, now = (rates_of(*rows) for rows in zip(energy, money, strict=True))
    for by, earlier, later in (
        ("degree days", was.kwh_degree_day, now.kwh_degree_day),
        ("energy", was.kwh_day, now.kwh_day),
        ("cost", was.cost_day, now.cost_day),
    ):
        if earlier and later is not None:
            return BilledVersus(now, was, by, later / earlier - 1)
    return None


def same_season(
    before: Sequence[BillRow], after: Sequence[BillRow], value: Callable[[BillRow], float | None]
) -> tuple[list[BillRow], list[BillRow]]:
    """Return bills that say something, of the time of the year of which both say it.

    Args:
        before: Of the earlier time.
        after: Of the later one.
        value: What a bill must say.
    """
    was, now = ([row for row in rows if value(row) is not None] for rows in (before, after))
    of_was: set[int] = set().union(*(_days(row, YEAR) for row in was))
    of_now: set[int] = set().union(*(_days(row) for row in now))
    return (
        [row for row in was if 2 * len(of_now & _days(row, YEAR)) >= row.days],
        [row for row in now if 2 * len(of_was & _days(row)) >= row.days],
    )


def _days(row: BillRow, shift: int = 0) -> set[int]:
    first = row.bill.first.toordinal() + shift
    return set(range(first, first + row.days))


def rates_of(energy: Sequence[BillRow], money: Sequence[BillRow]) -> Rates:
    """Return what bills come to by the day and by the degree day.

    Args:
        energy: Those whose energy is known.
        money: Those whose cost is known.
    """
    known = [(row, row.energy_kwh) for row in energy if row.energy_kwh is not None]
    paid = [(row.days, row.bill.cost) for row in money if row.bill.cost is not None]
    units = {row.bill.unit for row, _ in known}
    amounts = (
        [(row.days, row.bill.amount or 0.0) for row, _ in known]
        if len(units) == 1 and "" not in units
        else []
    )
    cold = [(row.degree_days, kwh) for row, kwh in known if row.degree_days is not None]
    enough = sum(days for days, _ in cold) >= LEAST_DEGREE_DAYS and len(cold) == len(known)
    return Rates(
        sum(row.days for row, _ in known) or sum(days for days, _ in paid),
        _over([(row.days, kwh) for row, kwh in known]),
        _over(paid),
        _over(amounts),
        units.pop() if len(units) == 1 else "",
        _over(cold) if enough else None,
    )


def _over(pairs: Sequence[tuple[float, float]]) -> float | None:
    below = sum(pair[0] for pair in pairs)
    return sum(pair[1] for pair in pairs) / below if below > 0 else None


def said(one: BilledVersus, than: str, words: Words) -> str:
    """Return a comparison of bills as a sentence.

    Args:
        one: The comparison.
        than: What the earlier time is called.
        words: How the shop reads numbers.
    """
    now, was = one.now, one.was
    percent = f"{number(abs(100 * one.more))} % {'more' if one.more >= 0 else 'less'}"
    if one.by == "degree days":
        pair = f"{words.per_degree_day(now.kwh_degree_day)} against "
        pair += f"{words.per_degree_day(was.kwh_degree_day)} kWh"
        text = f"Same weather by degree days, from bills: {percent} energy a degree day than {than}"
        return f"{text} ({pair}).{_a_day(one, words)} Bills are too few to say how sure that is."
    what = "energy" if one.by == "energy" else "money"
    text = f"From bills, weather left in: {percent} {what} a day than {than}."
    return f"{text}{_a_day(one, words)} Outdoor temperatures would take the weather out."


def _a_day(one: BilledVersus, words: Words) -> str:
    now, was = one.now, one.was
    pairs = []
    if now.kwh_day is not None and was.kwh_day is not None:
        pairs.append(f"{number(now.kwh_day)} kWh against {number(was.kwh_day)}")
    same = now.unit == was.unit and now.unit not in {"", "kWh"}
    if same and now.amount_day is not None and was.amount_day is not None:
        pairs.append(f"{number(now.amount_day, 1)} {now.unit} against {number(was.amount_day, 1)}")
    if now.cost_day is not None and was.cost_day is not None:
        paid = f"{words.money(now.cost_day)} against {words.money(was.cost_day, currency=False)}"
        pairs.append(paid)
    return f" A day: {', '.join(pairs)}." if pairs else ""
