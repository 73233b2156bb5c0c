"""Closed days move from the live file to Parquet, and everything stays readable as one.

What is expected is worked out naively in memory (tests/archive_support.py). The files are read back
by pandas with pyarrow too, which know nothing of envmon (Apache Parquet format).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US
from envmon.facts import Flag, Reading
from envmon.store.archive import Rules
from envmon.store.live_part import live_days
from envmon.store.manifest import Manifest
from envmon.store.parquet import open_duck, sha256_of, write_columns
from envmon.store.past import EVER
from envmon.store.sqlite import SqliteStore
from tests.archive_support import (
    DAY0,
    SITE,
    T0,
    archive_all,
    as_seen,
    everything,
    expected,
    keep,
    some_days,
)
from tests.benchmarks.history_season import FIRST_DAY, day_columns

if TYPE_CHECKING:
    from pathlib import Path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "archive").rglob("*.parquet"))


def test_closed_days_move_and_two_whole_days_stay(tmp_path: Path) -> None:
    readings = some_days(5)
    keep(tmp_path, readings)
    assert archive_all(tmp_path, DAY0 + 5) == 3 * 3 * 144
    store = SqliteStore(tmp_path)
    assert live_days(store, *EVER) == {DAY0 + 3, DAY0 + 4}
    store.close()
    assert names(tmp_path) == [
        "2026-01-01.g1.parquet", "2026-01-02.g2.parquet", "2026-01-03.g3.parquet",
    ]  # fmt: skip
    assert everything(tmp_path) == sorted(readings, key=lambda r: (r.t_us // DAY_US, *r[:3]))
    assert archive_all(tmp_path, DAY0 + 5) == 0


def test_an_archived_reading_takes_two_bytes_at_most(tmp_path: Path) -> None:
    """A whole day of the history benchmark: noisy values, jittering times, a random lag each."""
    path, day = tmp_path / "archive" / "site=x" / "month=y" / "day.parquet", day_columns(FIRST_DAY)
    with open_duck() as duck:
        write_columns(duck, day, path)
        (back,) = duck.execute(
            "SELECT sum(value_milli) FROM read_parquet(?)", [str(path)]
        ).fetchall()
    assert back[0] == day.milli.sum()
    assert path.stat().st_size <= 2 * len(day.t_us)


def test_order_of_taking_in_is_kept(tmp_path: Path) -> None:
    readings = some_days(4)
    keep(tmp_path, readings)
    archive_all(tmp_path, DAY0 + 4)
    in_order = sorted(readings, key=lambda r: (r.seen_us, r.t_us, r.point, r.quantity))
    assert as_seen(tmp_path) == in_order
    middle = in_order[len(in_order) // 2].seen_us
    assert as_seen(tmp_path, middle) == [r for r in in_order if r.seen_us >= middle]
    assert as_seen(tmp_path, to_us=middle) == [r for r in in_order if r.seen_us < middle]


def test_closed_month_becomes_one_file(tmp_path: Path) -> None:
    readings = some_days(34, every_s=3600)
    keep(tmp_path, readings)
    archive_all(tmp_path, DAY0 + 34)
    assert [name.split(".")[0] for name in names(tmp_path)] == ["2026-01", "2026-02-01"]
    assert everything(tmp_path) == sorted(readings, key=lambda r: (r.t_us // DAY_US, *r[:3]))


def test_late_readings_join_their_archived_day_and_month(tmp_path: Path) -> None:
    readings = some_days(34, every_s=3600)
    keep(tmp_path, readings)
    archive_all(tmp_path, DAY0 + 34)
    at = T0 + 5 * DAY_US + 77
    late = [
        Reading("north-air", "air_temp_c", at, 1.5, Flag.LATE, at + 30 * DAY_US),
        Reading("newcomer", "panel_temp_c", at, 2.5, Flag.LATE, at + 30 * DAY_US),
        readings[40]._replace(value=99.0),  # known already: the first stays
    ]
    keep(tmp_path, late)
    wanted = expected([readings, late])
    both = sorted(wanted.values(), key=lambda r: (r.t_us // DAY_US, *r[:3]))
    assert everything(tmp_path) == both, "before they are merged"
    in_order = sorted(both, key=lambda r: (r.seen_us, r.t_us, r.point, r.quantity))
    assert as_seen(tmp_path) == in_order
    archive_all(tmp_path, DAY0 + 34)
    assert everything(tmp_path) == both, "after they are merged"
    assert as_seen(tmp_path) == in_order
    assert [name.split(".")[0] for name in names(tmp_path)] == ["2026-01", "2026-02-01"]


def test_reading_of_a_wrong_clock_gives_way_even_in_the_archive(tmp_path: Path) -> None:
    wrong = Reading("a", "air_temp_c", T0 + 5, 3.0, Flag.CLOCK, T0 - 60)
    true = Reading("a", "air_temp_c", T0 + 5, 21.0, Flag.GOOD, T0 + 6)
    keep(tmp_path, [wrong])
    archive_all(tmp_path, DAY0 + 4)
    assert everything(tmp_path) == [wrong]
    keep(tmp_path, [true])
    assert everything(tmp_path) == as_seen(tmp_path) == [true]
    archive_all(tmp_path, DAY0 + 4)
    assert everything(tmp_path) == as_seen(tmp_path) == [true]


@pytest.mark.parametrize("value", [1e300, 0.1 + 0.2, 2.0**53, -40.0005, 0.0, -1e-9])
def test_value_comes_back_to_the_last_bit(tmp_path: Path, value: float) -> None:
    reading = Reading("a", "air_temp_c", T0, value, Flag.RANGE, T0)
    keep(tmp_path, [reading])
    archive_all(tmp_path, DAY0 + 4)
    assert everything(tmp_path) == [reading]


def test_foreign_tools_read_the_partitioned_folder(tmp_path: Path) -> None:
    import pandas as pd

    readings = some_days(4)
    keep(tmp_path, readings)
    archive_all(tmp_path, DAY0 + 6)
    frame = pd.read_parquet(tmp_path / "archive")
    assert set(frame["site"].astype(str)) == {SITE}
    assert set(frame["month"].astype(str)) == {"2026-01"}
    assert str(frame["t"].dt.tz) == "UTC"
    found = {
        (point, quantity, t_us, milli / 1000)
        for point, quantity, t_us, milli in zip(
            frame["point"],
            frame["quantity"],
            frame["t"].astype("int64"),
            frame["value_milli"],
            strict=True,
        )
    }
    assert found == {(r.point, r.quantity, r.t_us, r.value) for r in readings}


def test_manifest_says_what_is_in_the_files(tmp_path: Path) -> None:
    keep(tmp_path, some_days(3))
    archive_all(tmp_path, DAY0 + 5)
    store = SqliteStore(tmp_path)
    files = Manifest(store, tmp_path).files()
    store.close()
    assert [file.row_count for file in files] == [3 * 144] * 3
    for file in files:
        assert file.byte_count == file.path.stat().st_size
        assert file.sha256 == sha256_of(file.path)
        assert file.to_us - file.from_us == DAY_US


def test_old_files_go_only_when_asked(tmp_path: Path) -> None:
    readings = some_days(40, every_s=3600)
    keep(tmp_path, readings)
    archive_all(tmp_path, DAY0 + 400)
    assert len(names(tmp_path)) == 2
    archive_all(tmp_path, DAY0 + 400, Rules(2, 365))
    assert [name.split(".")[0] for name in names(tmp_path)] == ["2026-02"]
    left = {r.t_us // DAY_US for r in everything(tmp_path)}
    assert left == set(range(DAY0 + 31, DAY0 + 40))
