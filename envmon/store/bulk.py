"""Many readings at once into the live file, by the rules of single ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import duckdb
import numpy as np

from envmon.clock import DAY_US
from envmon.errors import StoreError
from envmon.store.parquet import first_line
from envmon.store.sqlite import _INSERT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName
    from envmon.store.past import Past
    from envmon.store.sqlite import SqliteStore

_DOUBLES = """
SELECT DISTINCT place FROM coming
JOIN named USING (series)
JOIN read_parquet(?, hive_partitioning = false) AS kept
    ON kept.point = named.point AND kept.quantity = named.quantity AND epoch_us(kept.t) = t_us
WHERE kept.t >= make_timestamptz(?::BIGINT) AND kept.t <= make_timestamptz(?::BIGINT)
    AND NOT (kept.flag & 2 > 0 AND coming.flag & 2 = 0)
"""  # 2 is Flag.CLOCK


class Rows(NamedTuple):
    """Readings as arrays of one length n, values in the units of their quantities.

    Attributes:
        series: Place in a list of series names, int32 (n,).
        t_us: Own time [µs, UTC], int64 (n,).
        values: Exact values, float64 (n,).
        flag: Bits of ``Flag``, uint8 (n,).
        lag_us: Taken in so long after its own time [µs], int64 (n,).
    """

    series: NDArray[np.int32]
    t_us: NDArray[np.int64]
    values: NDArray[np.float64]
    flag: NDArray[np.uint8]
    lag_us: NDArray[np.int64]

    def taken(self, places: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Rows:
        """Return the chosen rows."""
        return Rows(*(column[places] for column in self))  # type: ignore[arg-type]


def by_series(rows: Rows) -> Rows:
    """Return the rows sorted by series and time; of two with the same the first stays first."""
    return rows.taken(np.lexsort((rows.t_us, rows.series)))


def add_rows(store: SqliteStore, names: Sequence[SeriesName], rows: Rows) -> int:
    """Keep readings in one transaction; one already in the live file stays as it is.

    One whose sensor had a wrong clock gives way to a true one at the same time.

    Args:
        store: The live file.
        names: What ``rows.series`` counts in.
        rows: The readings.

    Returns:
        How many were new.

    Raises:
        StoreError: The file or the disk fails; none of the rows is kept.
    """
    with store.atomic():
        used = np.unique(rows.series).tolist()
        ids = np.zeros(len(names), np.int64)
        ids[used] = [store.series_id(*names[place]) for place in used]
        columns = (ids[rows.series], *rows[1:])
        lines = zip(*(column.tolist() for column in columns), strict=True)
        return store.run_many(_INSERT, lines) if len(rows.t_us) else 0


def not_archived(past: Past, names: Sequence[SeriesName], rows: Rows) -> Rows:
    """Return the rows that the archive does not hold already.

    Args:
        past: Everything kept.
        names: What ``rows.series`` counts in.
        rows: Readings that come in.

    Raises:
        StoreError: A file of the archive cannot be read.
    """
    days = past.days().intersection(np.unique(rows.t_us // DAY_US).tolist())
    if not days:
        return rows
    first, last = int(rows.t_us.min()), int(rows.t_us.max())
    files = [file for file in past.files(first, last + 1) if days.intersection(file.days)]
    doubles = _doubles(past, names, rows, [str(file.path) for file in files])
    keep = np.ones(len(rows.t_us), bool)
    keep[doubles] = False
    return rows.taken(keep)


def _doubles(
    past: Past, names: Sequence[SeriesName], rows: Rows, paths: list[str]
) -> NDArray[np.int64]:
    count = len(rows.t_us)
    coming = {"place": np.arange(count), "series": rows.series, "t_us": rows.t_us}
    named = {
        "series": np.arange(len(names), dtype=np.int32),
        "point": np.array([point for point, _ in names], object),
        "quantity": np.array([quantity for _, quantity in names], object),
    }
    past.duck.register("coming", {**coming, "flag": rows.flag})
    past.duck.register("named", named)
    edges = [int(rows.t_us.min()), int(rows.t_us.max())]
    try:
        found = past.duck.execute(_DOUBLES, [paths, *edges]).fetchnumpy()
    except duckdb.Error as error:
        raise StoreError(
            f"cannot read the archive: {first_line(error)}; nothing of these rows was taken"
        ) from error
    finally:
        past.duck.unregister("coming")
        past.duck.unregister("named")
    return np.asarray(found["place"], np.int64)
