"""The heating log of a span: days, months, winters, what the heat cost, and what is missing.

Everything is worked out from a ``Winter`` and the shop's ``[heating]``; nothing is read here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import HOUR_US
from envmon.errors import InputError
from envmon.heating.billing import bill_rows, overlaps
from envmon.heating.days import WHOLE_SHARE, base_c, days_between, rows_of
from envmon.heating.degree_days import degree_days
from envmon.heating.energy import HeatBy, energy_between
from envmon.heating.faults import by_text, span_faults
from envmon.heating.fuel import UNITS, heating_value, value_of_unit
from envmon.heating.missing import Given, Silent, missing_of
from envmon.heating.money import cost
from envmon.heating.sides import line_through, sides_of
from envmon.heating.signature import signature
from envmon.heating.spent import Scene, changes_by_bay, spent_of
from envmon.heating.sums import billed_days, months_of, sum_of, winters_of
from envmon.heating.versus import changes_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from envmon.heating.bay_heat import BayHeat
    from envmon.heating.billing import BillRow
    from envmon.heating.changes import Change
    from envmon.heating.days import Days
    from envmon.heating.fuel import HeatingValue
    from envmon.heating.model import DayRow, Ints, Winter
    from envmon.heating.money import Costs
    from envmon.heating.sides import Side
    from envmon.heating.signature import Signature
    from envmon.heating.spent import Spent
    from envmon.heating.sums import Sum
    from envmon.shop.heat import Heater, HeatingInfo, Tariff

CAUTIONS = (
    "This is no CO alarm and no gas detector: keep certified ones, tested, in every heated bay.",
    "Burners, flues, gas and mains wiring are for licensed trades only.",
    "Never block an air inlet or a flue; ventilation that solvents and engines need stays on.",
    "Safety data sheets and local codes come first.",
)


class HeatShop(NamedTuple):
    """What the shop file says of heat.

    Attributes:
        info: ``[heating]``.
        heaters: ``[[heater]]``.
        tariffs: ``[[tariff]]``.
    """

    info: HeatingInfo
    heaters: tuple[Heater, ...] = ()
    tariffs: tuple[Tariff, ...] = ()


@dataclass(frozen=True)
class HeatingLog:
    """A span of days, and what it comes to.

    Attributes:
        days: A row for each local day.
        months: Their sums by calendar month.
        winters: Their sums by heating year.
        whole: All of them added up.
        base_c: Base of the degree days [°C].
        degree_day_words: Base and method, to stand beside every number.
        fuel_unit: Unit of ``fuel``; empty without a meter.
        heating_value: What a unit of the meter holds, or else one that the bills go by; None where
            neither counts fuel.
        costs: What it cost by day and month.
        signature: Energy against the outdoors, since the last change where there was one; None
            where it cannot be told.
        signature_of: ``days`` or ``bills``: what the signature goes through.
        why_no_signature: Why there is none.
        changes: Days on which the building or its use changed.
        sides: A signature for each side of them; none without a change.
        bills: Bills that share days with the span.
        spent: What jobs, open doors and the building took.
        missing: What is not known and what would help, a sentence each.
        notes: What else a person should know.
        cautions: What keeps people safe where heat is the subject.
    """

    days: tuple[DayRow, ...]
    months: tuple[Sum, ...]
    winters: tuple[Sum, ...]
    whole: Sum
    base_c: float
    degree_day_words: str
    fuel_unit: str
    heating_value: HeatingValue | None
    costs: Costs
    signature: Signature | None
    signature_of: str
    why_no_signature: str
    changes: tuple[Change, ...]
    sides: tuple[Side, ...]
    bills: tuple[BillRow, ...]
    spent: Spent
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def heating_log(
    winter: Winter, shop: HeatShop, bays: Mapping[str, BayHeat] | None = None
) -> HeatingLog:
    """Return the log of a span.

    Args:
        winter: Everything it is worked out from.
        shop: What the shop file says of heat.
        bays: What each bay's heat goes by; what is usual for those that are not in it.

    Raises:
        InputError: A tariff or a meter does not fit the fuel.
    """
    found = days_between(winter, shop.info, shop.heaters)
    changed = changes_of(rows_of(winter, found))
    line = _through_days(found)
    sides = sides_of(found, changed)
    if any(side.found for side in sides):
        # What holds now is the last side's line; one through both sides never held.
        line = _Line(next(side.found for side in reversed(sides) if side.found), "days", "")
    balance_c = line.found.change_point_c if line.found else None
    found = _on_base(found, winter, shop.info, balance_c)
    edges, costs = costs_of(winter, shop, found)
    rows = tuple(rows_of(winter, found, [_money(day.total) for day in costs.days]))
    bills = bill_rows(winter.bills, rows, shop.info)
    if line.found is None:
        line = _through_bills(bills, line, shop.info)
    heat = HeatBy(shop.info, shop.heaters, found.runs)
    scene = Scene(winter, heat, edges, costs.price_kwh, bays or {}, changed)
    changed = changes_by_bay(scene, found)
    spent = spent_of(scene._replace(changes=changed), found)
    worked = _Worked(winter, found, rows, costs, bills, spent, changed, sides)
    return _put_together(shop, worked, line)


class _Worked(NamedTuple):
    """What a log is put together from."""

    winter: Winter
    days: Days
    rows: tuple[DayRow, ...]
    costs: Costs
    bills: tuple[BillRow, ...]
    spent: Spent
    changes: tuple[Change, ...]
    sides: tuple[Side, ...]


class _Line(NamedTuple):
    """The signature and what it goes through, or why there is none."""

    found: Signature | None
    of: str
    why: str


def _through_days(days: Days) -> _Line:
    """Return the signature of the days that are known whole."""
    if days.outdoor is None:
        return _Line(None, "", "outdoor temperatures are not known")
    if days.energy.kind == "unknown":
        return _Line(None, "", "the energy of the days is not known")
    try:
        found = line_through(days)
    except InputError as error:
        return _Line(None, "", str(error))
    return _Line(found, "days", "")


def _value_of_bills(bills: Sequence[BillRow], info: HeatingInfo) -> HeatingValue | None:
    """Return the heating value the bills' energy rests on; None where they are of energy."""
    values = [value_of_unit(row.bill.unit, info) for row in bills if row.energy_kwh is not None]
    return next((value for value in values if value.unit != "kWh"), None)


def _through_bills(bills: Sequence[BillRow], line: _Line, info: HeatingInfo) -> _Line:
    """Return the signature of bills, a point for each; the one there was where they tell none."""
    known = [row for row in bills if row.energy_kwh is not None and row.outdoor_mean_c is not None]
    days = np.array([row.days for row in known], dtype=float)
    energy = np.array([row.energy_kwh for row in known], dtype=float) / np.maximum(days, 1)
    outdoor = np.array([row.outdoor_mean_c for row in known], dtype=float)
    try:
        return _Line(signature(outdoor, energy, info.efficiency, days), "bills", "")
    except InputError as error:
        why = str(error).replace(" days have", " bills have", 1)
        return _Line(None, "", why) if known else line


def _on_base(days: Days, winter: Winter, info: HeatingInfo, balance_c: float | None) -> Days:
    """Return the days with degree days on the shop's own balance point, where it asks for that."""
    if info.base != "balance" or balance_c is None or winter.outdoor_c is None:
        return days
    base, edges = base_c(info, balance_c), days.local.edges_us
    found = degree_days(winter.outdoor_c, winter.start_us, edges, base, info.method)
    return days._replace(degree_days=found)


def costs_of(winter: Winter, shop: HeatShop, days: Days) -> tuple[Ints, Costs]:
    """Return what the energy cost, with the hours it was worked out by [µs] (h + 1,).

    Where no price changes within a day a day's energy is spread over its hours, so that a day
    whose hours are not known still has its cost.

    Args:
        winter: Everything it is worked out from.
        shop: What the shop file says of heat.
        days: The days worked out.
    """
    of_days = days.local.edges_us
    edges = np.arange(of_days[0], of_days[-1] + 1, HOUR_US, dtype=np.int64)
    if any(tariff.band for tariff in shop.tariffs):
        heat = HeatBy(shop.info, shop.heaters, days.runs)
        kwh = energy_between(winter, heat, edges).energy_kwh
    else:
        whole = np.where(days.energy.share >= WHOLE_SHARE, days.energy.energy_kwh, np.nan)
        place = np.searchsorted(of_days, edges[:-1], "right") - 1
        kwh = (whole / days.local.hours)[place]
    return edges, cost(edges, kwh, shop.tariffs, shop.info, winter.zone)


def _money(amount: Decimal | None) -> float | None:
    return None if amount is None else float(amount)


def _put_together(shop: HeatShop, of: _Worked, line: _Line) -> HeatingLog:
    quantity, info, rows, bills = of.days.energy.quantity, shop.info, of.rows, of.bills
    billed = billed_days(
        [row.bill for row in bills], [row.energy_kwh for row in bills], of.costs.digits
    )
    whole = sum_of(rows, billed)
    degrees = of.days.degree_days
    metered = heating_value(quantity, info) if quantity and quantity != "energy_kwh" else None
    value = metered or _value_of_bills(bills, info)
    shared = overlaps([row.bill for row in bills])
    notes = (of.winter.outdoor_note, *shared, *of.costs.notes, *span_faults(of.days),
             *by_text((row.day, row.faults) for row in rows))  # fmt: skip
    return HeatingLog(
        days=rows,
        months=months_of(rows, billed),
        winters=winters_of(rows, billed, info.winter_from),
        whole=whole,
        base_c=degrees.base_c if degrees else base_c(info, None),
        degree_day_words=degrees.words if degrees else "",
        fuel_unit=UNITS[quantity] if metered else "",
        heating_value=value,
        costs=of.costs,
        signature=line.found,
        signature_of=line.of,
        why_no_signature=line.why,
        changes=of.changes,
        sides=of.sides,
        bills=bills,
        spent=of.spent,
        missing=missing_of(whole, rows, _given(shop, of)),
        notes=tuple(note for note in notes if note),
    )


def _given(shop: HeatShop, of: _Worked) -> Given:
    """Return what the shop file offers for what is missing."""
    every_min = of.winter.air_every_min
    silent = [
        Silent(bay, every_min.get(bay, 0))
        for bay in of.days.run
        if of.days.runs[bay].kind == "unknown"
    ]
    return Given(bool(shop.tariffs), shop.heaters, silent)
