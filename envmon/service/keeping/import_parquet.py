"""A Parquet file with the archive's columns, read as arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import duckdb
import numpy as np

from envmon.errors import InputError
from envmon.service.keeping.import_judge import NO_TIME, WALL, ZONED, Given, Part, Times
from envmon.service.keeping.import_lines import ensure_file
from envmon.store.parquet import first_line, sha256_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path
    from types import TracebackType

PART_ROWS = 50_000
_NEEDED = ("point", "quantity", "t")
_ALLOWED = (*_NEEDED, "value_milli", "value_exact", "value", "flag", "lag_us")

_PIECE = """
CREATE OR REPLACE TEMP TABLE piece AS
SELECT file_row_number + 1 AS row, coalesce(point::VARCHAR, '') AS point,
    coalesce(quantity::VARCHAR, '') AS quantity, '' AS unit,
    CASE WHEN t IS NULL OR NOT isfinite(t) THEN NULL ELSE epoch_us(t) END AS t_us,
    {value} AS value, {flag} AS flag, {lag} AS lag_us
FROM read_parquet(?, file_row_number = true, hive_partitioning = false)
WHERE file_row_number >= ? AND file_row_number < ?
"""
_KEYS = """
CREATE OR REPLACE TEMP TABLE piece_key AS
SELECT *, row_number() OVER () - 1 AS key
FROM (SELECT DISTINCT point, quantity, unit FROM piece)
"""
_ROWS = """
SELECT row, key, coalesce(t_us, 0) AS t_us, t_us IS NULL AS timeless,
    coalesce(value, 'nan') AS number, coalesce(lag_us, 0) AS lag_us,
    CASE WHEN flag BETWEEN 0 AND 255 THEN flag ELSE 256 END AS bits
FROM piece JOIN piece_key USING (point, quantity, unit)
ORDER BY row
"""  # 256 is UNKNOWN_FLAG


class ParquetSource:
    """A Parquet file: point, quantity, t, value_milli (value_exact) or value, flag, lag_us.

    Args:
        path: The file.
        duck: Connection of the thread that reads.

    Raises:
        InputError: It cannot be read, or its columns are not ours.
    """

    unit = "row"
    header = "time,point,quantity,value,unit,flag,seen"

    def __init__(self, path: Path, duck: duckdb.DuckDBPyConnection) -> None:
        self._path, self._duck = path, duck
        self.total_bytes = ensure_file(path)
        types = self._types()
        self._form = _ensured_columns(path, types)
        self._piece = _piece_sql(types)
        self._count = int(self._one("SELECT count(*) FROM read_parquet(?)"))
        self._done = 0

    @property
    def done_bytes(self) -> int:
        """How much of the file has been read [bytes], by the share of its rows."""
        return self.total_bytes * self._done // max(1, self._count)

    def sha256(self) -> str:
        """Return the digest of the whole file."""
        return sha256_of(self._path)

    def parts(self) -> Iterator[Part]:
        """Yield the rows of the file, some ten thousand at a time.

        Raises:
            InputError: The file cannot be read any further.
        """
        while self._done < self._count:
            start, self._done = self._done, min(self._count, self._done + PART_ROWS)
            try:
                self._duck.execute(self._piece, [str(self._path), start, self._done])
                self._duck.execute(_KEYS)
                yield Part(self._given(), self._texts)
            except duckdb.Error as error:
                raise self._broken(error) from error

    def _given(self) -> Given:
        found = self._duck.execute(_ROWS).fetchnumpy()
        names = "SELECT point, quantity, unit FROM piece_key ORDER BY key"
        keys = self._duck.execute(names).fetchall()
        t_us = np.asarray(found["t_us"], np.int64)
        form = np.where(found["timeless"], np.uint8(NO_TIME), np.uint8(self._form))
        count = len(t_us)
        return Given(
            np.asarray(found["row"], np.int64),
            np.zeros(count, np.uint8),
            Times(t_us, form),
            Times(t_us + np.asarray(found["lag_us"], np.int64), form),
            np.asarray(found["key"], np.int64),
            np.asarray(found["number"], np.float64),
            np.zeros(count, bool),
            np.asarray(found["bits"], np.uint16),
            keys,
        )

    def _texts(self, places: Sequence[int]) -> list[str]:
        """Return rows as lines of a CSV file; the texts are those of this part only."""
        sql = "SELECT t_us, point, quantity, value, flag FROM piece ORDER BY row"
        rows = self._duck.execute(sql).fetchall()
        return [",".join(map(_cell, _csv_fields(rows[place]))) for place in places]

    def _types(self) -> dict[str, str]:
        try:
            sql = "DESCRIBE SELECT * FROM read_parquet(?, hive_partitioning = false)"
            rows = self._duck.execute(sql, [str(self._path)]).fetchall()
        except duckdb.Error as error:
            raise self._broken(error) from error
        return {row[0]: row[1] for row in rows}

    def _one(self, sql: str) -> int:
        row = self._duck.execute(sql, [str(self._path)]).fetchone()
        assert row is not None
        return int(row[0])

    def _broken(self, error: Exception) -> InputError:
        return InputError(f"{self._path} cannot be read as Parquet: {first_line(error)}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        self._duck.execute("DROP TABLE IF EXISTS piece")


def _ensured_columns(path: Path, types: dict[str, str]) -> int:
    """Return how the times are given.

    Raises:
        InputError: A column is unknown, missing or of a type that cannot be.
    """
    allowed = f"allowed are {', '.join(_ALLOWED)}"
    unknown = [name for name in types if name not in _ALLOWED]
    if unknown:
        listed = ", ".join(repr(name[:60]) for name in unknown[:5])
        raise InputError(f"{path} has the columns {listed}; {allowed}")
    missing = [name for name in _NEEDED if name not in types]
    if not types.keys() & {"value_milli", "value"}:
        missing.append("value_milli (or value)")
    if missing:
        raise InputError(f"{path} lacks the column {', '.join(missing)}; {allowed}")
    if not types["t"].startswith("TIMESTAMP"):
        raise InputError(f"{path}: t is of type {types['t']}; allowed is a timestamp")
    return ZONED if types["t"] == "TIMESTAMP WITH TIME ZONE" else WALL


def _piece_sql(types: dict[str, str]) -> str:
    exact = [name for name in ("value_exact", "value") if name in types]
    milli = ["try_cast(value_milli AS BIGINT) / 1000"] if "value_milli" in types else []
    values = [*(f"try_cast({name} AS DOUBLE)" for name in exact), *milli]
    return _PIECE.format(
        value=f"coalesce({', '.join(values)})",
        flag="try_cast(flag AS INTEGER)" if "flag" in types else "0",
        lag="try_cast(lag_us AS BIGINT)" if "lag_us" in types else "0",
    )


def _csv_fields(row: tuple[int | None, str, str, float | None, int | None]) -> list[str]:
    t_us, point, quantity, value, flag = row
    time = "" if t_us is None else str(np.datetime64(t_us, "us"))
    number = "" if value is None else repr(value)
    return [time, point, quantity, number, "", "" if flag is None else str(flag), ""]


def _cell(text: str) -> str:
    if any(mark in text for mark in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
