"""Pieces of a CSV file made into arrays by DuckDB, in C++ and beside the interpreter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.service.keeping.import_judge import (
    FLAG_WORDS,
    NO_ENTRY,
    NO_TIME,
    UNKNOWN_FLAG,
    WALL,
    ZONED,
    Given,
    Part,
    Times,
)
from envmon.service.keeping.import_lines import ALLOWED, BAD_QUOTES, LONGEST_LINE, CsvLines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path
    from types import TracebackType
    from typing import Self

    import duckdb

    from envmon.service.keeping.import_lines import Piece

_WALL_TIME = r"\s*\d{4}-\d\d-\d\d[T ]([01]\d|2[0-3]):[0-5]\d(:[0-5]\d(\.\d{1,9})?)?"
_OFFSET = r"(Z|[+-](0\d|1[0-4])(:?[0-5]\d)?)\s*"
_BAD_CHARACTER = "\ufffd"

_PIECE = """
CREATE OR REPLACE TEMP TABLE piece AS
SELECT row, {shape} AS shape, {fields}
FROM (SELECT row, line,
        string_split(CASE WHEN strlen(line) > {longest} THEN '' ELSE line END, $2) AS fields
    FROM (SELECT line, row_number() OVER () AS row
        FROM (SELECT unnest(string_split($1, chr(10))) AS line))
    WHERE CASE WHEN line = '' THEN false WHEN ascii(line) > 32 THEN true
        ELSE trim(line) <> '' END)
"""
_KEYS = """
CREATE OR REPLACE TEMP TABLE piece_key AS
SELECT *, row_number() OVER () - 1 AS key
FROM (SELECT DISTINCT point, quantity, unit FROM piece)
"""
_ROWS = """
SELECT row, shape, coalesce(key, 0) AS key,
    coalesce(epoch_us(try_cast(time AS TIMESTAMPTZ)), 0) AS t_us,
    {time_form} AS time_form, {seen_us} AS seen_us, {seen_form} AS seen_form,
    CASE WHEN contains(value, '_') THEN 'nan'
        ELSE coalesce(try_cast(value AS DOUBLE), 'nan') END AS number,
    CASE WHEN contains(value, ',')
        THEN regexp_full_match(value, '\\s*[+-]?\\d+,\\d+\\s*') ELSE false END AS comma,
    CASE WHEN flag = '' THEN 0 ELSE {flag_form} END AS bits
FROM piece LEFT JOIN piece_key USING (point, quantity, unit)
ORDER BY row
"""

_TIME = """CASE
    WHEN {name} = '' THEN {empty}
    WHEN try_cast({name} AS TIMESTAMPTZ) IS NULL THEN {no_time}
    WHEN regexp_full_match({name}, '{wall_time}{offset}') THEN {zoned}
    WHEN regexp_full_match({name}, '{wall_time}\\s*') THEN {wall}
    ELSE {no_time} END"""


def _time_form(name: str, empty: int) -> str:
    return _TIME.format(
        name=name, wall_time=_WALL_TIME, offset=_OFFSET, zoned=ZONED, wall=WALL, no_time=NO_TIME,
        empty=empty,
    )  # fmt: skip


def _field(place: int | None) -> str:
    return f"coalesce(fields[{place}], '')" if place else "''"


def _shape(width: int) -> str:
    """Return SQL for the place in ``SHAPES`` of a line split into its fields."""
    cases = (f"strlen(line) > {LONGEST_LINE}", f"contains(line, '{_BAD_CHARACTER}')")
    return (
        f"CASE WHEN {cases[0]} THEN 3 WHEN {cases[1]} THEN 2 WHEN line = '{BAD_QUOTES}' THEN 4 "
        f"WHEN len(fields) <> {width} THEN 1 ELSE 0 END"
    )


def _flag_form() -> str:
    """Return SQL for the bits of words joined by +, in any order, each once."""
    words = "string_split(trim(flag), '+')"
    whens = " ".join(f"WHEN '{word}' THEN {int(flag)}" for word, flag in FLAG_WORDS.items())
    bits = f"list_bit_or([CASE word WHEN '' THEN 0 {whens} ELSE {UNKNOWN_FLAG} END"
    return (
        f"CASE WHEN trim(flag) = '' THEN 0 WHEN len({words}) > len(list_distinct({words})) "
        f"OR list_contains({words}, '') THEN {UNKNOWN_FLAG} "
        f"ELSE least({UNKNOWN_FLAG}, {bits} FOR word IN {words}])) END"
    )


class CsvParser:
    """Makes arrays from pieces of a file with one header.

    Args:
        duck: Connection of this thread, in UTC; holds the piece last read.
        header: Column names.
    """

    def __init__(self, duck: duckdb.DuckDBPyConnection, header: Sequence[str]) -> None:
        self._duck = duck
        place = {name: at for at, name in enumerate(header, 1)}
        self._piece = _PIECE.format(
            longest=LONGEST_LINE,
            shape=_shape(len(header)),
            fields=", ".join(f"{_field(place.get(name))} AS {name}" for name in ALLOWED),
        )
        seen_us = "coalesce(epoch_us(try_cast(seen AS TIMESTAMPTZ)), 0)"
        self._rows = _ROWS.format(
            time_form=_time_form("time", NO_TIME),
            # a column that is not there costs nothing
            seen_us=seen_us if "seen" in place else "0",
            seen_form=_time_form("seen", NO_ENTRY) if "seen" in place else NO_ENTRY,
            flag_form=_flag_form(),
        )

    def given(self, piece: Piece) -> Given:
        """Return the rows of a piece; empty lines are none."""
        text, separator = piece.separated()
        self._duck.execute(self._piece, [text, separator])
        self._duck.execute(_KEYS)
        found = self._duck.execute(self._rows).fetchnumpy()
        keys = self._duck.execute(
            "SELECT point, quantity, unit FROM piece_key ORDER BY key"
        ).fetchall()
        return Given(
            np.asarray(found["row"], np.int64) + (piece.first_line - 1),
            np.asarray(found["shape"], np.uint8),
            Times(np.asarray(found["t_us"], np.int64), np.asarray(found["time_form"], np.uint8)),
            Times(np.asarray(found["seen_us"], np.int64), np.asarray(found["seen_form"], np.uint8)),
            np.asarray(found["key"], np.int64),
            np.asarray(found["number"], np.float64),
            np.asarray(found["comma"], bool),
            np.asarray(found["bits"], np.uint16),
            keys,
        )


class CsvSource:
    """A CSV file, read once from front to back.

    Args:
        path: The file.
        duck: Connection of the thread that reads.

    Raises:
        InputError: It cannot be read, is empty, or its header is not ours.
    """

    unit = "line"

    def __init__(self, path: Path, duck: duckdb.DuckDBPyConnection) -> None:
        self._lines = CsvLines(path)
        self._parser = CsvParser(duck, self._lines.header)
        self.header = self._lines.header_text
        self.total_bytes = self._lines.total_bytes

    @property
    def done_bytes(self) -> int:
        """How much of the file has been read [bytes]."""
        return self._lines.done_bytes

    def sha256(self) -> str:
        """Return the digest of the whole file."""
        return self._lines.sha256()

    def parts(self) -> Iterator[Part]:
        """Yield the rows of the file, some ten thousand at a time.

        Raises:
            InputError: The file cannot be read any further.
        """
        for piece in self._lines.pieces():
            given = self._parser.given(piece)
            yield Part(given, _texts(piece, given))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        self._lines.close()


def _texts(piece: Piece, given: Given) -> Callable[[Sequence[int]], list[str]]:
    def texts(places: Sequence[int]) -> list[str]:
        lines = piece.text.split("\n")
        return [lines[int(given.line[place]) - piece.first_line] for place in places]

    return texts
