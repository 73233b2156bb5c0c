"""Slots of live readings, which no summary holds yet."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.store.columns import CHARTED_WITH
from envmon.store.history_tally import slots_from
from envmon.store.live_part import live_days
from envmon.store.past import EVER
from envmon.store.summary import LARGEST_MILLI

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.store.history_tally import Slots
    from envmon.store.sqlite import SqliteStore

PIECE_US = 6 * HOUR_US
"""Live readings are summed up and remembered in pieces of this length."""

_PIECES_KEPT = 4_096  # 15 kB each
_SLOTS = (
    "SELECT group_concat((t_us - ?) / ?), group_concat("  # noqa: S608 - numbers
    f"CASE WHEN flag & ~{int(CHARTED_WITH)} = 0 AND abs(value) <= {LARGEST_MILLI // 1_000} "
    f"THEN CAST(round(value * 1000) AS INTEGER) "
    f"ELSE {LARGEST_MILLI + 1} END), sum(flag & 2) "  # 2 is Flag.CLOCK
    "FROM reading WHERE series_id = ? AND t_us >= ? AND t_us < ?"
)
_COUNT = "SELECT count(*) FROM reading WHERE series_id = ? AND t_us >= ? AND t_us < ?"

_Key = tuple[str, int, int, int]


class _Memory:
    """What the pieces of live files amounted to, with how many readings were in them then.

    A live reading stays as it is, unless its sensor had a wrong clock. A piece without such
    readings is therefore as it was when their number is as it was; others are not remembered.
    """

    def __init__(self) -> None:
        self._pieces: dict[_Key, tuple[int, Slots]] = {}
        self._lock = Lock()

    def find(self, key: _Key, count: int) -> Slots | None:
        known = self._pieces.get(key)
        return known[1] if known is not None and known[0] == count else None

    def keep(self, key: _Key, count: int, slots: Slots) -> None:
        with self._lock:
            self._pieces.pop(key, None)
            while len(self._pieces) >= _PIECES_KEPT:
                del self._pieces[next(iter(self._pieces))]
            self._pieces[key] = count, slots


_memory = _Memory()


def live_minutes(
    store: SqliteStore, series_id: int, spans: Sequence[tuple[int, int]]
) -> Iterator[Slots]:
    """Yield live readings by the minute; slots around the spans may come too.

    Args:
        store: The live file.
        series_id: The series.
        spans: Where to look [µs, UTC].
    """
    file = str(store.path), store.path.stat().st_ino
    for from_us, to_us in spans:
        for start_us in range(from_us // PIECE_US * PIECE_US, to_us, PIECE_US):
            span = start_us, start_us + PIECE_US
            count = store.run(_COUNT, (series_id, *span)).fetchone()[0]
            if count == 0:
                continue
            key = (*file, series_id, start_us)
            slots = _memory.find(key, count)
            if slots is None:
                slots, clocks = _fetched(store, series_id, span, MINUTE_US)
                if not clocks:
                    _memory.keep(key, count, slots)
            yield slots


def remember_live(store: SqliteStore) -> None:
    """Sum up and remember live readings of every series, so that their first chart is quick too.

    The newest days go first where there are more than can be remembered.

    Args:
        store: The live file.

    Raises:
        StoreError: The live file cannot be read.
    """
    numbers = store.series().values()
    most = _PIECES_KEPT // max(1, len(numbers)) * PIECE_US // DAY_US
    for day in sorted(live_days(store, *EVER))[-max(1, most) :]:
        for number in numbers:
            for _ in live_minutes(store, number, [(day * DAY_US, (day + 1) * DAY_US)]):
                pass


def live_slots(
    store: SqliteStore, series_id: int, spans: Sequence[tuple[int, int]], width_us: int
) -> Iterator[Slots]:
    """Yield live readings in slots of any width, a piece of a span at a time.

    Args:
        store: The live file.
        series_id: The series.
        spans: Where to look [µs, UTC]; every start is one of a slot.
        width_us: Length of a slot [µs], a whole part of ``PIECE_US``.
    """
    for from_us, to_us in spans:
        for start_us in range(from_us, to_us, PIECE_US):
            span = start_us, min(start_us + PIECE_US, to_us)
            slots, _ = _fetched(store, series_id, span, width_us)
            if len(slots[0]):
                yield slots


def _fetched(
    store: SqliteStore, series_id: int, span: tuple[int, int], width_us: int
) -> tuple[Slots, int]:
    """Return the slots of a span, and whether any reading in it is of a wrong clock."""
    row = store.run(_SLOTS, (span[0], width_us, series_id, *span)).fetchone()
    # Numbers as two texts take a third of the time of a tuple for each row.
    place, milli = (np.fromstring(text or "", dtype=np.int64, sep=",") for text in row[:2])
    slots = slots_from(span[0] + place * width_us, milli, np.ones(len(place), dtype=np.bool_))
    return slots, row[2] or 0
