"""A calibration a person accepted: what was read, what was true, the line through it."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import msgspec

from envmon.errors import InputError
from envmon.shop.calibration import HIGHEST_GAIN, LOWEST_GAIN, line_through
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from envmon.units import Quantity

_CLOSE = 1e-6
"""So far a record's line may miss its own pairs, as a share of the quantity's range."""
_Name = Annotated[str, msgspec.Meta(min_length=1, max_length=60)]
_Text = Annotated[str, msgspec.Meta(max_length=300)]


class Line(NamedTuple):
    """A straight line from what a sensor sends to what is true, in the quantity's unit."""

    gain: float
    offset: float

    def true(self, raw: float) -> float:
        """Return what is true when the sensor sends ``raw``."""
        return self.gain * raw + self.offset

    def raw(self, true: float) -> float:
        """Return what the sensor sent when ``true`` was made of it."""
        return (true - self.offset) / self.gain


PLAIN = Line(1.0, 0.0)


class Record(msgspec.Struct, frozen=True):
    """A calibration a person accepted; numbers are in the quantity's unit.

    Attributes:
        point: Filled-in id of the point.
        quantity: Name of the quantity.
        gain: true = gain * raw + offset.
        offset: See gain.
        pairs: One or two pairs [shown, true], the shown ones as envmon had them.
        shown_by: Gain and offset the shown values had been made with.
        by: Who accepted it.
        checked: Date of the check, ISO 8601.
        due: Date of the next check; None when nobody set one.
        reference: What it was held to, in words.
        salts: Salt of each pair, where solutions were used.
        jar_temp_c: Temperature over the solutions [°C].
    """

    point: _Name
    quantity: str
    gain: float
    offset: float
    pairs: tuple[tuple[float, float], ...]
    shown_by: tuple[float, float]
    by: _Name
    checked: str
    due: str | None = None
    reference: _Text = ""
    salts: tuple[_Name, ...] = ()
    jar_temp_c: float | None = None

    @property
    def line(self) -> Line:
        """The line it brings into force."""
        return Line(self.gain, self.offset)


def line_from_pairs(pairs: tuple[tuple[float, float], ...], shown_by: Line, quantity: str) -> Line:
    """Return the line through what was read; one pair moves the offset and keeps the gain.

    Args:
        pairs: One or two pairs [shown, true] in the quantity's unit.
        shown_by: The line the shown values had been made with.
        quantity: Name of the quantity.

    Raises:
        InputError: No line goes through them, or its gain is outside 0.2 to 5.
    """
    raws = [(shown_by.raw(shown), true) for shown, true in pairs]
    if len(raws) == 1:
        return Line(shown_by.gain, raws[0][1] - shown_by.gain * raws[0][0])
    if len(raws) != 2:
        raise InputError(f"{len(raws)} pairs were given; allowed are one (offset only) or two")
    try:
        return Line(*line_through((raws[0], raws[1]), quantity))
    except InputError as error:
        raise InputError(f"the pairs make no calibration: {error}") from error


def record_from(data: Any) -> Record:
    """Return the record in the data of a request or an event.

    Raises:
        InputError: Anything else, whatever it is; the text says what is wrong.
    """
    try:
        record = msgspec.convert(data, Record)
        _check(record)
    except InputError:
        raise
    except (msgspec.MsgspecError, ValueError, TypeError, ArithmeticError, RecursionError) as error:
        raise InputError(f"calibration cannot be read: {error}") from error
    return record


def _check(record: Record) -> None:
    if not record.by.strip():
        raise InputError("calibration says nobody accepted it; give a name")
    if record.due is not None and _day(record.due) <= _day(record.checked):
        raise InputError(f"calibration is due {record.due}, but was checked {record.checked}")
    _day(record.checked)
    quantity = QUANTITIES.get(record.quantity)
    if quantity is None or not is_measured(quantity):
        allowed = ", ".join(name for name, q in QUANTITIES.items() if is_measured(q))
        raise InputError(f"calibration is of {record.quantity!r}; allowed: {allowed}")
    _check_line(record, quantity)


def is_measured(quantity: Quantity) -> bool:
    """Return whether a sensor says it as a number that can be calibrated."""
    return not (quantity.derived or quantity.forecast or quantity.dimension == "state")


def _day(text: str) -> date:
    return date.fromisoformat(text)


def _check_line(record: Record, quantity: Quantity) -> None:
    shown_by = Line(*record.shown_by)
    numbers = [*record.line, *shown_by, *(each for pair in record.pairs for each in pair)]
    if not all(map(math.isfinite, numbers)):
        raise InputError("calibration has a number that is not finite")
    for gain in (record.gain, shown_by.gain):
        if not LOWEST_GAIN <= gain <= HIGHEST_GAIN:
            raise InputError(
                f"calibration has a gain of {gain:.3g}; allowed is {LOWEST_GAIN:g} to "
                f"{HIGHEST_GAIN:g}"
            )
    width = quantity.high - quantity.low
    made = line_from_pairs(record.pairs, shown_by, record.quantity)
    for shown, true in record.pairs:
        if not quantity.low <= true <= quantity.high or abs(shown - true) > width:
            raise InputError(
                f"calibration holds {shown:g} to {true:g}; {quantity.name} lies between "
                f"{quantity.low:g} and {quantity.high:g} {quantity.unit}"
            )
        raw = shown_by.raw(shown)
        if abs(made.true(raw) - record.line.true(raw)) > _CLOSE * width:
            raise InputError("calibration has a gain and offset that are not those of its pairs")
