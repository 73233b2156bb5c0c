"""One quantity taken from a payload: unit, calibration, flags."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from msgspec import UNSET

from envmon.clock import DAY_US, iso_from_us, us_from_datetime
from envmon.errors import InputError, PayloadError
from envmon.facts import Flag, Reading, kept_value
from envmon.intake.json_payload import MISSING, parse_json, tokens_from_pointer, value_at
from envmon.intake.number_payload import EXACT_LIMIT, ensure_number, parse_number
from envmon.intake.senml import Record, resolve, value_from_senml
from envmon.intake.senml_payload import parse_senml
from envmon.units import Quantity, convert

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.shop.models import Read

CLOCK_TOLERANCE_US = 120 * 1_000_000
"""A reading may lie this far ahead of arrival before its clock counts as wrong [µs]."""

FORETOLD_US = 10 * DAY_US
"""A forecast may speak of times so far ahead [µs]."""

EARLIEST_US = us_from_datetime(datetime(2000, 1, 1, tzinfo=UTC))
LATEST_US = us_from_datetime(datetime(2100, 1, 1, tzinfo=UTC))


class Take(NamedTuple):
    """One quantity of one point, ready to be taken from a payload.

    Attributes:
        point: Filled-in id of the point.
        quantity: What is taken.
        name: SenML name, or its end.
        tokens: Reference tokens of the JSON Pointer.
        unit: Unit where the payload names none; empty for the quantity's own.
        gain: Calibration: true = gain * read + offset.
        offset: In the quantity's unit.
    """

    point: str
    quantity: Quantity
    name: str
    tokens: tuple[str, ...]
    unit: str
    gain: float
    offset: float


class When(NamedTuple):
    """When a message came.

    Attributes:
        now_us: Arrival, the time of what has none of its own [µs, UTC].
        seen_us: When it is taken in, together with others [µs, UTC].
    """

    now_us: int
    seen_us: int


def take_from_read(
    point_id: str, quantity: Quantity, read: Read, gain_offset: tuple[float, float]
) -> Take:
    """Return how to take a quantity; without name or pointer the quantity's own name is it."""
    pointer = f"/{quantity.name}" if read.pointer is None else read.pointer
    return Take(
        point_id,
        quantity,
        read.name or quantity.name,
        tokens_from_pointer(pointer),
        read.unit or "",
        *gain_offset,
    )


def _reading(take: Take, value: float, t_us: int, when: When) -> Reading:
    quantity = take.quantity
    if quantity.dimension == "state" and 0 < value < 1:
        raise PayloadError(f"{take.point} {quantity.name} is {value}; a state is 0 or 1")
    if not EARLIEST_US <= t_us < LATEST_US:
        raise PayloadError(
            f"{take.point} {quantity.name} has the time {t_us / 1e6:.3f} s; 2000-01-01 to "
            "2099-12-31 is allowed: set the sensor's clock, or send no time"
        )
    kept = kept_value(take.gain * value + take.offset)
    if quantity.forecast:
        return _foretold(take, kept, t_us, when)
    flag = Flag.GOOD
    if not quantity.low <= kept <= quantity.high:
        flag |= Flag.RANGE
    if t_us > when.now_us + CLOCK_TOLERANCE_US:
        flag |= Flag.CLOCK
    return Reading(take.point, quantity.name, t_us, kept, flag, when.seen_us)


def _foretold(take: Take, value: float, t_us: int, when: When) -> Reading:
    """Return what is foretold of a time; nothing of it can be flagged, so it is refused instead."""
    name, quantity = f"{take.point} {take.quantity.name}", take.quantity
    if t_us > when.now_us + FORETOLD_US:
        raise PayloadError(
            f"{name} is of {iso_from_us(t_us)}; up to {FORETOLD_US // DAY_US} days ahead is allowed"
        )
    if not quantity.low <= value <= quantity.high:
        raise PayloadError(
            f"{name} is {value:g} {quantity.unit} at {iso_from_us(t_us)}; {quantity.low:g} to "
            f"{quantity.high:g} is allowed"
        )
    return Reading(take.point, quantity.name, t_us, value, Flag.GOOD, when.seen_us)


def senml_readings(
    names: Mapping[str, tuple[Take, ...]], payload: bytes, when: When
) -> list[Reading]:
    """Return the readings of a SenML pack in the order of time.

    Args:
        names: SenML name, or its end behind the base name -> what it brings.
        payload: JSON or CBOR.
        when: Arrival, and when it is taken in.

    Raises:
        PayloadError: The message is refused.
    """
    readings: list[Reading] = []
    for record in resolve(parse_senml(payload), when.now_us):
        takes = names.get(record.end, ())
        if record.name != record.end:
            takes += names.get(record.name, ())
        readings += [_reading(t, _senml_value(t, record), record.t_us, when) for t in takes]
    if not readings:
        raise PayloadError(f"pack has none of the records {', '.join(names)}; one is needed")
    return readings


def _senml_value(take: Take, record: Record) -> float:
    number = record.v
    if number is not UNSET:
        if type(number) is not float or not -EXACT_LIMIT < number < EXACT_LIMIT:
            number = ensure_number(number, f"record {record.name!r}")
        if record.unit:
            return value_from_senml(number, record.unit, take.quantity)
        return _in_own_unit(take, number)
    if record.vb is not UNSET and take.quantity.dimension == "state":
        return float(record.vb)
    allowed = "v or vb" if take.quantity.dimension == "state" else "v"
    raise PayloadError(
        f"record {record.name!r} brings {take.quantity.name} without {allowed}; send a number"
    )


def _in_own_unit(take: Take, number: float) -> float:
    """Convert from the unit of the shop file; without one it is in the quantity's unit."""
    if not take.unit:
        return number
    try:
        return convert(number, take.unit, take.quantity.dimension, take.quantity.name)
    except InputError as error:
        raise PayloadError(str(error)) from None


def json_readings(takes: tuple[Take, ...], payload: bytes, when: When) -> list[Reading]:
    """Return the readings of a JSON document; their time is arrival.

    Raises:
        PayloadError: The message is refused.
    """
    document = parse_json(payload)
    readings: list[Reading] = []
    for take in takes:
        value = value_at(document, take.tokens)
        if value is not MISSING:
            readings.append(_reading(take, _json_value(take, value), when.now_us, when))
    if not readings:
        places = ", ".join("/" + "/".join(take.tokens) for take in takes)
        raise PayloadError(f"document has nothing at {places}; one of them is needed")
    return readings


def _json_value(take: Take, value: Any) -> float:
    if type(value) is bool and take.quantity.dimension == "state":
        return float(value)
    return _in_own_unit(take, ensure_number(value, "/" + "/".join(take.tokens)))


def number_readings(takes: tuple[Take, ...], payload: bytes, when: When) -> list[Reading]:
    """Return the readings of a plain number; their time is arrival.

    Raises:
        PayloadError: The message is refused.
    """
    return [
        _reading(
            take,
            _in_own_unit(take, parse_number(payload, state=take.quantity.dimension == "state")),
            when.now_us,
            when,
        )
        for take in takes
    ]
