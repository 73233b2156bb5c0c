"""A heating log with everything that follows from it, and all of it as one document.

Table, CSV, paper and board are drawn from the document, so that all of them say the same.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from envmon.heating.changes import said as change_said
from envmon.heating.versus import changes_of, versus

if TYPE_CHECKING:
    from envmon.heating.billing import BillRow
    from envmon.heating.changes import Change
    from envmon.heating.log import HeatingLog
    from envmon.heating.money import Costs, MonthCost
    from envmon.heating.signature import Signature
    from envmon.heating.sums import Sum
    from envmon.heating.versus import Versus
    from envmon.shop.heat import HeatingInfo
    from envmon.shop.models import Shop

KIND, VERSION = "envmon heating log", 1


class HeatingReport(NamedTuple):
    """A log and what follows from it.

    Attributes:
        log: The log.
        before: That of the year before; None where nothing is kept of it.
        versus: How they compare, the whole first, then month by month.
        changes: Days on which the building or its use changed.
    """

    log: HeatingLog
    before: HeatingLog | None
    versus: tuple[Versus, ...]
    changes: tuple[Change, ...]


def report_of(log: HeatingLog, before: HeatingLog | None, info: HeatingInfo) -> HeatingReport:
    """Return a log with what follows from it.

    Args:
        log: The log.
        before: That of the year before, or None.
        info: The shop's ``[heating]``.
    """
    return HeatingReport(log, before, versus(log, before, info.winter_from), changes_of(log))


def document_of(report: HeatingReport, shop: Shop) -> dict[str, Any]:
    """Return the whole report as JSON types, SI throughout.

    Args:
        report: The report.
        shop: The shop file.
    """
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
        "before": _before(report.before),
        "comparisons": [_versus(one) for one in report.versus],
        "changes": [_change(one) for one in report.changes],
        "bills": [_bill(row) for row in log.bills],
        "missing": list(log.missing),
        "notes": list(log.notes),
        "cautions": list(log.cautions),
    }  # fmt: skip


def _fuel(log: HeatingLog, info: HeatingInfo) -> dict[str, Any]:
    value = log.heating_value
    return {
        "fuel": info.fuel,
        "unit": log.fuel_unit,
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
    }


def _versus(one: Versus) -> dict[str, Any]:
    found = one.found
    numbers = {} if found is None else {**found._asdict(), "within": list(found.within)}
    return {"what": one.what, "than": one.than, "text": one.text, **numbers}


def _change(one: Change) -> dict[str, Any]:
    days = {name: value.isoformat() for name, value in one._asdict().items()
            if isinstance(value, date)}  # fmt: skip
    return {**one._asdict(), **days, "within": list(one.within), "text": change_said(one)}


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
