"""The same questions put to plain DuckDB, to pandas over the same files, and to SQLite alone.

Each answers lowest, mean, highest and count in buckets of a given width, as one would write it
with that tool.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, NamedTuple

import duckdb
import numpy as np
import pandas as pd

from tests.benchmarks.history_season import NAMES, month_columns

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Name = tuple[str, str]

COLUMNS = ["point", "quantity", "t", "value_milli", "flag"]


class Question(NamedTuple):
    """Some series of a span [µs] in buckets of a width [µs]."""

    names: Sequence[Name]
    from_us: int
    to_us: int
    width_us: int


class Duck:
    """Plain DuckDB over an explicit list of the files."""

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = [str(path) for path in files]
        self._duck = duckdb.connect(config={"threads": 2})
        self._duck.execute("SET TimeZone = 'UTC'").fetchall()

    def ask(self, q: Question) -> int:
        """Return how many readings were counted."""
        points, quantities = (sorted({name[i] for name in q.names}) for i in (0, 1))
        found = self._duck.execute(
            f"""SELECT point, quantity, epoch_us(t) // {q.width_us} AS bucket,
                min(value_milli), avg(value_milli), max(value_milli), count(*) AS n
            FROM read_parquet(?, hive_partitioning = false)
            WHERE t >= make_timestamptz({q.from_us}) AND t < make_timestamptz({q.to_us})
                AND point IN ? AND quantity IN ? AND flag & 254 = 0
            GROUP BY ALL ORDER BY ALL""",
            [self._files, points, quantities],
        ).fetchnumpy()
        return int(np.asarray(found["n"]).sum())


class Pandas:
    """pandas over the same files, a month at a time, read with pyarrow."""

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = files

    def ask(self, q: Question) -> int:
        """Return how many readings were counted."""
        start, end = (pd.Timestamp(us, unit="us", tz="UTC") for us in (q.from_us, q.to_us))
        points, quantities = (sorted({name[i] for name in q.names}) for i in (0, 1))
        chosen = [("point", "in", points), ("quantity", "in", quantities), ("t", ">=", start),
                  ("t", "<", end)]  # fmt: skip
        parts = []
        for path in self._files:
            frame = pd.read_parquet(
                path, engine="pyarrow", filters=chosen, partitioning=None, columns=COLUMNS
            )
            frame = frame[(frame["flag"] & 254) == 0]
            bucket = frame["t"].dt.floor(f"{q.width_us}us")
            grouped = frame.groupby(["point", "quantity", bucket], observed=True)["value_milli"]
            parts.append(grouped.agg(["min", "sum", "max", "count"]))
        return int(pd.concat(parts)["count"].sum())


class Alone:
    """SQLite alone: one table of all readings, keyed by series and time."""

    def __init__(self, folder: Path, days: range) -> None:
        self._db = sqlite3.connect(folder / "alone.sqlite3")
        self._db.execute(
            "CREATE TABLE IF NOT EXISTS reading (series INTEGER, t_us INTEGER, value REAL, "
            "flag INTEGER, lag_us INTEGER, PRIMARY KEY (series, t_us)) WITHOUT ROWID"
        )
        if self._db.execute("SELECT count(*) FROM (SELECT 1 FROM reading LIMIT 1)").fetchone()[0]:
            return
        c = month_columns(days)
        lists = (c.series.tolist(), c.t_us.tolist(), c.values().tolist(), c.flag.tolist(),
                 c.lag_us.tolist())  # fmt: skip
        self._db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", zip(*lists, strict=True))
        self._db.commit()

    def ask(self, q: Question) -> int:
        """Return how many readings were counted."""
        total = 0
        for name in q.names:
            found = self._db.execute(
                "SELECT t_us / ?, min(value), avg(value), max(value), count(*) FROM reading "
                "WHERE series = ? AND t_us >= ? AND t_us < ? AND flag & 254 = 0 GROUP BY 1",
                (q.width_us, NAMES.index(name), q.from_us, q.to_us),
            ).fetchall()
            total += sum(row[4] for row in found)
        return total

    def bytes_a_row(self) -> float:
        """Return the size of the file for each reading in it."""
        (rows,) = self._db.execute("SELECT count(*) FROM reading").fetchone()
        (pages,) = self._db.execute("PRAGMA page_count").fetchone()
        (size,) = self._db.execute("PRAGMA page_size").fetchone()
        return float(pages * size / rows)

    def close(self) -> None:
        """Close the file."""
        self._db.close()
