"""History for charts: these series, this span, at most so many buckets."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.store.history_buckets import Buckets, buckets_of
from envmon.store.history_count import counted
from envmon.store.history_derived import dew_lines
from envmon.store.history_tally import Line, Means, Tally

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName
    from envmon.store.past import Past

__all__ = ["History", "Line", "dew_lines", "history", "minute_means"]


class History(NamedTuple):
    """Series in buckets.

    Attributes:
        edges_us: Bucket i is ``edges_us[i] <= t < edges_us[i + 1]`` [µs, UTC], int64 (n + 1,).
        step_s: Width of a bucket by name [s].
        lines: (point, quantity) -> its line, in the order they were asked for.
    """

    edges_us: NDArray[np.int64]
    step_s: int
    lines: dict[SeriesName, Line]


def history(
    past: Past, series: Sequence[SeriesName], from_us: int, to_us: int, most: int, zone: str
) -> History:
    """Return what was measured over a span, with nothing between low and high left out.

    The span is rounded outwards to whole buckets (``edges_us[0] <= from_us`` and
    ``edges_us[-1] >= to_us``), and each bucket counts everything inside its edges. Live and
    archived readings count alike, each once. A series never kept is a line of gaps.

    Args:
        past: Everything kept.
        series: (point, quantity) of each line.
        from_us: Start of the span [µs, UTC].
        to_us: End of the span [µs, UTC], after the start.
        most: So many buckets at most, at least 1; see ``buckets_of`` for which.
        zone: Time zone whose hours and days the buckets follow.

    Raises:
        InputError: Span, number of buckets or zone are not allowed.
        StoreError: The live file cannot be read. A file of the archive that cannot is left out
            and named in the log.
    """
    buckets = buckets_of(from_us, to_us, most, zone)
    tallies = counted(past, [(name,) for name in series], buckets, Tally)
    lines = {name: tally.line() for name, tally in zip(series, tallies, strict=True)}
    return History(buckets.edges_us, buckets.step_s, lines)


def minute_means(
    past: Past, series: Iterable[SeriesName], edges_us: NDArray[np.int64]
) -> dict[SeriesName, NDArray[np.float64]]:
    """Return the mean of each minute of every series that was ever kept, NaN where there is none.

    Args:
        past: Everything kept.
        series: (point, quantity) of each; one never kept is left out.
        edges_us: Whole minutes, rising [µs, UTC], int64 (n + 1,).

    Raises:
        StoreError: The live file cannot be read.
    """
    kept = past.series()
    there = [name for name in series if name in kept]
    tallies = counted(past, [(name,) for name in there], Buckets(edges_us, 60), Means)
    return {name: tally.means() for name, tally in zip(there, tallies, strict=True)}
