"""Which rows of an import are taken, and why the others are not; whole arrays at a time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple, cast

import numpy as np

from envmon.clock import DAY_US, MINUTE_US, us_from_datetime
from envmon.errors import InputError
from envmon.facts import Flag
from envmon.intake.take import CLOCK_TOLERANCE_US, LATEST_US
from envmon.store.bulk import Rows
from envmon.units import convert

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from envmon.service.keeping.import_known import Known, Way

    Ints = NDArray[np.int64]
    Mask = NDArray[np.bool_]

EARLIEST_US = us_from_datetime(datetime(1990, 1, 1, tzinfo=UTC))
AHEAD_US = DAY_US
"""A time further ahead of now is refused, unless the row says ``clock`` [µs]."""
_SLOT_US = 15 * MINUTE_US
"""Clocks change at whole quarters of an hour since before 1990 [µs]."""
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - wall time on purpose

ZONED, WALL, NO_TIME, NO_ENTRY = 0, 1, 2, 3
"""How a time is given: with offset, as wall time, unreadable, or left empty."""
UNKNOWN_FLAG = 256

FLAG_WORDS = {str(flag.name).lower(): flag for flag in Flag}
"""How flags are written, in the order of their bits."""

SHAPES = (
    "",
    "has not as many fields as line 1",
    "is not UTF-8; save the file as UTF-8",
    "is longer than a row of readings can be",
    "has quotes that do not pair on the line",
)
"""Why a line cannot be split into its fields, by number."""


class Times(NamedTuple):
    """Times as they stand in a file, of one length n.

    Attributes:
        t_us: Time [µs], UTC or on the wall of the shop, int64 (n,).
        form: ``ZONED``, ``WALL``, ``NO_TIME`` or ``NO_ENTRY``, uint8 (n,).
    """

    t_us: Ints
    form: NDArray[np.uint8]


class Given(NamedTuple):
    """Rows as they stand in a file, of one length n.

    Attributes:
        line: Line or row number, int64 (n,).
        shape: Place in ``SHAPES``, uint8 (n,).
        time: When each was true.
        seen: When each was taken in.
        key: Place in ``keys``, int64 (n,).
        values: In the units of the file, NaN where there is no number, float64 (n,).
        comma: Whether the value has a decimal comma, bool (n,).
        flag: Bits of ``Flag``; ``UNKNOWN_FLAG`` where it has other words, uint16 (n,).
        keys: Point, quantity and unit as texts.
    """

    line: Ints
    shape: NDArray[np.uint8]
    time: Times
    seen: Times
    key: Ints
    values: NDArray[np.float64]
    comma: Mask
    flag: NDArray[np.uint16]
    keys: Sequence[tuple[str, str, str]]


class Part(NamedTuple):
    """Some rows of a file, and their text by place for the file of refused ones."""

    given: Given
    texts: Callable[[Sequence[int]], list[str]]


class Judged(NamedTuple):
    """Rows taken and refused.

    Attributes:
        rows: What is taken.
        refused: Places of the refused rows, int64.
        why: Reason of each refused row, as places in ``reasons``, int64.
        reasons: Texts.
    """

    rows: Rows
    refused: Ints
    why: Ints
    reasons: list[str]


class _Reasons:
    """The first thing said against each row."""

    def __init__(self, count: int) -> None:
        self.texts = [""]
        self.of_row = np.zeros(count, np.int64)

    def say(self, against: Mask, text: str) -> None:
        """Note a reason against rows that have none yet."""
        fresh = against & (self.of_row == 0)
        if fresh.any():
            self.of_row[fresh] = len(self.texts)
            self.texts.append(text)


def judged(given: Given, known: Known, zone: ZoneInfo, now_us: int) -> Judged:
    """Return which rows are taken, in envmon's units and with their flags, and which not.

    Args:
        given: Rows of the file.
        known: Points, quantities and units there are.
        zone: Zone of times without an offset.
        now_us: Time now [µs, UTC].
    """
    reasons = _Reasons(len(given.line))
    for number, text in enumerate(SHAPES[1:], 1):
        reasons.say(given.shape == number, text)
    t_us = _zoned(given.time, zone, reasons, "time")
    seen_us = _zoned(given.seen, zone, reasons, "seen")
    seen_us = np.where(given.seen.form == NO_ENTRY, np.minimum(t_us, now_us), seen_us)
    _ensure_times(given, t_us, seen_us, reasons, now_us)
    reasons.say(given.comma, "value has a decimal comma; write 21.5, not 21,5")
    reasons.say(~np.isfinite(given.values), "value is no finite number such as 21.5")
    words = ", ".join(FLAG_WORDS)
    reasons.say(
        given.flag == UNKNOWN_FLAG, f"flag has other words than {words}, joined by +, or nothing"
    )
    ways = _ways(given, known, reasons)
    series, values, outside = _taken(given, ways, reasons)
    flag = given.flag.astype(np.uint8) | np.where(outside, np.uint8(Flag.RANGE), np.uint8(0))
    ahead = t_us > np.minimum(seen_us, now_us) + CLOCK_TOLERANCE_US
    flag |= np.where(ahead, np.uint8(Flag.CLOCK), np.uint8(0))
    rows = Rows(series, t_us, values, flag, seen_us - t_us).taken(reasons.of_row == 0)
    refused = np.flatnonzero(reasons.of_row)
    return Judged(rows, refused, reasons.of_row[refused], reasons.texts)


def _zoned(times: Times, zone: ZoneInfo, reasons: _Reasons, column: str) -> Ints:
    """Return the times in UTC; wall times of the shop by the zone's rules of their day."""
    reasons.say(
        times.form == NO_TIME,
        f"{column} is no date and time such as 2026-01-27T10:00:00Z or 2026-01-27T11:00:00+01:00",
    )
    wall = times.form == WALL
    if not wall.any():
        return times.t_us
    slots, place = np.unique(times.t_us[wall] // _SLOT_US, return_inverse=True)
    offsets = np.array([_offsets(int(slot), zone) for slot in slots], np.int64).reshape(-1, 2)
    before, after = offsets[place, 0], offsets[place, 1]
    t_us = times.t_us.copy()
    t_us[wall] -= before
    against = np.zeros(len(wall), bool)
    against[wall] = before < after
    reasons.say(against, f"{column} does not exist: the clocks of {zone.key} go forward over it")
    against[wall] = before > after
    reasons.say(
        against,
        f"{column} comes twice: the clocks of {zone.key} go back over it; write the offset, such "
        "as 2026-10-25T02:30:00+02:00",
    )
    return t_us


def _offsets(slot: int, zone: ZoneInfo) -> tuple[int, int]:
    """Return the offsets from UTC [µs] by the rules before and after a change of the clocks."""
    try:
        wall = _EPOCH + timedelta(microseconds=slot * _SLOT_US)
        both = [wall.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1)]
    except OverflowError:
        return 0, 0  # thousands of years away; refused for that
    before, after = ((offset or timedelta()) // timedelta(microseconds=1) for offset in both)
    return before, after


def _ensure_times(given: Given, t_us: Ints, seen_us: Ints, reasons: _Reasons, now_us: int) -> None:
    clock = (given.flag & np.uint16(Flag.CLOCK)) != 0
    latest = np.where(clock, LATEST_US, now_us + AHEAD_US)
    reasons.say(t_us < EARLIEST_US, "time is before 1990")
    reasons.say(t_us > latest, "time is more than a day ahead of now")
    against = (seen_us < EARLIEST_US) | (seen_us > now_us + AHEAD_US)
    reasons.say(against, "seen is before 1990 or more than a day ahead of now")


def _ways(given: Given, known: Known, reasons: _Reasons) -> list[Way | None]:
    """Return how to take each key; rows of a key that cannot be taken get their reason."""
    ways: list[Way | None] = []
    bad: dict[str, list[int]] = {}
    open_keys = set(np.unique(given.key[reasons.of_row == 0]).tolist())
    for number, key in enumerate(given.keys):
        way = None
        try:
            # A row refused for its time must not bring a new point into being.
            way = known.way(*key) if number in open_keys else None
        except InputError as error:
            bad.setdefault(str(error), []).append(number)
        ways.append(way)
    for text, numbers in bad.items():
        reasons.say(np.isin(given.key, numbers), text)
    return ways


def _taken(
    given: Given, ways: list[Way | None], reasons: _Reasons
) -> tuple[NDArray[np.int32], NDArray[np.float64], Mask]:
    """Return series, values in the quantities' own units, and which are out of range."""
    count = len(given.line)
    places = np.array([way.place if way else 0 for way in ways] or [0], np.int32)
    low = np.array([way.quantity.low if way else 0.0 for way in ways] or [0.0])
    high = np.array([way.quantity.high if way else 0.0 for way in ways] or [0.0])
    values = given.values.copy()
    states = np.zeros(count, bool)
    for number, way in enumerate(ways):
        if way is not None and way.unit:
            mine = given.key == number
            values[mine] = _converted(values[mine], way)
        if way is not None and way.quantity.dimension == "state":
            states |= given.key == number
    reasons.say(states & (values > 0) & (values < 1), "value is between 0 and 1; a state is 0 or 1")
    reasons.say(~np.isfinite(values), "value is too large")
    key = given.key
    return places[key], values, (values < low[key]) | (values > high[key])


def _converted(values: NDArray[np.float64], way: Way) -> NDArray[np.float64]:
    quantity = way.quantity
    with np.errstate(over="ignore", invalid="ignore"):
        # plain arithmetic, which an array takes as well as a number does
        made = convert(cast("float", values), way.unit, quantity.dimension, quantity.name)
    return cast("NDArray[np.float64]", made)
