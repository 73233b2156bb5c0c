"""What the heat cost: bands, tiers, standing charges, tax, tariffs that follow each other.

- Prices and sums are exact decimals. The amount used in a day and band is taken to a millionth of
  the tariff's unit.
- A month's total is rounded half up once, as on a bill; its days are parts of it (``money_round``)
  and a winter is the sum of its months. So days, months and the winter add up to the last digit.
- A charge for a month is spread evenly over its days, also where the tariff changes inside it.
- Tiers count what was used since the month began, under whatever tariff.
- A day of which less than 23 of 24 parts are known has no energy cost; its standing charge counts.
"""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from envmon.heating.fuel import unit_kwh
from envmon.heating.money_bill import (
    MILLION,
    Costs,
    DayCost,
    Line,
    MonthCost,
    OpenDay,
    billed,
)
from envmon.heating.money_round import exact
from envmon.heating.money_times import bands_at, date_of, minutes_of, pieces_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from fractions import Fraction

    from envmon.heating.model import Floats, Ints
    from envmon.heating.money_times import Pieces
    from envmon.shop.heat import HeatingInfo, Tariff

__all__ = ["Costs", "DayCost", "Line", "MonthCost", "cost", "tariff_on"]

KNOWN_SHARE = 23 / 24


def tariff_on(tariffs: Sequence[Tariff], day: date, fuel: str) -> int | None:
    """Return which tariff holds on a day: of those valid the one that began last, None for none."""
    valid = [
        (tariff.valid_from, number)
        for number, tariff in enumerate(tariffs)
        if (tariff.fuel or fuel) == fuel
        and tariff.valid_from <= day
        and (tariff.valid_to is None or day <= tariff.valid_to)
    ]
    return max(valid)[1] if valid else None


def cost(
    edges_us: Ints, kwh: Floats, tariffs: Sequence[Tariff], info: HeatingInfo, zone: str
) -> Costs:
    """Return what energy cost.

    An interval in which the price changes is shared by time.

    Args:
        edges_us: Rising times [µs] (n + 1,), such as minutes, hours or local days.
        kwh: Energy of the fuel, upper heating value [kWh] (n,); NaN where not known.
        tariffs: The shop's.
        info: The shop's ``[heating]``: fuel, heating value, currency.
        zone: Time zone of the shop.

    Raises:
        InputError: A tariff is for a unit that does not measure the fuel.
    """
    clocks = {minutes_of(c) for t in tariffs for band in t.band for c in (band.start, band.end)}
    pieces = pieces_of(edges_us, clocks, zone)
    book = _Book(
        pieces,
        np.asarray(kwh, dtype=float)[pieces.place] * pieces.share,
        np.diff(edges_us)[pieces.place] * pieces.share,
        tariffs,
        info,
    )
    days = [book.day(first, last) for first, last in _runs(pieces)]
    by_interval = np.zeros(len(kwh))
    np.add.at(by_interval, pieces.place, book.prices * pieces.share)
    return billed(days, by_interval, info.currency, tariffs)


@dataclass(slots=True)
class _Book:
    """Pieces with their energy [kWh] and length [µs], gone through day by day."""

    pieces: Pieces
    used: Floats
    length: Floats
    tariffs: Sequence[Tariff]
    info: HeatingInfo
    prices: Floats = field(init=False)
    bands: list[Ints] = field(init=False)
    counted: dict[tuple[int, int], float] = field(default_factory=lambda: defaultdict(float))

    def __post_init__(self) -> None:
        self.prices = np.full(len(self.used), np.nan)
        self.bands = [bands_at(self.pieces, tariff.band) for tariff in self.tariffs]

    def day(self, first: int, last: int) -> OpenDay:
        """Enter the pieces of a day."""
        day = date_of(self.pieces.day[first])
        number = tariff_on(self.tariffs, day, self.info.fuel)
        used, length = self.used[first:last], self.length[first:last]
        known = ~np.isnan(used)
        one = OpenDay(day, None if number is None else self.tariffs[number])
        one.known = float(length[known].sum() / length.sum()) >= KNOWN_SHARE
        used = np.where(known, used, 0.0)
        month = (day.year, day.month)
        if number is not None:
            one.standing = _standing(self.tariffs[number], day)
            unit = unit_kwh(self.tariffs[number].per, self.info)
            band = self.bands[number][first:last]
            prices = _priced(one, used / unit, band, self.counted[month] / unit)
            self.prices[first:last] = prices / unit
        self.counted[month] += float(used.sum())
        return one


def _runs(pieces: Pieces) -> list[tuple[int, int]]:
    """Return first and last place of each day's pieces."""
    edges = np.flatnonzero(np.diff(pieces.day)) + 1
    return list(zip([0, *edges.tolist()], [*edges.tolist(), len(pieces.day)], strict=True))


def _standing(tariff: Tariff, day: date) -> Fraction:
    days = monthrange(day.year, day.month)[1]
    return exact(tariff.standing_day) + exact(tariff.standing_month) / days


def _priced(one: OpenDay, amounts: Floats, band: Ints, before: float) -> Floats:
    """Fill in a day's parts; return the price of one unit more in each piece, tax included.

    Args:
        one: The day.
        amounts: Used in each piece, in the tariff's unit.
        band: The band of each piece.
        before: Used in the month before this day, in the tariff's unit.
    """
    tariff = one.tariff
    assert tariff is not None
    if tariff.tier:
        return np.full(len(amounts), _tiered(one, tariff, before, float(amounts.sum())))
    prices = np.empty(len(amounts))
    for number in np.unique(band):
        inside = band == number
        what, price = "", tariff.price
        if number >= 0:
            price = tariff.band[number].price
            what = f"{tariff.band[number].start}–{tariff.band[number].end}"
            what += "" if tariff.band[number].days == "all" else f" {tariff.band[number].days}"
        one.parts[what] = (round(float(amounts[inside].sum()) * MILLION), exact(price))
        prices[inside] = float(exact(price) * one.taxed)
    return prices


def _tiered(one: OpenDay, tariff: Tariff, before: float, amount: float) -> float:
    """Fill in a day's parts by tier; return the price the day ends at, tax included."""
    begin = round(before * MILLION)
    end = begin + round(amount * MILLION)
    steps = [0, *(round(tier.above * MILLION) for tier in tariff.tier)]
    names = ["", *(f"above {tier.above:g} {tariff.per}" for tier in tariff.tier)]
    prices = [tariff.price, *(tier.price for tier in tariff.tier)]
    last = exact(tariff.price)
    for number, (what, price) in enumerate(zip(names, prices, strict=True)):
        top = steps[number + 1] if number + 1 < len(steps) else max(end, steps[number])
        inside = max(0, min(end, top) - max(begin, steps[number]))
        if inside:
            one.parts[what] = (inside, exact(price))
        if end > steps[number]:
            last = exact(price)
    return float(last * one.taxed)
