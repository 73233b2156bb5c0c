"""Moments as a person writes them for ``--from`` and ``--to``: dates and times of the shop.

A time without an offset is the shop's local time. Twice a year that is not one moment: a time
the clocks skip is counted on from before the gap, a time they show twice is the first of the
two. Source: RFC 5545, section 3.3.5 (form 3).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from envmon.clock import SECOND_US, us_from_datetime
from envmon.errors import InputError

ALLOWED = (
    "allowed is a date (2026-01-27), a date and time (2026-01-27T10:00) in the shop's zone, or "
    "one with its offset (2026-01-27T10:00+01:00, 2026-01-27T09:00Z), from 1971 to 2199"
)


def parse_moment(text: str, zone: str) -> int:
    """Return the moment [µs, UTC] a person wrote; a date alone is the start of that day.

    Args:
        text: The date or date and time.
        zone: Time zone it is in when it brings no offset, such as ``Europe/Oslo``.

    Raises:
        InputError: The text is no such moment.
    """
    return us_from_datetime(_moment(text, zone))


def moment_note(text: str, zone: str) -> str:
    """Return what a person should know about a time that is not one moment; else nothing.

    Raises:
        InputError: The text is no such moment.
    """
    moment = _moment(text, zone)
    if not isinstance(moment.tzinfo, ZoneInfo):
        return ""
    there = moment.astimezone(UTC).astimezone(moment.tzinfo)
    if there.replace(tzinfo=None) != moment.replace(tzinfo=None):
        return f"{text} does not exist in {zone} (clocks go forward); {there:%H:%M} is taken"
    if moment.utcoffset() != moment.replace(fold=1).utcoffset():
        return f"{text} comes twice in {zone} (clocks go back); the first is taken"
    return ""


def local_from_us(at_us: int, zone: str) -> datetime:
    """Return a moment [µs, UTC] as local time of a zone."""
    moment = datetime.fromtimestamp(at_us // SECOND_US, ZoneInfo(zone))
    return moment.replace(microsecond=at_us % SECOND_US)


def day_edges_us(from_us: int, to_us: int, zone: str) -> list[int]:
    """Return where local days start [µs, UTC], from the day of ``from_us`` to past ``to_us``.

    A day has 23, 24 or 25 hours, or what its zone makes of it.
    """
    day = local_from_us(from_us, zone).date()
    edges: list[int] = []
    while not edges or edges[-1] < to_us:
        edges.append(
            us_from_datetime(datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)))
        )
        day += timedelta(days=1)
    return edges


def _moment(text: str, zone: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(f"time is {text!r}; {ALLOWED}") from error
    if not 1971 <= moment.year <= 2199:
        raise InputError(f"time is {text!r}; {ALLOWED}")
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=ZoneInfo(zone))
