"""The history as files: what is shown, as CSV and as Parquet."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import duckdb
import pytest

from envmon.clock import DAY_US, HOUR_US, us_from_iso
from tests.boards_history_support import (
    DAY_START_US,
    SPIKE_US,
    add,
    get,
    history_of,
    line_of,
    told_day,
)
from tests.boards_support import NOW_US, Air, Stand, shop_text, stand_of

if TYPE_CHECKING:
    from pathlib import Path

pytest_plugins = ["tests.boards_fixtures"]

SPAN = {"bay": "north", "from_ms": DAY_START_US // 1000, "to_ms": NOW_US // 1000, "most": 100}
QUANTITIES = "air_temp_c,rel_hum_pct,dew_margin_k"


@pytest.fixture
def told(stand: Stand) -> Stand:
    add(stand.boards.folder, *told_day())
    return stand


def rows_of(stand: Stand, **query: Any) -> list[dict[str, str]]:
    asked = {**SPAN, "quantities": QUANTITIES, "format": "csv", **query}
    status, body, headers = get(stand, "/api/v1/history/export", **asked)
    assert status == 200, body
    assert headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(body.decode())))


def test_csv_says_what_the_chart_says(told: Stand) -> None:
    document = history_of(told, DAY_START_US, NOW_US, most=100, quantities=QUANTITIES)
    rows = rows_of(told)
    for quantity, unit in (("air_temp_c", "°C"), ("rel_hum_pct", "%"), ("dew_margin_k", "K")):
        line, mine = line_of(document, quantity), [r for r in rows if r["quantity"] == quantity]
        drawn = [place for place, value in enumerate(line["mean"]) if value is not None]
        assert [us_from_iso(r["start_utc"]) // 1000 for r in mine] == [
            line["t_ms"][place] for place in drawn
        ]
        for name in ("low", "mean", "high"):
            assert [float(r[name]) for r in mine] == pytest.approx(
                [line[name][place] for place in drawn], abs=0.006
            )
        assert [int(r["count"]) for r in mine] == [line["count"][place] for place in drawn]
        assert {r["unit"] for r in mine} == {unit}
        assert {r["bay"] for r in mine} == {"north"}


def test_csv_times_are_utc_and_local(told: Stand) -> None:
    for row in rows_of(told):
        assert row["start_utc"].endswith("Z")
        assert row["start_local"].endswith("-09:00")
        assert us_from_iso(row["start_local"]) == us_from_iso(row["start_utc"])
        assert us_from_iso(row["end_utc"]) > us_from_iso(row["start_utc"])


def test_csv_in_fahrenheit(told: Stand) -> None:
    """31 °C is 87.8 °F; a difference of 10.44 K is 18.8 °F without 32."""
    metric, us = rows_of(told), rows_of(told, units="us")
    assert max(float(r["high"]) for r in us if r["quantity"] == "air_temp_c") == 87.8
    for one, other in zip(metric, us, strict=True):
        offset = {"air_temp_c": 32.0, "dew_margin_k": 0.0}.get(one["quantity"])
        if offset is None:
            assert one == other
            continue
        assert other["unit"] == "°F"
        assert float(other["mean"]) == pytest.approx(float(one["mean"]) * 1.8 + offset, abs=0.002)


def test_a_name_for_the_file(told: Stand) -> None:
    headers = get(told, "/api/v1/history/export", **SPAN, format="csv")[2]
    name = "history_north_2026-01-27_0000_2026-01-27_1405.csv"
    assert headers["content-disposition"] == f'attachment; filename="{name}"'


def test_parquet_can_be_read_by_any_tool(told: Stand, tmp_path: Path) -> None:
    query = {**SPAN, "quantities": QUANTITIES, "format": "parquet", "units": "us"}
    status, body, headers = get(told, "/api/v1/history/export", **query)
    assert status == 200
    assert headers["content-type"] == "application/vnd.apache.parquet"
    path = tmp_path / "shown.parquet"
    path.write_bytes(body)
    duck = duckdb.connect()
    try:
        rows = duck.execute(
            'SELECT epoch_us(start), epoch_us("end"), bay, point, quantity, low, mean, high, '
            "count, flagged FROM read_parquet(?)", [str(path)],
        ).fetchall()  # fmt: skip
    finally:
        duck.close()
    csv_rows = rows_of(told)
    assert len(rows) == len(csv_rows)
    for row, said in zip(rows, csv_rows, strict=True):
        assert row[0] == us_from_iso(said["start_utc"])
        assert row[2:5] == (said["bay"], said["point"], said["quantity"])
        assert row[6] == pytest.approx(float(said["mean"]), abs=0.001)  # SI whatever is shown
        assert row[8] == int(said["count"])
    spike = [row for row in rows if row[4] == "air_temp_c" and row[7] == 31.0]
    assert len(spike) == 1
    assert spike[0][0] <= SPIKE_US < spike[0][1]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_span_without_readings_is_a_file_without_rows(stand: Stand, kind: str) -> None:
    status, body, _ = get(stand, "/api/v1/history/export", **SPAN, format=kind)
    assert status == 200
    assert body


@pytest.mark.parametrize(
    ("change", "word"),
    [({"format": "xlsx"}, "'xlsx'"), ({"format": None}, "format"), ({"units": "x"}, "units")],
)
def test_what_cannot_be_saved_is_refused(
    stand: Stand, change: dict[str, str | None], word: str
) -> None:
    asked = {**SPAN, "format": "csv", **change}
    query = {name: value for name, value in asked.items() if value is not None}
    status, body, _ = get(stand, "/api/v1/history/export", **query)
    assert status == 422
    assert word in body.decode()
    assert "allowed" in body.decode()


def test_the_hour_that_comes_twice_is_told_apart(tmp_path: Path) -> None:
    """Oslo, 25 October 2026: 02:00 is once +02:00 and once +01:00."""
    text = shop_text().replace("America/Anchorage", "Europe/Oslo")
    start_us = us_from_iso("2026-10-25T00:00:00+02:00")
    with stand_of(tmp_path, text).serving() as stand:
        hours = range(start_us, start_us + DAY_US, HOUR_US)
        add(tmp_path, [r for t_us in hours for r in Air().readings("north", t_us)])
        span = {"from_ms": start_us // 1000, "to_ms": (start_us + 4 * HOUR_US) // 1000}
        rows = rows_of(stand, **span, most=10, quantities="air_temp_c")
        local = [row["start_local"] for row in rows if row["count"]]
        assert "2026-10-25T02:00:00+02:00" in local
        assert "2026-10-25T02:00:00+01:00" in local
