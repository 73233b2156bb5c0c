"""Numbers of the heating log as a person reads them: the shop's units, its currency, local days."""

from __future__ import annotations

import math
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from envmon.units import UnitSystem

UNKNOWN = "—"
THIN = "\u202f"
_FOOT3_M3 = 0.028316846592
_GALLON_L = 3.785411784
_MOST_DAYS = 6
BTU_H_F = 1.8956342
"""One W/K [BTU/(h·°F)]: 3.41214163 over 1.8 (from memory)."""


class Words(NamedTuple):
    """How a shop reads its log.

    Attributes:
        units: The shop's units.
        currency: ISO 4217.
        digits: Of its smallest unit behind the point.
    """

    units: UnitSystem
    currency: str
    digits: int = 2

    @property
    def us(self) -> bool:
        """Whether people read US units."""
        return self.units == "us"

    @property
    def temp_unit(self) -> str:
        """Unit of temperatures."""
        return "°F" if self.us else "°C"

    @property
    def degree_day_unit(self) -> str:
        """Unit of degree days."""
        return "°F·d" if self.us else "K·d"

    @property
    def loss_unit(self) -> str:
        """Unit of a heat loss."""
        return "BTU/(h·°F)" if self.us else "W/K"

    def temp_value(self, celsius: float) -> float:
        """Return a temperature [°C] as a number in the shop's unit."""
        return celsius * 1.8 + 32 if self.us else celsius

    def celsius(self, shown: float) -> float:
        """Return a number in the shop's unit as a temperature [°C]."""
        return (shown - 32) / 1.8 if self.us else shown

    def temp(self, value: float | None) -> str:
        """Return a temperature [°C] without its unit."""
        if value is None:
            return UNKNOWN
        return format_value(value, QUANTITIES["air_temp_c"], self.units, unit=False)

    def degree_days(self, value: float | None, decimals: int = 1) -> str:
        """Return degree days [K·d] without their unit."""
        return number(None if value is None else value * (1.8 if self.us else 1.0), decimals)

    def per_degree_day(self, value: float | None) -> str:
        """Return energy over degree days [kWh/(K·d)]."""
        return number(None if value is None else value / (1.8 if self.us else 1.0), 2)

    def loss(self, value: float | None) -> str:
        """Return a heat loss [W/K] without its unit."""
        return number(None if value is None else value * (BTU_H_F if self.us else 1.0), 0)

    def money(self, value: float | None, *, currency: bool = True) -> str:
        """Return an amount of money."""
        if value is None:
            return UNKNOWN
        return (
            f"{self.currency} {number(value, self.digits)}"
            if currency
            else number(value, self.digits)
        )

    def about_money(self, value: float) -> str:
        """Return an amount of money that is an estimate."""
        return f"{self.currency} {about(value, self.digits)}"

    def fuel(self, value: float | None, unit: str) -> str:
        """Return an amount of fuel without its unit."""
        factor = {"m3": 1 / _FOOT3_M3, "l": 1 / _GALLON_L}.get(unit, 1.0) if self.us else 1.0
        return number(None if value is None else value * factor, 1)

    def fuel_unit(self, unit: str) -> str:
        """Return the unit a fuel is read in."""
        if self.us:
            return {"m3": "ft³", "l": "gal"}.get(unit, unit)
        return {"m3": "m³"}.get(unit, unit)


def number(value: float | None, decimals: int = 0) -> str:
    """Return a number with thin spaces between thousands; a dash for None."""
    if value is None:
        return UNKNOWN
    text = f"{value:,.{decimals}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("-")
    return text.replace(",", THIN).replace("-", "−")


def about(value: float, decimals: int = 1) -> str:
    """Return an estimate with two digits that count: 880 for 878.65, 3.2 for 3.24.

    Args:
        value: The estimate.
        decimals: Behind the point at most.
    """
    text = f"{value:.2g}"  # 9.97 is 10, not 10.0
    behind = len(text.partition(".")[2]) if "e" not in text else 0
    return number(float(text), min(decimals, behind))


def supported(value: float, half: float) -> float:
    """Return an estimate with two digits that count, and none finer than two of its range's.

    Args:
        value: The estimate; nothing behind the point stays.
        half: Half its range.

    Source: JCGM 100:2008 (GUM), 7.2.6: an uncertainty has two digits at most, and what it is of
    is rounded with it.
    """
    ends = [abs(one) for one in (value, half) if one]
    finest = max((math.floor(math.log10(one)) - 1 for one in ends), default=0)
    return round(value, -max(finest, 0))


def percent(share: float, decimals: int = 0) -> str:
    """Return ``12 %`` for 0.12."""
    return f"{number(100 * share, decimals)} %"


def day_name(day: date) -> str:
    """Return ``Tue 27 Jan``."""
    return f"{day:%a} {day.day} {day:%b}"


def full_day(day: date) -> str:
    """Return ``27 January 2026``."""
    return f"{day.day} {day:%B %Y}"


def short_days(days: Sequence[date]) -> str:
    """Return ``3, 4 and 8 Feb``, or how many and from when to when; in order, at least one."""
    if len(days) > _MOST_DAYS:
        return f"{len(days)} days from {days[0].day} {days[0]:%b} to {days[-1].day} {days[-1]:%b}"
    by_month = [list(of) for _, of in groupby(days, key=lambda day: (day.year, day.month))]
    return joined([f"{joined([str(day.day) for day in of])} {of[0]:%b}" for of in by_month])


def month_name(day: date) -> str:
    """Return ``January 2026``."""
    return f"{day:%B %Y}"


def counted(count: int, one: str, more: str = "") -> str:
    """Return ``1 day`` or ``12 days``.

    Args:
        count: How many.
        one: The word for one.
        more: For several, where an s does not make it.
    """
    return f"{number(count)} {one if count == 1 else more or f'{one}s'}"


def joined(names: Sequence[str]) -> str:
    """Return ``north, south and hall``."""
    return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))
