"""A log against the one of a year before: the whole of it, and month by month."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.heating.billed_versus import compare_bills
from envmon.heating.billed_versus import said as billed_said
from envmon.heating.billing import BillRow
from envmon.heating.changes import changes
from envmon.heating.compare import Days, compare, in_short, said
from envmon.heating.model import Bill
from envmon.heating.sums import winter_name, winter_year
from envmon.heating.words import Words, month_name

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.heating.billed_versus import BilledVersus
    from envmon.heating.changes import Change
    from envmon.heating.compare import Comparison
    from envmon.heating.log import HeatingLog
    from envmon.heating.model import DayRow
    from envmon.heating.sides import Side
    from envmon.heating.sums import Sum
    from envmon.units import UnitSystem


class Versus(NamedTuple):
    """A time against an earlier one.

    Attributes:
        what: The later time, such as ``January 2026``.
        than: The earlier one.
        found: How they compare; None where they cannot be.
        text: The same as a sentence, or why they cannot be compared.
        inside: Days within either on which the building or its use changed.
        billed: How their bills compare, where nothing else is known; None otherwise.
    """

    what: str
    than: str
    found: Comparison | None
    text: str
    inside: tuple[date, ...] = ()
    billed: BilledVersus | None = None


def versus(
    after: HeatingLog, before: HeatingLog | None, winter_from: int, units: UnitSystem = "metric"
) -> tuple[Versus, ...]:
    """Return how a log compares with an earlier one, the whole first, then its months.

    Args:
        after: The log.
        before: That of the year before; None where nothing is kept of it.
        winter_from: First month of a heating year.
        units: The shop's, for the words.
    """
    if before is None:
        return ()
    names = [
        f"winter {winter_name(winter_year(log.days[len(log.days) // 2].day, winter_from))}"
        for log in (after, before)
    ]
    whole = _one(names[0], names[1], known_days(before), known_days(after), units)
    if whole.found is None:
        whole = _by_bills(whole, after, before, units)
    return (_changed(whole, after, before), *_months(after, before, units))


def _by_bills(whole: Versus, after: HeatingLog, before: HeatingLog, units: UnitSystem) -> Versus:
    """Return whole winters by their bills, where these say more than what is there already."""
    found = compare_bills(as_bills(before), as_bills(after))
    if found is None:
        return whole
    words = Words(units, after.costs.currency, after.costs.digits)
    return whole._replace(billed=found, text=billed_said(found, whole.than, words))


def as_bills(log: HeatingLog) -> Sequence[BillRow]:
    """Return a log's bills; its months, where energy is known of days, that are known whole."""
    if not any(row.energy_kwh is not None for row in log.days):
        return log.bills
    return [_as_bill(one) for one in log.months if one.known["energy_kwh"] == one.days]


def _as_bill(one: Sum) -> BillRow:
    cost, degree_days = (
        getattr(one, name) if one.known[name] == one.days else None
        for name in ("cost", "degree_days")
    )
    bill = Bill(one.first, one.last, None, "", cost)
    return BillRow(bill, one.days, one.energy_kwh, one.outdoor_mean_c, degree_days, None)


def _changed(whole: Versus, after: HeatingLog, before: HeatingLog) -> Versus:
    """Return how whole winters compare, with what is to be said of changes inside them."""
    text = whole.text
    if before.changes:
        text += f" Inside {whole.than} something changed ({_days_of(before.changes)}): "
        text += _by_last(before, after)
    if after.changes:
        held = "; ".join(_side(side, after, before) for side in after.sides)
        text += f" Inside {whole.what} something changed ({_days_of(after.changes)}): {held}."
    inside = tuple(one.day for one in (*before.changes, *after.changes))
    return whole._replace(text=text, inside=inside)


def _by_last(before: HeatingLog, after: HeatingLog) -> str:
    """Return how a winter compares with the last side of one before, in short."""
    last = before.sides[-1]
    try:
        found = compare(known_days(before, last.first, last.last), known_days(after))
    except InputError:
        return "what is compared with is a mean of both ways."
    since = f"{last.first.day} {last.first:%b}"
    return f"by what held from {since} on {in_short(found)}; all of it is a mean of both ways."


def _days_of(changed: Sequence[Change]) -> str:
    return ", ".join(f"about {one.day.day} {one.day:%b %Y}" for one in changed)


def _side(side: Side, log: HeatingLog, before: HeatingLog) -> str:
    """Return how the days on one side of a change compare with a winter before, in short."""
    when = f"{side.first.day} {side.first:%b} to {side.last.day} {side.last:%b}"
    try:
        found = compare(known_days(before), known_days(log, side.first, side.last))
    except InputError:
        return f"{when} cannot be compared"
    return f"{when} {in_short(found)}"


def _months(after: HeatingLog, before: HeatingLog, units: UnitSystem) -> Iterable[Versus]:
    earlier = {month.first.month: month for month in before.months}
    for month in after.months:
        was = earlier.get(month.first.month)
        if was is None or not month.known["energy_kwh"] or not was.known["energy_kwh"]:
            continue
        days = [known_days(log, of.first, of.last) for log, of in ((before, was), (after, month))]
        one = _one(month_name(month.first), month_name(was.first), days[0], days[1], units)
        inside = [
            change.day
            for log, of in ((before, was), (after, month))
            for change in log.changes
            if of.first < change.day <= of.last
        ]
        said = "".join(
            f" Inside, about {day.day} {day:%b %Y}, something changed." for day in inside
        )
        yield one._replace(text=one.text + said, inside=tuple(inside))


def _one(what: str, than: str, before: Days, after: Days, units: UnitSystem) -> Versus:
    if not np.isfinite(after.energy_kwh).any():
        return Versus(what, than, None, f"{what} cannot be compared: its energy is not known.")
    try:
        found = compare(before, after)
    except InputError as error:
        return Versus(what, than, None, f"{than} cannot be compared with: {error}.")
    return Versus(what, than, found, said(found, than, units))


def known_days(log: HeatingLog, first: date = date.min, last: date = date.max) -> Days:
    """Return the days of a log that are known whole; its bills where no day's energy is known.

    Args:
        log: The log.
        first: First day wanted.
        last: Last day wanted.
    """
    rows = [row for row in log.days if first <= row.day <= last]
    if not any(row.energy_kwh is not None for row in rows):
        return _billed([row for row in log.bills if first <= row.bill.first <= last])
    return _of_rows(rows)


def _of_rows(rows: Sequence[DayRow]) -> Days:
    indoor_c = _column(row.indoor_mean_c for row in rows)
    return Days(
        _column(row.outdoor_mean_c if not row.partial else None for row in rows),
        _column(row.energy_kwh if not row.partial else None for row in rows),
        None if np.isnan(indoor_c).all() else indoor_c,
    )


def _billed(bills: Sequence[BillRow]) -> Days:
    kwh = [None if row.energy_kwh is None else row.energy_kwh / row.days for row in bills]
    return Days(
        _column(row.outdoor_mean_c for row in bills),
        _column(kwh),
        None,
        np.array([float(row.days) for row in bills]),
    )


def _column(values: Iterable[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def changes_of(rows: Sequence[DayRow]) -> tuple[Change, ...]:
    """Return days on which the building or its use changed; weekends and washes are allowed for.

    Args:
        rows: Days in order, none left out.
    """
    if not any(row.energy_kwh is not None for row in rows):
        return ()
    days = _of_rows(rows)
    weekend = [float(row.day.weekday() >= 5) for row in rows]
    others = np.vstack((weekend, [float(row.washes) for row in rows]))
    dates = [row.day for row in rows]
    return tuple(changes(dates, days.outdoor_c, days.energy_kwh, others, days.indoor_c))
