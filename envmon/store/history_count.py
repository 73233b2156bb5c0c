"""Counting series into buckets from wherever their readings are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol, TypeVar

from envmon.clock import DAY_US, SECOND_US
from envmon.errors import StoreError
from envmon.store.history_buckets import slot_s
from envmon.store.history_live import live_minutes, live_slots
from envmon.store.history_sources import (
    days_of,
    late_days_of,
    merged_slots,
    one_view,
    raw_slots,
    summary_slots,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName
    from envmon.store.history_buckets import Buckets
    from envmon.store.history_sources import Days
    from envmon.store.history_tally import Slots
    from envmon.store.past import Past
    from envmon.store.summary import DaySummary


class Counter(Protocol):
    """What slots can be counted into."""

    def add(self, start_us: NDArray[np.int64], slots: DaySummary) -> None:
        """Count slots in, given with their starts [µs, UTC]."""
        ...


T = TypeVar("T", bound=Counter)


def counted(
    past: Past,
    groups: Sequence[Sequence[SeriesName]],
    buckets: Buckets,
    counter: Callable[[NDArray[np.int64]], T],
) -> list[T]:
    """Return the readings of every group of series counted into buckets.

    Args:
        past: Everything kept.
        groups: Series to count together; one never kept counts nothing.
        buckets: Where to.
        counter: Makes what the readings are counted into, from the edges [µs, UTC].

    Returns:
        A counter for each group.

    Raises:
        StoreError: The live file cannot be read. A file of the archive that cannot is left out
            and named in the log.
    """
    counters = [counter(buckets.edges_us) for _ in groups]
    try:
        _count(past, groups, buckets, counters, leave_out=False)
    except StoreError:
        # A merge may have overtaken the list of files; what still cannot be read is left out.
        counters = [counter(buckets.edges_us) for _ in groups]
        _count(past, groups, buckets, counters, leave_out=True)
    return counters


class _Asked(NamedTuple):
    """What is the same for every series."""

    past: Past
    days: Days
    buckets: Buckets
    slot_s: int
    leave_out: bool


def _count(
    past: Past,
    groups: Sequence[Sequence[SeriesName]],
    buckets: Buckets,
    counters: Sequence[Counter],
    *,
    leave_out: bool,
) -> None:
    first, end = int(buckets.edges_us[0]), int(buckets.edges_us[-1])
    with one_view(past.store):
        numbers = past.series()
        asked = _Asked(past, days_of(past, first, end), buckets, slot_s(buckets), leave_out)
        for counter, group in zip(counters, groups, strict=True):
            for name in set(group) & numbers.keys():
                for start_us, slots in _slots(asked, name, numbers[name]):
                    counter.add(start_us, slots)


def _slots(asked: _Asked, name: SeriesName, number: int) -> Iterator[Slots]:
    past, days, buckets, step_s, leave_out = asked
    edges = buckets.edges_us
    late = late_days_of(past, number, days)
    yield from merged_slots(past, name, late, edges)
    if step_s:
        span = int(edges[0]) // DAY_US, (int(edges[-1]) - 1) // DAY_US
        yield from summary_slots(past, number, span, late, step_s)
        yield from live_minutes(past.store, number, days.live)
        return
    sound = [day for day in days.archived if day not in late]
    yield from raw_slots(past, name, sound, edges, leave_out=leave_out)
    # An edge off the whole minute comes with a zone of before 1940; it is on a whole second.
    width_us = (buckets.step_s if buckets.step_s < 60 else 1) * SECOND_US
    yield from live_slots(past.store, number, days.live, width_us)
