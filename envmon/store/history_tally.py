"""Counting readings and summaries into the buckets of a chart, in whole thousandths."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.facts import PARTS
from envmon.store.summary import DaySummary, summarise_slots

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

Slots = tuple["Ints", DaySummary]
"""Starts [µs, UTC], rising, and what is in the slots."""

_ENDS = np.iinfo(np.int64)


class Line(NamedTuple):
    """One series in buckets, all arrays of their number n; a bucket with nothing is a gap.

    Attributes:
        low: Lowest charted value in the unit of the quantity, NaN in a gap.
        mean: Mean of the charted values, NaN in a gap.
        high: Highest charted value, NaN in a gap.
        count: Charted readings, int64.
        flagged: Readings that are not charted, int64.
    """

    low: Floats
    mean: Floats
    high: Floats
    count: Ints  # type: ignore[assignment]  # hides tuple.count on purpose
    flagged: Ints


class Tally:
    """What has been counted into buckets so far; the order of counting does not matter.

    Args:
        edges_us: Edges of the buckets [µs, UTC], int64 (n + 1,).
    """

    def __init__(self, edges_us: Ints) -> None:
        self.edges_us = edges_us
        buckets = len(edges_us) - 1
        self._count = np.zeros(buckets, dtype=np.int64)
        self._flagged = np.zeros(buckets, dtype=np.int64)
        self._low = np.full(buckets, _ENDS.max)
        self._high = np.full(buckets, _ENDS.min)
        self._total = np.zeros(buckets, dtype=np.int64)

    def add(self, start_us: Ints, slots: DaySummary) -> None:
        """Count slots in; those outside the buckets are left out.

        Args:
            start_us: Start of each slot [µs, UTC], rising; no edge lies inside a slot.
            slots: What is in them.
        """
        cuts = np.searchsorted(start_us, self.edges_us)
        filled = np.flatnonzero(np.diff(cuts))
        if not filled.size:
            return
        starts, end = cuts[filled], cuts[-1]
        known = slots.count[:end] > 0
        low = np.where(known, slots.low[:end], _ENDS.max)
        high = np.where(known, slots.high[:end], _ENDS.min)
        self._count[filled] += np.add.reduceat(slots.count[:end], starts, dtype=np.int64)
        self._flagged[filled] += np.add.reduceat(slots.flagged[:end], starts, dtype=np.int64)
        self._total[filled] += np.add.reduceat(slots.total[:end], starts)
        self._low[filled] = np.minimum(self._low[filled], np.minimum.reduceat(low, starts))
        self._high[filled] = np.maximum(self._high[filled], np.maximum.reduceat(high, starts))

    def means(self) -> Floats:
        """Return the mean of each bucket in the unit of the quantity, NaN in a gap."""
        return _means(self._total, self._count)

    def line(self) -> Line:
        """Return what was counted, in the unit of the quantity."""
        known = self._count > 0
        low = np.where(known, self._low / PARTS, np.nan)
        high = np.where(known, self._high / PARTS, np.nan)
        return Line(low, self.means(), high, self._count.copy(), self._flagged.copy())


class Means:
    """Counts and sums in buckets of one width, for when lowest and highest are of no interest.

    Args:
        edges_us: Edges of the buckets [µs, UTC], all equally far apart, int64 (n + 1,).
    """

    def __init__(self, edges_us: Ints) -> None:
        self._first_us, self._width_us = edges_us[0], edges_us[1] - edges_us[0]
        self._count = np.zeros(len(edges_us) - 1, dtype=np.int64)
        self._total = np.zeros(len(edges_us) - 1, dtype=np.int64)

    def add(self, start_us: Ints, slots: DaySummary) -> None:
        """Count slots in, of which no two start in the same bucket.

        Args:
            start_us: Start of each slot [µs, UTC], rising.
            slots: What is in them.
        """
        place = (start_us - self._first_us) // self._width_us
        begin, end = np.searchsorted(place, (0, len(self._count)))
        if begin == end:
            return
        place = place[begin:end]
        # Unbroken, as nearly always, they are a slice, which is much faster.
        unbroken = place[-1] - place[0] + 1 == len(place)
        where = slice(place[0], place[-1] + 1) if unbroken else place
        self._count[where] += slots.count[begin:end]
        self._total[where] += slots.total[begin:end]

    def means(self) -> Floats:
        """Return the mean of each bucket in the unit of the quantity, NaN in a gap."""
        return _means(self._total, self._count)


def _means(total: Ints, count: Ints) -> Floats:
    with np.errstate(invalid="ignore"):
        means: Floats = total / count / PARTS
    return means


def slots_from(start_us: Ints, milli: Ints, charted: NDArray[np.bool_]) -> Slots:
    """Return slots from readings, each given with the start of the slot it is in.

    Args:
        start_us: Start of the slot of each reading [µs, UTC].
        milli: Values [milli].
        charted: Whether each reading is a true value of its time.
    """
    if (np.diff(start_us) < 0).any():
        order = np.argsort(start_us, kind="stable")
        start_us, milli, charted = start_us[order], milli[order], charted[order]
    fresh = np.diff(start_us, prepend=start_us[:1] - 1) > 0
    slot = np.cumsum(fresh) - 1
    return start_us[fresh], summarise_slots(slot, milli, charted, int(np.count_nonzero(fresh)))
