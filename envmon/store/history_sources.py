"""Where a chart's numbers come from: summaries, archived readings and live readings.

Everything is handed on as slots (a start and what is in it), for one series at a time.
"""

from __future__ import annotations

import logging
from contextlib import contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import duckdb
import numpy as np

from envmon.clock import DAY_US, SECOND_US
from envmon.errors import StoreError
from envmon.store.columns import charted_of
from envmon.store.history_tally import slots_from
from envmon.store.parquet import first_line
from envmon.store.summary import DaySummary, unpack_days

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName
    from envmon.store.history_tally import Slots
    from envmon.store.past import Past
    from envmon.store.sqlite import SqliteStore

    Ints = NDArray[np.int64]

log = logging.getLogger("envmon.store")

_RAW = (
    "SELECT epoch_us(t) AS t_us, value_milli, flag FROM read_parquet(?, hive_partitioning = false) "
    "WHERE point = ? AND quantity = ? "
    "AND t >= make_timestamptz({from_us}) AND t < make_timestamptz({to_us})"
)


@contextmanager
def one_view(store: SqliteStore) -> Iterator[None]:
    """See the live file as it is now throughout, whatever the archive moves meanwhile."""
    store.run("SAVEPOINT one_view")
    try:
        yield
    finally:
        store.run("RELEASE one_view")


class Days(NamedTuple):
    """How the UTC days of a span are kept.

    Attributes:
        archived: Days in the archive, rising.
        late: Those of them that have live readings not merged yet.
        live: Spans of whole days that are not in the archive [µs, UTC].
    """

    archived: list[int]
    late: set[int]
    live: list[tuple[int, int]]


def days_of(past: Past, from_us: int, to_us: int) -> Days:
    """Return how the days of a span are kept, the live spans cut to it.

    Args:
        past: Everything kept.
        from_us: Start of the span [µs, UTC].
        to_us: End of the span [µs, UTC].
    """
    first, end = from_us // DAY_US, -(-to_us // DAY_US)
    archived = sorted(day for day in past.days() if first <= day < end)
    bounds = [first - 1, *archived, end]
    gaps = [
        ((before + 1) * DAY_US, after * DAY_US)
        for before, after in pairwise(bounds)
        if after - before > 1
    ]
    live = [(max(start, from_us), min(stop, to_us)) for start, stop in gaps]
    return Days(archived, past.late_days(from_us, to_us), live)


def late_days_of(past: Past, series_id: int, days: Days) -> set[int]:
    """Return the late days on which this very series has readings not merged yet."""
    sql = "SELECT 1 FROM reading WHERE series_id = ? AND t_us >= ? AND t_us < ? LIMIT 1"
    return {
        day
        for day in days.late
        if past.store.run(sql, (series_id, day * DAY_US, (day + 1) * DAY_US)).fetchone()
    }


def summary_slots(
    past: Past, series_id: int, span: tuple[int, int], late: set[int], step_s: int
) -> Iterator[Slots]:
    """Yield the slots of archived days, from their summaries.

    A summary outlives a damaged file of the archive, so it counts whether the manifest has its
    day or not.

    Args:
        past: Everything kept.
        series_id: The series.
        span: First and last UTC day.
        late: Days whose summaries do not hold everything.
        step_s: Length of a slot [s].
    """
    sql = (
        "SELECT day, packed FROM summary WHERE series_id = ? AND step_s = ? "
        "AND day >= ? AND day <= ? ORDER BY day"
    )
    found = [row for row in past.store.rows(sql, (series_id, step_s, *span)) if row[0] not in late]
    if not found:
        return
    columns = unpack_days([row[1] for row in found])
    starts = np.arange(86_400 // step_s, dtype=np.int64) * (step_s * SECOND_US)
    day_us = np.array([row[0] for row in found], dtype=np.int64)[:, None] * DAY_US
    yield (day_us + starts).reshape(-1), DaySummary(*(column.reshape(-1) for column in columns))  # type: ignore[arg-type]


def merged_slots(past: Past, name: SeriesName, days: set[int], edges_us: Ints) -> Iterator[Slots]:
    """Yield the slots of days that stand in the live file and in the archive, counted once."""
    for day in sorted(days):
        start = max(day * DAY_US, int(edges_us[0]))
        stop = min((day + 1) * DAY_US, int(edges_us[-1]))
        for part in past.columns(start, stop, [name]):
            yield slots_from(_bucket_starts(part.t_us, edges_us), part.milli, part.charted())


def raw_slots(
    past: Past, name: SeriesName, days: Sequence[int], edges_us: Ints, *, leave_out: bool
) -> Iterator[Slots]:
    """Yield the slots of archived readings, one slot a bucket.

    Args:
        past: Everything kept.
        name: The series.
        days: UTC days, rising.
        edges_us: Edges of the buckets [µs, UTC].
        leave_out: Leave out files that cannot be read, and name them in the log.

    Raises:
        StoreError: A file cannot be read.
    """
    for first, last in _runs(days):
        from_us = max(first * DAY_US, int(edges_us[0]))
        to_us = min((last + 1) * DAY_US, int(edges_us[-1]))
        files = [file.path for file in past.files(from_us, to_us)]
        for paths in [[path] for path in files] if leave_out else [files]:
            try:
                t_us, milli, flag = _read(past.duck, paths, name, (from_us, to_us))
            except StoreError as error:
                if not leave_out:
                    raise
                log.error("left out: %s", error)  # noqa: TRY400 - the text says it all
                continue
            yield slots_from(_bucket_starts(t_us, edges_us), milli, charted_of(flag))


def _runs(days: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Yield the first and last of every unbroken run of days."""
    ends = [place for place in range(len(days)) if days[place + 1 : place + 2] != [days[place] + 1]]
    starts = [0, *(place + 1 for place in ends)]
    for start, end in zip(starts, ends, strict=False):
        yield days[start], days[end]


def _read(
    duck: duckdb.DuckDBPyConnection,
    paths: Sequence[Path],
    name: SeriesName,
    span: tuple[int, int],
) -> tuple[Ints, Ints, NDArray[np.uint8]]:
    """Return times [µs], values [milli] and flags of one series."""
    # Plain numbers, not parameters: only then are the blocks outside the span skipped.
    sql = _RAW.format(from_us=span[0], to_us=span[1])
    try:
        found = duck.execute(sql, [[str(path) for path in paths], *name]).fetchnumpy()
    except duckdb.Error as error:
        raise StoreError(f"cannot read the archive: {first_line(error)}") from error
    t_us, milli, flag = (np.asarray(found[column]) for column in ("t_us", "value_milli", "flag"))
    return t_us, milli, flag


def _bucket_starts(t_us: Ints, edges_us: Ints) -> Ints:
    return edges_us[np.searchsorted(edges_us, t_us, "right") - 1]
