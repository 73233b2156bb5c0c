"""What a day of one series amounts to, by the minute and by the hour, in a few kilobytes.

Values are whole thousandths of the series' unit ("milli"), so that sums repeat exactly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US, SECOND_US
from envmon.errors import InputError, StoreError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

STEPS_S = (60, 3600)
"""Lengths of the slots a day is summed up in [s]."""

LARGEST_MILLI = 2**43
"""Beyond every quantity's range; a value further out counts as flagged, or sums could overflow."""

_FORM = 1
_COLUMNS = 5
_HEAD = np.dtype(
    [
        ("form", "u1"),
        ("widths", "u1", _COLUMNS),
        ("slots", "<u2"),
        ("base", "<i8", _COLUMNS),
        ("scale", "<i8", _COLUMNS),
    ]
)
_WIDTHS = {1: "<u1", 2: "<u2", 4: "<u4", 8: "<i8"}


class DaySummary(NamedTuple):
    """One UTC day of a series in slots of equal length, all arrays ``86400 // step_s`` long.

    Only charted readings count; where none is, ``low``, ``high`` and ``total`` are 0.

    Attributes:
        count: Charted readings, int32.
        flagged: Readings that are not charted, int32.
        low: Lowest charted value [milli], int64.
        high: Highest charted value [milli], int64.
        total: Sum of the charted values [milli], int64.
    """

    count: NDArray[np.int32]  # type: ignore[assignment]  # hides tuple.count on purpose
    flagged: NDArray[np.int32]
    low: Ints
    high: Ints
    total: Ints


def summarise_day(
    t_us: Ints, milli: Ints, charted: NDArray[np.bool_], day: int, step_s: int
) -> DaySummary:
    """Sum up the readings of one series and one UTC day, in any order.

    Args:
        t_us: Times [µs, UTC], all inside the day.
        milli: Values [milli].
        charted: Whether each reading is a true value of its time.
        day: ``t_us // DAY_US`` of all of them.
        step_s: Length of a slot [s], one of ``STEPS_S``.

    Raises:
        InputError: A time is outside the day, or there is no such slot.
    """
    _check_day(t_us, day, step_s)
    slot = (t_us - day * DAY_US) // (step_s * SECOND_US)
    return summarise_slots(slot, milli, charted, 86_400 // step_s)


def summarise_slots(slot: Ints, milli: Ints, charted: NDArray[np.bool_], slots: int) -> DaySummary:
    """Sum up readings that have been put into slots 0 … ``slots - 1``.

    Args:
        slot: Slot of each reading.
        milli: Values [milli].
        charted: Whether each reading is a true value of its time.
        slots: How many slots there are.
    """
    good = charted & (milli <= LARGEST_MILLI) & (milli >= -LARGEST_MILLI)
    count = np.bincount(slot[good], minlength=slots).astype(np.int32)
    flagged = np.bincount(slot[~good], minlength=slots).astype(np.int32)
    low, high, total = (np.zeros(slots, dtype=np.int64) for _ in range(3))
    place, value = slot[good], milli[good]
    if (np.diff(place) < 0).any():
        order = np.argsort(place, kind="stable")
        place, value = place[order], value[order]
    if value.size:
        start = np.flatnonzero(np.diff(place, prepend=-1))
        filled = place[start]
        low[filled] = np.minimum.reduceat(value, start)
        high[filled] = np.maximum.reduceat(value, start)
        total[filled] = np.add.reduceat(value, start)
    return DaySummary(count, flagged, low, high, total)


def _check_day(t_us: Ints, day: int, step_s: int) -> None:
    if step_s not in STEPS_S:
        raise InputError(f"slot is {step_s} s; allowed is one of {STEPS_S}")
    outside = t_us[t_us // DAY_US != day]
    if outside.size:
        raise InputError(
            f"time is {outside[0]} µs, outside day {day}; allowed are readings of one UTC day: "
            "sum up each day by itself"
        )


def pack(summary: DaySummary) -> bytes:
    """Return a summary in few bytes; ``unpack`` gives it back exactly.

    Every column is kept as base + scale × a small unsigned number; high and total relative to
    low, which makes them small.
    """
    count = summary.count.astype(np.int64)
    filled = count > 0
    floor = summary.low[filled].min() if filled.any() else 0
    low = np.where(filled, summary.low, floor)
    rise = np.where(filled, summary.high - low, 0)
    excess = np.where(filled, summary.total - low * count, 0)
    head = np.zeros(1, dtype=_HEAD)
    head["form"], head["slots"] = _FORM, len(count)
    body = []
    for place, column in enumerate((count, summary.flagged.astype(np.int64), low, rise, excess)):
        base = column.min()
        scale = max(np.gcd.reduce(column - base), 1)
        small = (column - base) // scale
        width = _width(int(small.max()))
        head["base"][0, place], head["scale"][0, place] = base, scale
        head["widths"][0, place] = width
        body.append(small.astype(_WIDTHS[width]).tobytes() if width else b"")
    return head.tobytes() + b"".join(body)


def _width(largest: int) -> int:
    """Return how many bytes hold numbers up to ``largest``; none when all are 0."""
    return next(width for width in (0, 1, 2, 4, 8) if largest < 2 ** (8 * width))


def unpack(packed: bytes) -> DaySummary:
    """Return the summary that was packed.

    Raises:
        StoreError: It is damaged, or of a form this version does not know.
    """
    return DaySummary(*(column[0] for column in unpack_days([packed])))


def unpack_days(packed: Sequence[bytes]) -> DaySummary:
    """Return many summaries of one step at once: every array has the shape (days, slots).

    Days packed alike are worked on together, which is several times as fast as one by one.

    Raises:
        StoreError: One is damaged, of another step, or of a form this version does not know.
    """
    heads = _heads(packed)
    slots = int(heads["slots"][0])
    alike: dict[bytes, list[int]] = {}
    for place, one in enumerate(packed):
        alike.setdefault(one[1 : 1 + _COLUMNS], []).append(place)
    columns = np.empty((_COLUMNS, len(packed), slots), dtype=np.int64)
    for widths, places in alike.items():
        block = b"".join([packed[place][_HEAD.itemsize :] for place in places])
        _spread(columns, heads, block, tuple(widths), np.array(places))
    count, flagged, low, high, total = columns
    low *= count > 0
    high += low
    total += low * count
    return DaySummary(count.astype(np.int32), flagged.astype(np.int32), low, high, total)


def _spread(
    columns: Ints,
    heads: NDArray[np.void],
    block: bytes,
    widths: tuple[int, ...],
    places: Ints,
) -> None:
    """Write the days at ``places``, all with these column widths, into ``columns``."""
    slots = columns.shape[2]
    if len(block) != sum(widths) * slots * len(places):
        raise _damaged("its length does not fit")
    rows = np.frombuffer(block, dtype=np.uint8).reshape(len(places), -1)
    start = 0
    for column, width in enumerate(widths):
        base = heads["base"][places, column, None]
        if width == 0:
            columns[column, places] = base
            continue
        end = start + width * slots
        small = np.ascontiguousarray(rows[:, start:end]).view(_WIDTHS[width])
        values = np.multiply(small, heads["scale"][places, column, None], dtype=np.int64)
        values += base
        columns[column, places] = values
        start = end


def _heads(packed: Sequence[bytes]) -> NDArray[np.void]:
    size = _HEAD.itemsize
    if not packed or min(map(len, packed)) < size:
        raise _damaged("it is too short")
    heads = np.frombuffer(b"".join([one[:size] for one in packed]), dtype=_HEAD)
    if (heads["form"] != _FORM).any():
        raise _damaged(f"its form is not {_FORM}")
    if (heads["slots"] != heads["slots"][0]).any():
        raise _damaged("the steps differ")
    if not np.isin(heads["widths"], (0, *_WIDTHS)).all():
        raise _damaged("a column has an unknown width")
    return heads


def _damaged(how: str) -> StoreError:
    return StoreError(
        f"a summary of an archived day cannot be read: {how}; if a newer envmon wrote it, "
        "install that version, else restore the data folder from a backup"
    )
