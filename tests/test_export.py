"""What is kept goes out whole: an export imported into an empty folder gives the same readings.

Sources: Python's csv module, float and datetime read the CSV; DuckDB reads the Parquet.
"""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from contextlib import closing
from datetime import datetime
from typing import TYPE_CHECKING

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, SECOND_US, us_from_datetime
from envmon.errors import InputError, StoreError
from envmon.facts import Flag, Reading
from envmon.service.keeping.exporting import ExportJob, export
from envmon.service.keeping.keeper import archive_turn
from envmon.shop.load import load_shop
from tests.guard_support import START_US
from tests.transfer_support import NOW_US, Bench

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

SPAN = ("2026-01-01", "2026-02-08")
SERIES = [("air-a", "air_temp_c"), ("air-a", "rel_hum_pct"), ("bucket", "water_temp_c")]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def air(at_us: int, value: float = 20.5) -> Reading:
    return Reading("air-a", "air_temp_c", at_us, value, Flag.GOOD, at_us)


def exported(bench: Bench, **options: Any) -> tuple[int, list[str]]:
    """Export the whole span and return exit code and what was said."""
    said: list[str] = []
    job = ExportJob(bench.shop, *SPAN, data=str(bench.data))
    return export(job._replace(**options), said.append), said


def a_week(bench: Bench) -> list[Reading]:
    """Keep a week, of which all but the last days are archived, with late and odd ones."""
    readings = [
        Reading(point, quantity, START_US + day * DAY_US + n * HOUR_US + place, 20 + n / 8,
                Flag.GOOD, START_US + day * DAY_US + n * HOUR_US + place + 1_234)
        for day in range(9)
        for n in range(5)
        for place, (point, quantity) in enumerate(SERIES)
    ]  # fmt: skip
    bench.put(readings)
    archive_turn(load_shop(bench.shop), bench.data, NOW_US)
    late = air(START_US + 77, 1 / 3)._replace(flag=Flag.LATE, seen_us=NOW_US)
    twice = readings[0]._replace(value=99.0)
    bench.put([late, twice])
    return sorted([*readings, late], key=lambda r: (r.t_us // DAY_US, r.point, r.quantity, r.t_us))


def test_csv_says_every_reading_exactly(bench: Bench) -> None:
    readings = a_week(bench)
    out = bench.folder / "out.csv"
    code, said = exported(bench, out=out)
    assert (code, said) == (0, [f"{out}: 136 readings"])
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    found = [
        (r["point"], r["quantity"], us_from_datetime(datetime.fromisoformat(r["time"])),
         float(r["value"]), r["flag"], us_from_datetime(datetime.fromisoformat(r["seen"])))
        for r in rows
    ]  # fmt: skip
    names = {Flag.GOOD: "", Flag.LATE: "late"}
    assert found == [(*r[:4], names[r.flag], r.seen_us) for r in readings]
    assert {(r["quantity"], r["unit"]) for r in rows} == {
        ("air_temp_c", "°C"), ("rel_hum_pct", "%"), ("water_temp_c", "°C"),
    }  # fmt: skip


def test_parquet_has_the_archives_columns_and_order(bench: Bench) -> None:
    readings = a_week(bench)
    out = bench.folder / "out.parquet"
    assert exported(bench, out=out, form="parquet")[0] == 0
    with closing(duckdb.connect()) as duck:
        duck.execute("SET TimeZone = 'UTC'")
        sql = f"SELECT *, epoch_us(t) FROM read_parquet('{out}')"
        names = [column[0] for column in duck.execute(sql).description or ()]
        rows = duck.execute(sql).fetchall()
    assert names[:-1] == [
        "point", "quantity", "t", "value_milli", "value_exact", "flag", "lag_us",
    ]  # fmt: skip
    found = [
        Reading(p, q, t, m / 1000 if e is None else e, Flag(f), t + lag)
        for p, q, _, m, e, f, lag, t in rows
    ]
    assert found == sorted(readings, key=lambda r: r[:3])


def built(name: tuple[str, str], t_us: int, value: float, flag: Flag, lag_us: int) -> Reading:
    return Reading(name[0], name[1], t_us, value, flag, t_us + lag_us)


READINGS = st.lists(
    st.builds(
        built,
        st.sampled_from(SERIES),
        st.integers(START_US - 20 * DAY_US, NOW_US - HOUR_US),
        st.one_of(
            st.integers(0, 80_000).map(lambda milli: milli / 1000), st.floats(0, 80, width=32)
        ),
        st.integers(0, 255).map(Flag),
        st.integers(0, HOUR_US),
    ),
    min_size=1,
    max_size=60,
    unique_by=lambda r: r[:3],
)


@settings(deadline=None, max_examples=12)
@given(readings=READINGS, form=st.sampled_from(["csv", "parquet"]), archived=st.booleans())
def test_a_round_trip_gives_the_same_readings(
    tmp_path_factory: pytest.TempPathFactory,
    readings: list[Reading],
    form: str,
    archived: bool,  # noqa: FBT001
) -> None:
    bench, other = (Bench(tmp_path_factory.mktemp("shop")) for _ in range(2))
    bench.put(readings)
    if archived:
        archive_turn(load_shop(bench.shop), bench.data, NOW_US)
    out = bench.folder / f"out.{form}"
    assert exported(bench, out=out, form=form)[0] == 0
    outcome = other.take_file(out)
    assert (outcome.tally.new, outcome.tally.refused) == (len(readings), 0)
    assert other.kept() == bench.kept()
    assert sorted(other.kept()) == sorted(readings)


def test_the_span_takes_its_start_and_leaves_its_end(bench: Bench) -> None:
    """Times of the shop, Europe/Oslo: an hour before UTC in January."""
    edge_us = us_from_datetime(datetime.fromisoformat("2026-01-27T23:00:00Z"))
    bench.put([air(edge_us - 1, 1), air(edge_us, 2), air(edge_us + HOUR_US, 3)])
    out = bench.folder / "out.csv"
    exported(bench, since="2026-01-28", until="2026-01-28T01:00", out=out)
    assert [line.split(",")[3] for line in out.read_text().splitlines()] == ["value", "2.0"]


def test_points_and_quantities_can_be_chosen(bench: Bench) -> None:
    a_week(bench)
    out = bench.folder / "out.csv"
    exported(bench, points=["air-a"], quantities=["rel_hum_pct", "water_temp_c"], out=out)
    chosen = {tuple(line.split(",")[1:3]) for line in out.read_text().splitlines()[1:]}
    assert chosen == {("air-a", "rel_hum_pct")}
    with pytest.raises(InputError, match="point is 'cellar'; kept are air-a, bucket"):
        exported(bench, points=["cellar"])
    with pytest.raises(InputError, match="quantity is 'heat'; allowed are air_temp_c"):
        exported(bench, quantities=["heat"])


def test_nothing_kept_of_a_span_says_no_and_what_is_kept(bench: Bench) -> None:
    bench.put([air(START_US)])
    code, said = exported(bench, since="2025-01-01", until="2025-02-01", out=bench.folder / "o.csv")
    assert code == 1
    assert "readings are kept from 2026-01-27T08:00:00.000Z" in said[0]
    assert not (bench.folder / "o.csv").exists()


def test_what_cannot_be_asked_is_refused_and_makes_no_folder(bench: Bench) -> None:
    with pytest.raises(StoreError, match="no data in"):
        exported(bench)
    assert not bench.data.exists()
    with pytest.raises(InputError, match="is not before"):
        exported(bench, since="2026-02-01", until="2026-02-01")
    with pytest.raises(InputError, match="Parquet needs a file"):
        exported(bench, form="parquet")
    with pytest.raises(InputError, match="there is no folder"):
        exported(bench, out=bench.folder / "no" / "out.csv")
    with pytest.raises(InputError, match="is a folder"):
        exported(bench, out=bench.folder)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_file_that_is_there_is_replaced_only_when_told(bench: Bench, form: str) -> None:
    bench.put([air(START_US)])
    out = bench.folder / "out"
    out.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="--force replaces it"):
        exported(bench, out=out, form=form)
    assert out.read_text(encoding="utf-8") == "mine"
    assert exported(bench, out=out, form=form, force=True)[0] == 0
    assert out.read_bytes() != b"mine"


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_that_fails_leaves_nothing_behind(
    bench: Bench, form: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_week(bench)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(StoreError, match=r"cannot write .*No space left on device"):
        exported(bench, out=bench.folder / "out", form=form)
    assert sorted(path.name for path in bench.folder.iterdir()) == ["data", "shop.toml"]


def run_command(bench: Bench, *more: str) -> subprocess.Popen[bytes]:
    span = ["--from", SPAN[0], "--to", SPAN[1], "--data", str(bench.data)]
    argv = [sys.executable, "-m", "envmon.cli", "export", str(bench.shop), *span, *more]
    return subprocess.Popen(argv, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def test_csv_goes_to_stdout_alone(bench: Bench) -> None:
    a_week(bench)
    text, complaint = run_command(bench).communicate(timeout=60)
    assert complaint == b""
    assert text.startswith(
        b"time,point,quantity,value,unit,flag,seen\n2026-01-27T08:00:00.000000Z,"
    )
    assert len(text.splitlines()) == 137


def test_a_reader_that_has_enough_ends_it_quietly(bench: Bench) -> None:
    bench.put([air(START_US + n * SECOND_US) for n in range(30_000)])
    with run_command(bench) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith(b"time,")
        process.stdout.close()
        assert process.wait(60) == 0
        assert process.stderr.read() == b""
