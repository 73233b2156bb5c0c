"""Calibrations on the command line: tables, the effect of a new one, what became of it."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

from envmon.clock import iso_from_us
from envmon.physics.salts import CAUTIONS, rel_hum_pct_over_salt
from envmon.service.calibration.effect import spread_text
from envmon.service.calibration.table import entry_document
from envmon.service.span import local_from_us
from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.intake.calibration_record import Line
    from envmon.intake.calibrations import InForce
    from envmon.service.calibration.effect import Effect, LimitCount
    from envmon.service.calibration.table import Row
    from envmon.shop.models import Shop
    from envmon.units import Quantity, UnitSystem

Taken = Literal["taken", "waiting", "refused"]
"""What became of a calibration asked for: in force; kept until the watch starts; not accepted."""

UNRECORDED = {"none": "never checked", "shop_file": "as in the shop file"}
TAKEN: dict[Taken, str] = {
    "taken": "accepted; the watch uses it for everything it takes in from now on",
    "waiting": "kept, not in force yet: the watch uses it from its next start on",
    "refused": "the watch did not take it; its log says why",
}


def table_lines(rows: Sequence[Row], shop: Shop, today: date) -> Iterator[str]:
    """Yield every series with its calibration; what is overdue begins with an exclamation mark."""
    wide = max((len(row.point) for row in rows), default=0)
    for row in rows:
        mark = "!" if row.standing == "overdue" else " "
        line = "" if row.standing == "none" else line_text(row.in_force.line)
        said = "" if row.in_force.record else f"  {UNRECORDED[row.standing]}"
        yield f"{mark} {row.point:<{wide}}  {row.quantity:<20}  {line:<18}{said}".rstrip()
        if row.in_force.record:
            since = since_text(row.in_force, shop.shop.timezone)
            yield f"    since {since}, held to {_held_to(row)}; {due_text(row, today)}"


def line_text(line: Line) -> str:
    """Return what is done to a raw value, in the quantity's own unit."""
    return f"× {line.gain:.4f} {'−' if line.offset < 0 else '+'} {abs(line.offset):.3f}"


def since_text(entry: InForce, zone: str) -> str:
    """Return since when a calibration holds, as local date and time."""
    if entry.since_us is None:
        return "—"
    return f"{local_from_us(entry.since_us, zone):%Y-%m-%d %H:%M}"


def _held_to(row: Row) -> str:
    record = row.in_force.record
    assert record is not None
    return f"{record.reference or 'nothing named'} ({record.by})"


def due_text(row: Row, today: date) -> str:
    """Return when the next check is due, and how long that has passed."""
    record = row.in_force.record
    if record is None or record.due is None:
        return "no date for the next check"
    late = (today - date.fromisoformat(record.due)).days
    return f"OVERDUE since {record.due}, {late} d" if late > 0 else f"next check {record.due}"


def effect_lines(effect: Effect, shop: Shop) -> Iterator[str]:
    """Yield what a calibration would change, line by line."""
    record, units = effect.record, shop.shop.units
    quantity = QUANTITIES[record.quantity]
    yield f"{record.point}, {quantity.label}"
    yield from _pair_lines(effect, quantity, units)
    since = since_text(effect.in_force, shop.shop.timezone).replace("—", "the shop file")
    yield f"  in force  {line_text(effect.in_force.line)}   since {since}"
    yield f"  new       {line_text(record.line)}   gain and offset in {quantity.unit or 'units'}"
    yield ""
    yield f"  moves readings by {spread_text(effect.largest_move, quantity, units)} at most"
    for moved in effect.last:
        at = local_from_us(moved.t_us, shop.shop.timezone)
        texts = [
            format_value(each, quantity, units, finer=1) for each in (moved.before, moved.after)
        ]
        yield f"  {at:%m-%d %H:%M:%S}  {texts[0]:>10}  would have been  {texts[1]:>10}"
    yield from _limit_lines(effect.limits, quantity, units, len(effect.readings))
    yield from (f"! {warning}" for warning in effect.warnings)
    if record.salts:
        yield from (f"! {caution}" for caution in CAUTIONS)


def _pair_lines(effect: Effect, quantity: Quantity, units: UnitSystem) -> Iterator[str]:
    record = effect.record
    plain = len(record.pairs) - len(record.salts)
    for place, (shown, true) in enumerate(record.pairs):
        texts = [format_value(each, quantity, units, finer=2) for each in (shown, true)]
        over = ""
        if place >= plain and record.jar_temp_c is not None:
            salt = record.salts[place - plain]
            within = rel_hum_pct_over_salt(salt, record.jar_temp_c).within_pct
            over = f" over {salt} at {record.jar_temp_c:g} °C, within {within:.2f} %"
        yield f"  shown {texts[0]}, true {texts[1]}{over}"


def _limit_lines(
    limits: Sequence[LimitCount], quantity: Quantity, units: UnitSystem, readings: int
) -> Iterator[str]:
    if not limits or not readings:
        return
    yield ""
    yield f"  inside the limits, of {readings} readings of the last day"
    for limit in limits:
        ends = [
            "" if math.isinf(end) else format_value(end, quantity, units, finer=1)
            for end in (limit.low, limit.high)
        ]
        span = (
            " to ".join(ends) if all(ends) else f"{'from' if ends[0] else 'up to'} {''.join(ends)}"
        )
        turned = f"   {limit.changed} judged differently" if limit.changed else ""
        yield f"  {limit.bay} {limit.name}, {span}: {limit.before}, then {limit.after}{turned}"


def effect_document(effect: Effect, taken: Taken | None) -> dict[str, Any]:
    """Return a calibration and its effect for JSON, SI.

    Args:
        effect: What it changes.
        taken: What became of it; None when nobody accepted it yet.
    """
    record = effect.record
    return {
        "point": record.point,
        "quantity": record.quantity,
        "before": entry_document(effect.in_force),
        "after": {
            "gain": record.gain, "offset": record.offset, "reference": record.reference,
            "by": record.by if taken else "", "checked": record.checked, "due": record.due,
        },
        "pairs": [{"shown": shown, "true": true} for shown, true in record.pairs],
        "salts": list(record.salts),
        "jar_temp_c": record.jar_temp_c,
        "largest_move": effect.largest_move,
        "readings": len(effect.readings),
        "last": [
            {"t": iso_from_us(m.t_us), "kept": m.kept, "before": m.before, "after": m.after}
            for m in effect.last
        ],
        "limits": [
            {
                "bay": each.bay, "stage": each.stage,
                "low": None if math.isinf(each.low) else each.low,
                "high": None if math.isinf(each.high) else each.high,
                "inside_before": each.before, "inside_after": each.after,
                "judged_differently": each.changed,
            }
            for each in effect.limits
        ],
        "warnings": list(effect.warnings),
        "cautions": list(CAUTIONS) if record.salts else [],
        "outcome": taken or "shown",
    }  # fmt: skip
