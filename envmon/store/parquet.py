"""Readings in Parquet files, through DuckDB: open to any tool, small, and the same every time.

Columns: point, quantity, t (timestamp, UTC), value_milli (thousandths of the unit), value_exact
(null unless value_milli does not say it all), flag, lag_us; sorted by point, quantity, t.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any, NamedTuple

import duckdb
import numpy as np

from envmon.clock import DAY_US
from envmon.errors import ArchiveFileError, StoreError
from envmon.store.columns import Columns
from envmon.store.disk import sync

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName

MEMORY_LIMIT = "256MB"
_OPTIONS = (
    "FORMAT parquet, COMPRESSION zstd, COMPRESSION_LEVEL 19, PARQUET_VERSION v2, "
    "ROW_GROUP_SIZE 122880, DICTIONARY_SIZE_LIMIT 512"
)
"""Of more than 512 different values, steps from one to the next take less room than places in a
dictionary: packed bits of an odd width hide from zstd how alike they are."""
_SELECT = (
    "SELECT point, quantity, epoch_us(t) AS t_us, value_milli, "
    "coalesce(value_exact, 'nan'::DOUBLE) AS exact, flag, lag_us "
    "FROM read_parquet(?, hive_partitioning = false)"
)


def open_duck(spill: Path | None = None) -> duckdb.DuckDBPyConnection:
    """Return a DuckDB that keeps to its memory and to UTC.

    Args:
        spill: Folder for what does not fit into memory; None forbids that.
    """
    config: dict[str, str | bool | int | float | list[str]] = {
        "threads": "2",
        "memory_limit": MEMORY_LIMIT,
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "temp_directory": str(spill) if spill else "",
    }
    duck = duckdb.connect(config=config)
    duck.execute("SET TimeZone = 'UTC'").fetchall()
    return duck


class Kept(NamedTuple):
    """What stays of an older file: its readings outside a span [µs]."""

    path: Path
    but_from_us: int
    but_to_us: int


def write_columns(
    duck: duckdb.DuckDBPyConnection, columns: Columns, path: Path, kept: Kept | None = None
) -> None:
    """Write readings, and what stays of an older file, and see them to the disk.

    Raises:
        StoreError: The disk or the folder fails; the part written is deleted.
    """
    duck.register(
        "new_rows",
        {
            "series": columns.series,
            "t_us": columns.t_us,
            "milli": columns.milli,
            "exact": columns.exact,
            "flag": columns.flag,
            "lag_us": columns.lag_us,
        },
    )
    duck.register(
        "new_names",
        {
            "place": np.arange(len(columns.names), dtype=np.int32),
            "point": np.array([name[0] for name in columns.names], object),
            "quantity": np.array([name[1] for name in columns.names], object),
        },
    )
    older = ""
    if kept is not None:
        older = (
            f"UNION ALL FROM read_parquet({_list([kept.path])}, hive_partitioning = false) "
            f"WHERE epoch_us(t) < {kept.but_from_us} OR epoch_us(t) >= {kept.but_to_us} "
        )
    try:
        _copy(
            duck,
            "SELECT point, quantity, make_timestamptz(t_us) AS t, milli AS value_milli, "  # noqa: S608 - our own path and numbers
            "CASE WHEN isnan(exact) THEN NULL ELSE exact END AS value_exact, flag, lag_us "
            f"FROM new_rows JOIN new_names ON series = place {older}"
            "ORDER BY point, quantity, t",
            path,
        )
    finally:
        duck.unregister("new_rows")
        duck.unregister("new_names")


def write_merged(duck: duckdb.DuckDBPyConnection, sources: Sequence[Path], path: Path) -> None:
    """Write the readings of several files, which have none in common, into one.

    Raises:
        StoreError: A file cannot be read, or the disk or the folder fails.
    """
    source = f"read_parquet({_list(sources)}, hive_partitioning = false)"
    _copy(duck, f"FROM {source} ORDER BY point, quantity, t", path)


def _list(paths: Iterable[Path]) -> str:
    quoted = (str(path).replace("'", "''") for path in paths)
    return "[" + ", ".join(f"'{text}'" for text in quoted) + "]"


def _copy(duck: duckdb.DuckDBPyConnection, select: str, path: Path) -> None:
    part = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        duck.execute(f"COPY ({select}) TO {_list([part])[1:-1]} ({_OPTIONS})").fetchall()
        sync(part)
        part.rename(path)
        sync_folders(path)
    except (duckdb.Error, OSError) as error:
        part.unlink(missing_ok=True)
        raise StoreError(
            f"cannot write {path}: {first_line(error)}; check that the disk has room and the "
            "folder is writable; nothing was moved"
        ) from error


def sync_folders(path: Path) -> None:
    """See a new name to the disk, and those of the folders above it up to the data folder."""
    for folder in list(path.parents)[:4]:
        sync(folder)


def read_columns(
    duck: duckdb.DuckDBPyConnection,
    paths: Sequence[Path],
    where: str,
    series: Collection[SeriesName] | None = None,
) -> Columns:
    """Return readings of files, sorted by series and time.

    Args:
        duck: Connection of this thread.
        paths: The files.
        where: SQL over ``t_us``, ``lag_us``, ``flag`` with plain numbers in it.
        series: Only these; None is all.

    Raises:
        ArchiveFileError: A file is missing or torn.
    """
    wanted = "" if series is None else f" AND (point, quantity) IN ({_pairs(series)})"
    sql = f"{_SELECT} WHERE {where}{wanted} ORDER BY point, quantity, t_us"
    try:
        found = duck.execute(sql, [[str(path) for path in paths]]).fetchnumpy()
    except duckdb.Error as error:
        raise ArchiveFileError(f"cannot read the archive: {first_line(error)}") from error
    return _columns({name: np.asarray(column) for name, column in found.items()})


def _pairs(series: Collection[SeriesName]) -> str:
    quoted = (tuple(text.replace("'", "''") for text in name) for name in series)
    return ", ".join(f"('{point}', '{quantity}')" for point, quantity in quoted) or "(NULL, NULL)"


def _columns(found: dict[str, NDArray[Any]]) -> Columns:
    points, quantities = found["point"], found["quantity"]
    fresh = np.ones(len(points), bool)
    fresh[1:] = (points[1:] != points[:-1]) | (quantities[1:] != quantities[:-1])
    starts = np.flatnonzero(fresh)
    names = [(str(points[at]), str(quantities[at])) for at in starts]
    return Columns(
        names,
        (np.cumsum(fresh) - 1).astype(np.int32),
        found["t_us"].astype(np.int64),
        found["value_milli"].astype(np.int64),
        found["exact"].astype(np.float64),
        found["flag"].astype(np.uint8),
        found["lag_us"].astype(np.int64),
    )


def file_facts(duck: duckdb.DuckDBPyConnection, path: Path) -> tuple[int, int, int, int, int]:
    """Return of a file: readings, first and last own time, first and last time of taking in [µs].

    Raises:
        ArchiveFileError: The file is missing or torn.
    """
    sql = (
        "SELECT count(*), min(epoch_us(t)), max(epoch_us(t)), min(epoch_us(t) + lag_us), "
        "max(epoch_us(t) + lag_us) FROM read_parquet(?, hive_partitioning = false)"
    )
    try:
        # All of it: DuckDB refuses further work while a result is not fetched to its end.
        row = duck.execute(sql, [[str(path)]]).fetchall()[0]
    except duckdb.Error as error:
        raise ArchiveFileError(f"cannot read {path}: {first_line(error)}") from error
    return tuple(int(number or 0) for number in row)  # type: ignore[return-value]


def days_in(duck: duckdb.DuckDBPyConnection, path: Path) -> list[int]:
    """Return the UTC days that a file has readings of, as days since 1970.

    Raises:
        ArchiveFileError: The file is missing or torn.
    """
    sql = (
        f"SELECT DISTINCT epoch_us(t) // {DAY_US} FROM read_parquet(?, hive_partitioning = false)"  # noqa: S608 - a number
        " ORDER BY 1"
    )
    try:
        return [int(row[0]) for row in duck.execute(sql, [[str(path)]]).fetchall()]
    except duckdb.Error as error:
        raise ArchiveFileError(f"cannot read {path}: {first_line(error)}") from error


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hex."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def first_line(error: Exception) -> str:
    """Return the first line of a foreign error; the rest is for programmers."""
    return str(error).splitlines()[0] if str(error) else type(error).__name__
