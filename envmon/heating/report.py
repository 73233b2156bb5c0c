"""A heating log with everything that follows from it, and all of it as one document.

Table, CSV, paper and board are drawn from the document, so that all of them say the same.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from envmon.clock import iso_from_us
from envmon.heating.changes import said as change_said
from envmon.heating.money_round import apportioned
from envmon.heating.tidy import DECIMALS, tidy
from envmon.heating.versus import versus
from envmon.heating.whereto import Part, Waterfall

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from envmon.heating.ahead import Ahead
    from envmon.heating.billed_versus import BilledVersus
    from envmon.heating.billing import BillRow
    from envmon.heating.changes import Change
    from envmon.heating.log import HeatingLog
    from envmon.heating.money import Costs, MonthCost
    from envmon.heating.sides import Side
    from envmon.heating.signature import Signature
    from envmon.heating.spent import Spent
    from envmon.heating.sums import Sum
    from envmon.heating.versus import Versus
    from envmon.shop.heat import HeatingInfo
    from envmon.shop.models import Shop
    from envmon.units import UnitSystem

KIND, VERSION = "envmon heating log", 1


class HeatingReport(NamedTuple):
    """A log and what follows from it.

    Attributes:
        log: The log.
        before: That of the year before; None where nothing is kept of it.
        versus: How they compare, the whole first, then month by month.
        ahead: The next morning of each bay; nothing for a time that is over.
    """

    log: HeatingLog
    before: HeatingLog | None
    versus: tuple[Versus, ...]
    ahead: tuple[Ahead, ...] = ()


def report_of(
    log: HeatingLog, before: HeatingLog | None, info: HeatingInfo, units: UnitSystem = "metric"
) -> HeatingReport:
    """Return a log with what follows from it.

    Args:
        log: The log.
        before: That of the year before, or None.
        info: The shop's ``[heating]``.
        units: The shop's, for the words.
    """
    return HeatingReport(log, before, versus(log, before, info.winter_from, units))


def document_of(report: HeatingReport, shop: Shop) -> dict[str, Any]:
    """Return the whole report as JSON types, SI throughout, without tails of binary arithmetic.

    Args:
        report: The report.
        shop: The shop file.
    """
    found: dict[str, Any] = tidy(_document(report, shop))
    return found


def _document(report: HeatingReport, shop: Shop) -> dict[str, Any]:
    log, info = report.log, shop.heating
    return {
        "document": KIND,
        "version": VERSION,
        "shop": {
            "name": shop.shop.name, "site": shop.shop.site, "timezone": shop.shop.timezone,
            "units": shop.shop.units,
        },
        "first": log.days[0].day.isoformat(),
        "last": log.days[-1].day.isoformat(),
        "fuel": _fuel(log, info),
        "degree_days": {
            "base_c": log.base_c, "method": info.method, "words": log.degree_day_words,
            "balance_asked": info.base == "balance",
        },
        "whole": _sum(log.whole),
        "winters": [_sum(one) for one in log.winters],
        "months": [_sum(one) for one in log.months],
        "days": [msgspec.to_builtins(day) for day in log.days],
        "costs": _costs(log.costs),
        "signature": _signature(log.signature, log.signature_of),
        "why_no_signature": log.why_no_signature,
        "sides": [_side(one, log.signature_of) for one in log.sides],
        "before": _before(report.before),
        "comparisons": [_versus(one) for one in report.versus],
        "changes": [_change(one, {bay.id: bay.name for bay in shop.bay}) for one in log.changes],
        "ahead": [_ahead(one) for one in report.ahead],
        "bills": [_bill(row) for row in log.bills],
        **_spent(log.spent),
        "missing": list(log.missing),
        "notes": list(log.notes),
        "cautions": list(log.cautions),
    }  # fmt: skip


def _fuel(log: HeatingLog, info: HeatingInfo) -> dict[str, Any]:
    value = log.heating_value
    return {
        "fuel": info.fuel,
        "unit": log.fuel_unit,
        "heating_value_unit": value.unit if value else "",
        "heating_value_kwh": value.kwh if value else None,
        "heating_value_source": value.source if value else "",
        "efficiency": info.efficiency,
        "currency": info.currency,
    }


def _sum(one: Sum) -> dict[str, Any]:
    found: dict[str, Any] = msgspec.to_builtins(one)
    return found


def _costs(costs: Costs) -> dict[str, Any]:
    return {
        "currency": costs.currency,
        "digits": costs.digits,
        "total": float(costs.total),
        "months": [_month(month) for month in costs.months],
    }


def _month(month: MonthCost) -> dict[str, Any]:
    lines = [
        {
            "tariff": line.tariff, "what": line.what, "per": line.per, "cost": float(line.cost),
            "amount": None if line.amount is None else float(line.amount),
            "price": None if line.price is None else float(line.price),
        }
        for line in month.lines
    ]  # fmt: skip
    return {
        "first": month.first.isoformat(),
        "energy": float(month.energy),
        "standing": float(month.standing),
        "total": float(month.total),
        "unknown_days": month.unknown_days,
        "lines": lines,
    }


_LEFT_OUT = {"spread", "apart", "free"}


def _signature(one: Signature | None, of: str) -> dict[str, Any] | None:
    if one is None:
        return None
    found = {name: value for name, value in one._asdict().items() if name not in _LEFT_OUT}
    within = {name: list(value) for name, value in found.items() if isinstance(value, tuple)}
    return {**found, **within, "of": of, "days_apart": len(one.apart)}


def _side(one: Side, of: str) -> dict[str, Any]:
    days = {name: value.isoformat() for name, value in one._asdict().items()
            if isinstance(value, date)}  # fmt: skip
    return {"early": None, "late": None, **days, "why": one.why, "line": _signature(one.found, of)}


def _before(log: HeatingLog | None) -> dict[str, Any] | None:
    if log is None:
        return None
    return {
        "first": log.days[0].day.isoformat(),
        "last": log.days[-1].day.isoformat(),
        "whole": _sum(log.whole),
        "months": [_sum(one) for one in log.months],
        "signature": _signature(log.signature, log.signature_of),
        "bills": [_bill(row) for row in log.bills],
        "points": [
            [day.outdoor_mean_c, day.energy_kwh]
            for day in log.days
            if None not in {day.outdoor_mean_c, day.energy_kwh} and not day.partial
        ],
    }


def _versus(one: Versus) -> dict[str, Any]:
    found = one.found
    numbers = {} if found is None else {**found._asdict(), "within": list(found.within)}
    return {
        "what": one.what, "than": one.than, "text": one.text,
        "inside": [day.isoformat() for day in one.inside], "billed": _billed(one.billed), **numbers,
    }  # fmt: skip


def _billed(one: BilledVersus | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {**one._asdict(), "now": one.now._asdict(), "was": one.was._asdict()}


def _ahead(one: Ahead) -> dict[str, Any]:
    return {
        **one._asdict(),
        "ready": iso_from_us(one.ready_us),
        "start": None if one.start_us is None else iso_from_us(one.start_us),
    }


def _change(one: Change, names: Mapping[str, str]) -> dict[str, Any]:
    days = {name: value.isoformat() for name, value in one._asdict().items()
            if isinstance(value, date)}  # fmt: skip
    return {**one._asdict(), **days, "within": list(one.within), "bays": list(one.bays),
            "text": change_said(one, names)}  # fmt: skip


def _spent(spent: Spent) -> dict[str, Any]:
    known = [one for one in spent.openings if one.kwh is not None]
    return {
        "where": [_waterfall(one) for one in (*together(spent.where), *spent.where)],
        "jobs": [{**_plain(one._asdict()), "within": _ends(one.within)} for one in spent.jobs],
        "openings": {
            "count": len(spent.openings),
            "known": len(known),
            "hours": sum(one.minutes for one in spent.openings) / 60,
            "kwh": sum(one.kwh or 0.0 for one in known) if known else None,
            "cost": _total([one.cost for one in known]),
            "rests": "; ".join(sorted({one.rests for one in known})),
        },
    }


def _total(costs: Sequence[Decimal | None]) -> float | None:
    known = [one for one in costs if one is not None]
    return float(sum(known)) if known and len(known) == len(costs) else None


def _waterfall(one: Waterfall) -> dict[str, Any]:
    kwh = apportioned([Fraction(part.kwh) for part in one.parts], DECIMALS)
    parts = [
        {
            **_plain(part._asdict()),
            "kwh": float(adds_up),
            "within": list(part.within),
            "text": part.text(one.heat_kwh),
        }
        for part, adds_up in zip(one.parts, kwh, strict=True)
    ]
    return {**one._asdict(), "parts": parts, "caution": one.caution}


def _plain(of: dict[str, Any]) -> dict[str, Any]:
    return {name: float(value) if isinstance(value, Decimal) else value
            for name, value in of.items()}  # fmt: skip


def _ends(within: tuple[float, float] | None) -> list[float] | None:
    return None if within is None else list(within)


def together(waterfalls: Sequence[Waterfall]) -> list[Waterfall]:
    """Return the bays' waterfalls as one, for a shop of several; its bay is empty.

    Args:
        waterfalls: A bay each.
    """
    if len(waterfalls) < 2:
        return []
    names = list(dict.fromkeys(part.what for one in waterfalls for part in one.parts[:-1]))
    parts = [
        _joined(name, [part for one in waterfalls for part in one.parts if part.what == name])
        for name in (*names, "rest")
    ]
    heat_kwh = sum(one.heat_kwh for one in waterfalls)
    return [Waterfall("", heat_kwh, min(one.known_share for one in waterfalls), tuple(parts))]


def _joined(name: str, parts: Sequence[Part]) -> Part:
    """Return parts as one; their ranges are taken as independent of each other."""
    kwh = sum(part.kwh for part in parts)
    low, high = (sum((part.within[end] - part.kwh) ** 2 for part in parts) ** 0.5 for end in (0, 1))
    costs = [part.cost for part in parts if part.cost is not None]
    cost = sum(costs, Decimal(0)) if len(costs) == len(parts) else None
    rests = "; ".join(dict.fromkeys(part.rests for part in parts))
    return Part(name, kwh, (kwh - low, kwh + high), rests, cost)


def _bill(row: BillRow) -> dict[str, Any]:
    return {
        "first": row.bill.first.isoformat(),
        "last": row.bill.last.isoformat(),
        "amount": row.bill.amount,
        "unit": row.bill.unit,
        "cost": row.bill.cost,
        "days": row.days,
        "energy_kwh": row.energy_kwh,
        "outdoor_mean_c": row.outdoor_mean_c,
        "degree_days": row.degree_days,
        "metered_kwh": row.metered_kwh,
    }
