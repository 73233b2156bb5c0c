"""The part of the past that still stands in the live file, read as days and arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import DAY_US
from envmon.store.columns import NOTHING, Columns, columns_from_values

if TYPE_CHECKING:
    from collections.abc import Collection

    from envmon.store.columns import SeriesName
    from envmon.store.sqlite import SqliteStore

ROWS_SQL = (
    "SELECT t_us, value, flag, lag_us FROM reading WHERE series_id = ? AND t_us >= ? AND t_us < ? "
    "ORDER BY t_us"
)


_ENDS = (
    "SELECT min(t_us) FROM reading WHERE series_id = ?",
    "SELECT max(t_us) FROM reading WHERE series_id = ?",
)


def live_span(store: SqliteStore) -> tuple[int, int] | None:
    """Return the first and the last own time of any live reading [µs], or None."""
    ends = [
        # Two statements, since SQLite answers only a lone min or max from the index.
        [store.run(sql, (number,)).fetchone()[0] for sql in _ENDS]
        for number in store.series().values()
    ]
    known = [(first, last) for first, last in ends if first is not None]
    return (min(first for first, _ in known), max(last for _, last in known)) if known else None


def live_seen_span(store: SqliteStore) -> tuple[int, int] | None:
    """Return when the first and the last live reading was taken in [µs], or None."""
    row = store.run("SELECT min(t_us + lag_us), max(t_us + lag_us) FROM reading").fetchone()
    return None if row[0] is None else (row[0], row[1])


def live_days(store: SqliteStore, from_us: int, to_us: int) -> set[int]:
    """Return the UTC days between two times that have live readings, as days since 1970.

    Steps from day to day through the index, so its cost is that of the days, not of the readings.
    """
    days: set[int] = set()
    sql = "SELECT min(t_us) FROM reading WHERE series_id = ? AND t_us >= ?"
    for number in store.series().values():
        at_us = store.run(sql, (number, from_us)).fetchone()[0]
        while at_us is not None and at_us < to_us:
            days.add(at_us // DAY_US)
            at_us = store.run(sql, (number, (at_us // DAY_US + 1) * DAY_US)).fetchone()[0]
    return days


def live_columns(
    store: SqliteStore, from_us: int, to_us: int, series: Collection[SeriesName] | None = None
) -> Columns:
    """Return live readings with ``from_us <= t_us < to_us``, sorted by series and time.

    Args:
        store: The live file.
        from_us: Start [µs].
        to_us: End [µs].
        series: Only these; None is all.
    """
    names: list[SeriesName] = []
    tables = []
    for name, number in store.series().items():
        if series is None or name in series:
            rows = store.run(ROWS_SQL, (number, from_us, to_us)).fetchall()
            if rows:
                names.append(name)
                # A double holds every time up to the year 2255 to the microsecond.
                tables.append(np.array(rows, np.float64))
    if not tables:
        return NOTHING
    numbers = np.repeat(np.arange(len(names), dtype=np.int32), [len(table) for table in tables])
    all_rows = np.concatenate(tables)
    t_us, flag, lag_us = (all_rows[:, at].astype(np.int64) for at in (0, 2, 3))
    return columns_from_values(
        names, numbers, t_us, all_rows[:, 1], (flag.astype(np.uint8), lag_us)
    )
