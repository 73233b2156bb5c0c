"""Every series with the calibration it has: since when, held to what, due when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from envmon.clock import iso_from_us
from envmon.intake.calibration_record import PLAIN, is_measured
from envmon.shop.points import expand_points, read_by
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from envmon.intake.calibrations import Calibrations, InForce
    from envmon.shop.models import Shop

Standing = Literal["none", "shop_file", "valid", "undated", "overdue"]
"""Of a calibration: there is none; it stands in the shop file; its record is in date, without a
due date, past it."""


class Row(NamedTuple):
    """One series and what it is calibrated by."""

    point: str
    quantity: str
    in_force: InForce
    standing: Standing


def standing_of(entry: InForce, today: date) -> Standing:
    """Return how a calibration stands on a day of the shop."""
    if entry.record is None:
        return "none" if entry.line == PLAIN else "shop_file"
    if entry.record.due is None:
        return "undated"
    return "overdue" if entry.is_overdue(today) else "valid"


def calibration_rows(
    shop: Shop, calibrations: Calibrations, heard: Iterable[tuple[str, str]], today: date
) -> list[Row]:
    """Return every series that can be calibrated, in the order of the shop file.

    Args:
        shop: The shop file.
        calibrations: In force.
        heard: Series that have readings; brings the points whose topics have open levels.
        today: The shop's date.
    """
    rows = []
    for point, name in sensor_series(shop, calibrations, heard):
        if is_measured(QUANTITIES[name]):
            entry = calibrations.in_force(point, name)
            rows.append(Row(point, name, entry, standing_of(entry, today)))
    return rows


def sensor_series(
    shop: Shop, calibrations: Calibrations, heard: Iterable[tuple[str, str]]
) -> list[tuple[str, str]]:
    """Return every series of the shop file, (point, quantity), in its order, as far as known.

    Args:
        shop: The shop file.
        calibrations: In force.
        heard: Series that have readings; brings the points whose topics have open levels.
    """
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    keys = [(point.id, name) for point in points for name in read_by(point) if "{" not in point.id]
    keys += [key for key in heard if calibrations.knows(*key)]
    return list(dict.fromkeys(keys))


def row_document(row: Row) -> dict[str, Any]:
    """Return a row for JSON, SI."""
    return {"point": row.point, "quantity": row.quantity, **entry_document(row.in_force)} | {
        "standing": row.standing
    }


def entry_document(entry: InForce) -> dict[str, Any]:
    """Return what is in force for JSON, SI."""
    record = entry.record
    return {
        "gain": entry.line.gain,
        "offset": entry.line.offset,
        "since": None if entry.since_us is None else iso_from_us(entry.since_us),
        "reference": record.reference if record else "",
        "by": record.by if record else "",
        "checked": record.checked if record else None,
        "due": record.due if record else None,
    }
