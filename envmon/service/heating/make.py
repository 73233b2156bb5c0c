"""The heating report of a span, from everything kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.heating.ahead import mornings_ahead
from envmon.heating.bay_heat import bay_heat
from envmon.heating.local import day_starts_us
from envmon.heating.log import HeatShop, heating_log
from envmon.heating.report import report_of
from envmon.heating.sums import winter_year
from envmon.heating.words import Words, full_day, joined
from envmon.service.heating.ahead import learned_of, night_of
from envmon.service.heating.bills import bills_kept
from envmon.service.heating.read import winter_of
from envmon.service.span import local_from_us

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from envmon.guard.plan import GuardPlan
    from envmon.heating.bay_heat import BayHeat
    from envmon.heating.report import HeatingReport
    from envmon.shop.models import Shop
    from envmon.store.past import Past

LONGEST_DAYS = 1_100
"""Three years; a log is of a winter or two."""
MOST_YEARS = 6
"""So many winters are offered on the board."""


class DaySpan(NamedTuple):
    """Local days from ``first`` to before ``end``."""

    first: date
    end: date

    def us(self, zone: str) -> tuple[int, int]:
        """Return start and end [µs, UTC]."""
        return day_starts_us(self.first, zone), day_starts_us(self.end, zone)

    @property
    def year_before(self) -> DaySpan:
        """The same dates a year earlier; 29 February becomes the 28th."""
        return DaySpan(_year_before(self.first), _year_before(self.end))


def _year_before(day: date) -> date:
    last = day - timedelta(days=1) if (day.month, day.day) == (2, 29) else day
    return last.replace(year=day.year - 1)


def span_from(since: str, until: str) -> DaySpan:
    """Return the days a person asked for; ``until`` is the day it ends before.

    Raises:
        InputError: They are no such days.
    """
    first, end = _day(since, "from"), _day(until, "to")
    if end <= first:
        raise InputError(
            f"--to is {end}, not after --from {first}; it is the day the log ends before"
        )
    if (end - first).days > LONGEST_DAYS:
        raise InputError(f"{first} to {end} are {(end - first).days} days; allowed: {LONGEST_DAYS}")
    return DaySpan(first, end)


def _day(text: str, name: str) -> date:
    try:
        day = date.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(f"--{name} is {text!r}; allowed is a date, such as 2026-01-27") from error
    if not 1972 <= day.year <= 2198:
        raise InputError(f"--{name} is {text!r}; allowed are dates from 1972 to 2198")
    return day


def this_winter(now_us: int, shop: Shop) -> DaySpan:
    """Return the heating year of a moment [µs], up to its day."""
    today = local_from_us(now_us, shop.shop.timezone).date()
    month = shop.heating.winter_from
    first = date(winter_year(today, month), month, 1)
    return DaySpan(first, today + timedelta(days=1))


def make_report(
    past: Past, shop: Shop, plan: GuardPlan, span: DaySpan, now_us: int | None = None
) -> HeatingReport:
    """Return the heating report of a span, held against the same days a year before.

    Args:
        past: Everything kept.
        shop: The shop file.
        plan: The same, compiled.
        span: Which days.
        now_us: Time now [µs], for the morning to come where the span reaches up to now; or None.

    Raises:
        InputError: A tariff or a meter does not fit the fuel.
        StoreError: The live file cannot be read.
    """
    zone, earlier = shop.shop.timezone, span.year_before
    heat = HeatShop(shop.heating, shop.heater, shop.tariff)
    volumes = {bay.id: bay.volume_m3 for bay in shop.bay}
    bays = {bay: bay_heat(facts, volumes.get(bay)) for bay, facts in learned_of(past).items()}
    log = heating_log(winter_of(past, shop, plan, span.us(zone)), heat, bays)
    log = replace(log, notes=(*log.notes, *_learned_later(bays, span, zone)))
    before = None
    if _is_kept(past, earlier, zone):
        before = heating_log(winter_of(past, shop, plan, earlier.us(zone)), heat, bays)
    report = report_of(log, before, shop.heating, shop.shop.units)
    start_us, end_us = span.us(zone)
    if now_us is None or not start_us <= now_us < end_us:
        return report
    night = night_of(past, shop, plan, now_us, log.spent.loss_w_k)
    words = Words(shop.shop.units, log.costs.currency, log.costs.digits)
    return report._replace(ahead=mornings_ahead(night, heat, words))


def _learned_later(bays: Mapping[str, BayHeat], span: DaySpan, zone: str) -> Iterator[str]:
    """Say of which bays a winter has no facts of its own; only the newest are kept."""
    _, end_us = span.us(zone)
    later = {
        bay: of.learned_us[1]
        for bay, of in bays.items()
        if of.learned_us is not None and of.learned_us[0] >= end_us
    }
    if later:
        day = local_from_us(max(later.values()), zone).date()
        yield (
            f"Where the heat of {joined(list(later))} went goes by what the outlook learned of "
            f"the building up to {full_day(day)}, for nothing learned in these days is kept; what "
            "was rebuilt since is not seen."
        )


def _is_kept(past: Past, span: DaySpan, zone: str) -> bool:
    """Return whether anything is kept of a span."""
    if any(bill.first < span.end and bill.last >= span.first for bill in bills_kept(past.store)):
        return True
    kept, (from_us, to_us) = past.span(), span.us(zone)
    return kept is not None and kept[0] < to_us and kept[1] > from_us


def winter_span(year: int, now_us: int, shop: Shop) -> DaySpan:
    """Return the heating year that began in a year, up to today.

    Args:
        year: In which it began.
        now_us: Time now [µs].
        shop: The shop file.

    Raises:
        InputError: It has not begun yet.
    """
    month = shop.heating.winter_from
    first, after = date(year, month, 1), date(year + 1, month, 1)
    today = local_from_us(now_us, shop.shop.timezone).date()
    if first > today:
        raise InputError(f"winter is {year}, which has not begun; allowed: up to {today.year}")
    return DaySpan(first, min(after, today + timedelta(days=1)))


def since_kept(past: Past, shop: Shop, span: DaySpan) -> DaySpan:
    """Return a span without the days before anything was kept, to a day.

    Args:
        past: Everything kept.
        shop: The shop file.
        span: Which days.
    """
    zone, kept = shop.shop.timezone, past.span()
    from_us, end_us = span.us(zone)
    days = [bill.first for bill in bills_kept(past.store) if bill.last >= span.first]
    if kept is not None:
        first_us = kept[0]
        if first_us < from_us:  # there is something of an earlier winter
            found = next(past.columns(from_us, end_us), None)
            first_us = end_us if found is None else int(found.t_us.min())
        days.append(local_from_us(first_us, zone).date())
    first = max(span.first, min(days, default=span.first))
    return span if first >= span.end else DaySpan(first, span.end)


def years_kept(past: Past, shop: Shop, now_us: int) -> list[int]:
    """Return the years in which heating years began of which something is kept, newest first.

    Args:
        past: Everything kept.
        shop: The shop file.
        now_us: Time now [µs].
    """
    zone, month = shop.shop.timezone, shop.heating.winter_from
    kept = past.span()
    days = [local_from_us(at_us, zone).date() for at_us in (kept[0], kept[1] - 1)] if kept else []
    days += [day for bill in bills_kept(past.store) for day in (bill.first, bill.last)]
    now = winter_year(local_from_us(now_us, zone).date(), month)
    years = [min(winter_year(day, month), now) for day in days]
    return list(range(now, min(years, default=now) - 1, -1))[:MOST_YEARS]
