"""A bill's rows: days and months in smallest units that add up, lines as a bill shows them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from envmon.heating.money_round import apportioned, digits_of, exact, half_up
from envmon.heating.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from decimal import Decimal

    from envmon.heating.model import Floats
    from envmon.shop.heat import Tariff

MILLION = 1_000_000


class Line(NamedTuple):
    """A line of a month's bill, before tax.

    Attributes:
        tariff: Its id, empty for tax.
        what: Which price, such as ``22:00–06:00`` or ``above 100 m3``.
        amount: Used at that price; None for standing charges and tax.
        per: The amount's unit.
        price: For a unit; None for standing charges and tax.
        cost: In smallest units of the currency.
    """

    tariff: str
    what: str
    amount: Decimal | None
    per: str
    price: Decimal | None
    cost: Decimal


class DayCost(NamedTuple):
    """A local day, tax included.

    Attributes:
        day: The day.
        energy: What the energy cost; None where it is not known.
        standing: The day's share of standing charges.
        tariff: The tariff in force, None where there is none.
    """

    day: date
    energy: Decimal | None
    standing: Decimal
    tariff: str | None

    @property
    def total(self) -> Decimal | None:
        """Energy and standing charges; None where the energy is not known."""
        return None if self.energy is None else self.energy + self.standing


class MonthCost(NamedTuple):
    """A calendar month, or the part of it the log covers, tax included.

    Attributes:
        first: First day of it in the log.
        energy: Of the days that are known.
        standing: Of all days.
        lines: As on a bill; they add up to the total.
        unknown_days: Days whose energy is not known.
    """

    first: date
    energy: Decimal
    standing: Decimal
    lines: tuple[Line, ...]
    unknown_days: int

    @property
    def total(self) -> Decimal:
        """Energy and standing charges."""
        return self.energy + self.standing


class Costs(NamedTuple):
    """What the heat cost.

    Attributes:
        currency: ISO 4217.
        digits: Behind the point of a smallest unit.
        days: Every local day touched.
        months: Every month touched.
        price_kwh: What one kWh more costs in each interval, tax included, standing charges not;
            with tiers that of the tier the day ends in; NaN where there is no tariff (n,).
        notes: What a person should know.
    """

    currency: str
    digits: int
    days: tuple[DayCost, ...]
    months: tuple[MonthCost, ...]
    price_kwh: Floats
    notes: tuple[str, ...]

    @property
    def total(self) -> Decimal:
        """Of all months, energy not known left out."""
        return sum((month.total for month in self.months), half_up(Fraction(0), self.digits))


@dataclass(slots=True)
class OpenDay:
    """A day before anything is rounded; exact, before tax.

    Attributes:
        day: The day.
        tariff: What holds; None for none.
        known: Whether its energy is known.
        parts: Which price -> millionths of the tariff's unit, price for the unit.
        standing: Its share of standing charges.
    """

    day: date
    tariff: Tariff | None
    known: bool = False
    parts: dict[str, tuple[int, Fraction]] = field(default_factory=dict)
    standing: Fraction = Fraction(0)

    @property
    def energy(self) -> Fraction:
        """What the energy costs."""
        return sum((Fraction(n, MILLION) * price for n, price in self.parts.values()), Fraction(0))

    @property
    def taxed(self) -> Fraction:
        """What tax makes of 1."""
        return 1 + exact(self.tariff.tax if self.tariff else 0.0)


def billed(days: list[OpenDay], prices: Floats, currency: str, tariffs: Sequence[Tariff]) -> Costs:
    """Round days and months; see ``money_round`` for the rule.

    Args:
        days: In order.
        prices: Of a kWh more in each interval.
        currency: ISO 4217.
        tariffs: The shop's.
    """
    digits = digits_of(currency)
    months: dict[tuple[int, int], list[OpenDay]] = defaultdict(list)
    for one in days:
        months[one.day.year, one.day.month].append(one)
    shown: list[DayCost] = []
    sums: list[MonthCost] = []
    for of_month in months.values():
        rows = _days_of(of_month, digits)
        shown += rows
        zero = half_up(Fraction(0), digits)
        energy = sum((row.energy for row in rows if row.energy is not None), zero)
        standing = sum((row.standing for row in rows), zero)
        unknown = sum(row.energy is None for row in rows)
        lines = _lines(of_month, digits)
        sums.append(MonthCost(of_month[0].day, energy, standing, lines, unknown))
    notes = _notes(days, tariffs)
    return Costs(currency, digits, tuple(shown), tuple(sums), prices, notes)


def _is_known(one: OpenDay) -> bool:
    return one.known and one.tariff is not None


def _days_of(days: list[OpenDay], digits: int) -> list[DayCost]:
    exact_parts = [
        part
        for one in days
        for part in (one.energy * one.taxed if _is_known(one) else Fraction(0),
                     one.standing * one.taxed)
    ]  # fmt: skip
    parts = apportioned(exact_parts, digits)
    return [
        DayCost(
            one.day,
            energy if _is_known(one) else None,
            standing,
            one.tariff.id if one.tariff else None,
        )
        for one, energy, standing in zip(days, parts[::2], parts[1::2], strict=True)
    ]


def _lines(days: list[OpenDay], digits: int) -> tuple[Line, ...]:
    """Return a month as a bill shows it: prices, standing charges, tax."""
    amounts: dict[tuple[str, str, str, Fraction], int] = defaultdict(int)
    standing: dict[str, Fraction] = defaultdict(Fraction)
    tax = Fraction(0)
    for one in days:
        if one.tariff is None:
            continue
        standing[one.tariff.id] += one.standing
        net = one.standing
        if one.known:
            net += one.energy
            for what, (amount, price) in one.parts.items():
                amounts[one.tariff.id, what, one.tariff.per, price] += amount
        tax += net * (one.taxed - 1)
    priced = [(key, Fraction(n, MILLION)) for key, n in amounts.items()]
    charged = [(tariff, value) for tariff, value in standing.items() if value]
    costs = [key[3] * amount for key, amount in priced]
    costs += [value for _, value in charged]
    parts = apportioned([*costs, tax], digits)
    lines = [
        Line(tariff, what, half_up(amount, 3), per, half_up(price, 6).normalize(), part)
        for ((tariff, what, per, price), amount), part in zip(priced, parts, strict=False)
    ]
    for (tariff, _), part in zip(charged, parts[len(priced) :], strict=False):
        lines.append(Line(tariff, "standing charge", None, "", None, part))
    if tax:
        lines.append(Line("", "tax", None, "", None, parts[-1]))
    return tuple(lines)


def _notes(days: list[OpenDay], tariffs: Sequence[Tariff]) -> tuple[str, ...]:
    found = []
    bare = [one.day for one in days if one.tariff is None]
    if bare and tariffs:
        found.append(
            f"No tariff holds on {counted(len(bare), 'day')}, the first {bare[0]}: what they cost "
            "is not known. Add a [[tariff]] with valid_from."
        )
    tiered = [one for one in days if one.tariff is not None and one.tariff.tier]
    if tiered and days[0].day.day != 1 and (days[0].day.year, days[0].day.month) == (
        tiered[0].day.year, tiered[0].day.month
    ):  # fmt: skip
        found.append(
            f"Tiers of {days[0].day:%B %Y} count from {days[0].day} on: what was used before it in "
            "that month is not in the log."
        )
    holes = sorted({one.day.strftime("%B %Y") for one in tiered if not one.known})
    if holes:
        found.append(f"Tiers of {', '.join(holes)} count too little: some days are not known.")
    return tuple(found)
