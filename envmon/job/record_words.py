"""Times, lengths and values as they stand on the paper of a record."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from envmon.clock import SECOND_US, us_from_iso
from envmon.units import QUANTITIES, format_value, shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.units import UnitSystem

UNKNOWN = "—"
_THIN = "\u202f"


def local_time(at_us: int, zone: str) -> datetime:
    """Return a moment [µs, UTC] as local time of a zone."""
    return datetime.fromtimestamp(at_us // SECOND_US, ZoneInfo(zone))


def local_from_iso(text: str, zone: str) -> datetime:
    """Return a moment written as ISO 8601 as local time of a zone."""
    return local_time(us_from_iso(text), zone)


def clock_text(text: str | None, zone: str, day: str = "") -> str:
    """Return ``10:42``, with the day before it when it is another than ``day``.

    Args:
        text: The moment as ISO 8601; None gives a dash.
        zone: The shop's time zone.
        day: Day that goes without saying, as ``27 Jan``; empty always names the day.
    """
    if text is None:
        return UNKNOWN
    moment = local_from_iso(text, zone)
    named = f"{moment.day} {moment:%b}"
    return f"{moment:%H:%M}" if named == day else f"{named} {moment:%H:%M}"


def day_text(text: str, zone: str) -> str:
    """Return ``27 Jan`` for a moment."""
    moment = local_from_iso(text, zone)
    return f"{moment.day} {moment:%b}"


def full_text(text: str, zone: str) -> str:
    """Return ``Tue 27 January 2026, 10:42``."""
    moment = local_from_iso(text, zone)
    return f"{moment:%a} {moment.day} {moment:%B %Y, %H:%M}"


def length_text(seconds: float) -> str:
    """Return ``6 h 05 min``, ``12 min``, ``40 s`` or ``0`` for a time span [s]."""
    if seconds < 59.5:
        return f"{seconds:.0f}{_THIN}s" if seconds >= 0.5 else "<1\u202fs" if seconds else "0"
    hours, rest = divmod(round(seconds / 60), 60)
    return f"{hours}{_THIN}h{_THIN}{rest:02d}{_THIN}min" if hours else f"{rest}{_THIN}min"


def minutes_text(seconds: float) -> str:
    """Return minutes with one digit behind the point, for a column of them."""
    return f"{seconds / 60:,.1f}".replace(",", _THIN)


def clock_span_text(seconds: float | None) -> str:
    """Return ``4:05`` minutes and seconds for a wait [s]; a dash for None."""
    if seconds is None:
        return UNKNOWN
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def amount_text(value: float | None, quantity: str, units: UnitSystem, *, unit: bool = True) -> str:
    """Return a value in the shop's units with a digit more than on a screen; a dash for None."""
    if value is None or quantity not in QUANTITIES:
        return UNKNOWN if value is None else f"{value:g}"
    return format_value(value, QUANTITIES[quantity], units, unit=unit, finer=1)


def edge_text(value: float | None, quantity: str, units: UnitSystem) -> str:
    """Return an end of a limit in the shop's units, no longer than it needs to be."""
    if value is None or quantity not in QUANTITIES:
        return UNKNOWN if value is None else f"{value:g}"
    how = shown(QUANTITIES[quantity], units)
    return f"{round(value * how.factor + how.offset, 1):g}".replace("-", "−")


def unit_of(quantity: str, units: UnitSystem) -> str:
    """Return the unit a quantity is shown in; empty for one without."""
    return shown(QUANTITIES[quantity], units).unit if quantity in QUANTITIES else ""


def label_of(quantity: str) -> str:
    """Return what people call a quantity."""
    return QUANTITIES[quantity].label if quantity in QUANTITIES else quantity


def plain_day(text: str) -> str:
    """Return ``Tue 10 February 2026`` for a date written as ISO 8601."""
    day = date.fromisoformat(text)
    return f"{day:%a} {day.day} {day:%B %Y}"


def usual_day(document: Mapping[str, Any]) -> tuple[str, str]:
    """Return the zone, and the day that goes without saying."""
    zone = document["shop"]["timezone"]
    return zone, day_text(document["job"]["opened"], zone)
