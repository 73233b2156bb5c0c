"""History comes in from Parquet with the archive's columns, or with plain values.

Source: the files are written by DuckDB, another program than the one that reads rows here.
"""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING

import duckdb
import pytest

from envmon.clock import DAY_US, SECOND_US
from envmon.errors import InputError
from envmon.facts import Flag, Reading
from envmon.service.keeping import import_parquet
from tests.guard_support import START_US
from tests.transfer_support import Bench, reasons

if TYPE_CHECKING:
    from pathlib import Path

OURS = (
    "'air-a' AS point, 'air_temp_c' AS quantity, make_timestamptz({t}) AS t, "
    "20500::BIGINT AS value_milli, NULL::DOUBLE AS value_exact, 1::UTINYINT AS flag, "
    "250000::BIGINT AS lag_us"
)
PLAIN = "'air-a' AS point, 'air_temp_c' AS quantity, {t} AS t, 20.125 AS value"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def parquet(path: Path, select: str) -> Path:
    with closing(duckdb.connect()) as duck:
        duck.execute("SET TimeZone = 'UTC'")
        duck.execute(f"COPY (SELECT {select}) TO '{path}' (FORMAT parquet)").fetchall()
    return path


def test_the_archives_columns_come_in_as_they_are(bench: Bench) -> None:
    panel = f"'panel', 'panel_temp_c', make_timestamptz({START_US}), 7, 7.0000001, 0, 0"
    whole = f"{OURS.format(t=START_US)} UNION ALL SELECT {panel}"
    outcome = bench.take_file(parquet(bench.folder / "rows.parquet", whole))
    assert (outcome.exit_code, outcome.tally.new) == (0, 2)
    assert bench.kept() == [
        Reading("air-a", "air_temp_c", START_US, 20.5, Flag.LATE, START_US + 250_000),
        Reading("panel", "panel_temp_c", START_US, 7.0000001, Flag.GOOD, START_US),
    ]


def test_plain_values_and_wall_times_are_enough(bench: Bench) -> None:
    """A timestamp without a zone is the shop's, Europe/Oslo: an hour before UTC in January."""
    select = PLAIN.format(t="TIMESTAMP '2026-01-27 09:00:00'")
    bench.take_file(parquet(bench.folder / "rows.parquet", select))
    assert bench.kept() == [Reading("air-a", "air_temp_c", START_US, 20.125, Flag.GOOD, START_US)]


def test_a_file_of_the_archive_can_be_imported_elsewhere(bench: Bench, tmp_path: Path) -> None:
    readings = [
        Reading("air-a", "air_temp_c", START_US + n * SECOND_US, n / 7, Flag.GOOD, START_US)
        for n in range(100)
    ]
    bench.put(readings)
    bench.rows("2026-01-01T00:00:00Z,air-b,air_temp_c,20")  # turns the archive
    files = sorted((bench.data / "archive").rglob("*.parquet"))
    (tmp_path / "other").mkdir()
    other = Bench(tmp_path / "other")
    for file in files:
        assert other.take_file(file).exit_code == 0
    assert len(other.kept()) == 101
    assert other.kept() == bench.kept()


def test_parts_follow_one_another(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(import_parquet, "PART_ROWS", 7)
    select = (
        f"'air-a' AS point, 'air_temp_c' AS quantity, make_timestamptz({START_US} + i * 1000) "
        "AS t, CASE WHEN i % 10 = 3 THEN 'nan'::DOUBLE ELSE i END AS value FROM range(50) r(i)"
    )
    outcome = bench.take_file(parquet(bench.folder / "rows.parquet", select))
    assert [r.value for r in bench.kept()] == [n for n in range(50) if n % 10 != 3]
    assert reasons(outcome) == {"value is no finite number such as 21.5": (5, [4, 14, 24, 34, 44])}


BAD = [
    ("NULL::VARCHAR AS point", "point is ''"),
    ("'x' AS quantity", "quantity is 'x'"),
    ("NULL::TIMESTAMPTZ AS t", "time is no date and time"),
    ("'infinity'::TIMESTAMPTZ AS t", "time is no date and time"),
    ("NULL::BIGINT AS value_milli", "value is no finite number"),
    ("256::USMALLINT AS flag", "flag has other words"),
    ("NULL::UTINYINT AS flag", "flag has other words"),
    (f"{-40 * 365 * DAY_US}::BIGINT AS lag_us", "seen is before 1990"),
]


@pytest.mark.parametrize(("column", "reason"), BAD)
def test_a_bad_row_is_refused_with_its_number(bench: Bench, column: str, reason: str) -> None:
    name = column.rsplit(" ", 1)[1]
    good = OURS.format(t=START_US)
    bad = f"SELECT * REPLACE ({column.rsplit(' AS ', 1)[0]} AS {name}) FROM (SELECT {good})"
    outcome = bench.take_file(parquet(bench.folder / "rows.parquet", f"{good} UNION ALL {bad}"))
    [(text, (count, rows))] = reasons(outcome).items()
    assert reason in text
    assert (count, rows, outcome.tally.new) == (1, [2], 1)
    assert outcome.rejected is not None
    head, row = outcome.rejected.read_text(encoding="utf-8").splitlines()
    assert head == "time,point,quantity,value,unit,flag,seen,reason"
    assert f'"row 2: {reason[:5]}' in row


@pytest.mark.parametrize(
    ("select", "message"),
    [
        ("1 AS x", "has the columns 'x'; allowed are point, quantity, t, value_milli"),
        ("'a' AS point, 'b' AS quantity, 1.0 AS value", "lacks the column t"),
        ("'a' AS point, 'b' AS quantity, now() AS t", r"lacks the column value_milli \(or value"),
        ("'a' AS point, 'b' AS quantity, 7 AS t, 1.0 AS value", "t is of type INTEGER; allowed"),
    ],
)
def test_other_columns_are_refused(bench: Bench, select: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        bench.take_file(parquet(bench.folder / "rows.parquet", select))


def test_what_is_no_parquet_is_refused(bench: Bench) -> None:
    for text in ("", "time,point"):
        with pytest.raises(InputError, match=r"is empty|cannot be read as Parquet"):
            bench.take_file(bench.file(text, "rows.parquet"))
    whole = parquet(bench.folder / "whole.parquet", OURS.format(t=START_US)).read_bytes()
    (bench.folder / "torn.parquet").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="cannot be read as Parquet"):
        bench.take_file(bench.folder / "torn.parquet")
