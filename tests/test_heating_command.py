"""``envmon heating`` and ``envmon bills`` as commands: table, JSON, CSV, exit codes."""

from __future__ import annotations

import csv
import json
import math
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from envmon.cli import app
from envmon.errors import InputError, StoreError
from envmon.store.sqlite import SqliteStore
from tests.winter_story import TEXT, tell

if TYPE_CHECKING:
    from pathlib import Path

FROM_TO = ["--from", "2025-11-24", "--to", "2026-01-05"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    file = folder / "shop.toml"
    file.write_text(TEXT, encoding="utf-8")
    store = SqliteStore(folder / "data")
    tell(store, date(2024, 11, 1), 70, seed=3)
    tell(store, date(2025, 11, 1), 70, seed=8, litres=9_000.0)
    store.close()
    return file


def run(*words: str) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": "100", "TERM": "dumb"}).invoke(app, list(words))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def test_the_table_fits_a_terminal_of_100_columns(shop: Path) -> None:
    code, out, _ = run("heating", str(shop), *FROM_TO)
    assert code == 0
    assert max(len(line) for line in out.splitlines()) <= 100
    assert "heating log, 24 November 2025 to 4 January 2026" in out
    assert "…" not in "".join(line[:75] for line in out.splitlines())
    days = [line for line in out.splitlines() if line.startswith(("Mon", "Tue", "Wed"))]
    assert len(days) == 18
    assert any("south door stood open" in line for line in out.splitlines())
    for word in ("2025-11", "2025-12", "2026-01", "Heat lost:", "W/K", "Same weather", "NOK",
                 "CO alarm", "licensed trades", "2024/25", "base 18.0 °C, hour by hour",
                 "91 452 Btu"):  # fmt: skip
        assert word in out, word


def test_json_is_one_document_in_si_and_nothing_else(shop: Path) -> None:
    code, out, err = run("heating", str(shop), *FROM_TO, "--json")
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert len(document["days"]) == 42
    first = document["days"][0]
    assert {"day", "outdoor_mean_c", "energy_kwh", "heat_kwh", "run_h", "cost"} <= set(first)
    assert document["whole"]["days"] == 42
    assert sum(day["energy_kwh"] for day in document["days"]) == pytest.approx(
        document["whole"]["energy_kwh"]
    )


def test_csv_has_a_row_a_day_that_pandas_reads(shop: Path, tmp_path: Path) -> None:
    out = tmp_path / "log.csv"
    code, said, err = run("heating", str(shop), *FROM_TO, "--out", str(out))
    assert (code, said) == (0, "")
    assert "log.csv: heating log 2025-11-24 to 2026-01-04" in err
    rows = list(csv.DictReader(out.read_text(encoding="utf-8").splitlines()))
    assert len(rows) == 42
    assert rows[0]["day"] == "2025-11-24"
    assert float(rows[0]["energy_kwh"]) > 0
    assert {"fuel_l", "cost_nok", "degree_days", "notes"} <= set(rows[0])
    code, out_json, _ = run("heating", str(shop), *FROM_TO, "--json")
    days = json.loads(out_json)["days"]
    for row, day in zip(rows, days, strict=True):
        assert float(row["energy_kwh"]) == pytest.approx(day["energy_kwh"], rel=1e-5)
        assert float(row["cost_nok"]) == pytest.approx(day["cost"], abs=0.01)


def test_a_file_that_is_there_is_not_replaced_unasked(shop: Path, tmp_path: Path) -> None:
    out = tmp_path / "log.csv"
    out.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"):
        run("heating", str(shop), *FROM_TO, "--out", str(out))
    assert out.read_text(encoding="utf-8") == "mine"
    assert run("heating", str(shop), *FROM_TO, "--out", str(out), "--force")[0] == 0
    with pytest.raises(InputError, match="allowed is a name in"):
        run("heating", str(shop), *FROM_TO, "--out", str(tmp_path / "log.xls"))


def test_days_of_which_nothing_is_kept_are_exit_1(shop: Path) -> None:
    code, out, err = run("heating", str(shop), "--from", "2010-01-01", "--to", "2010-01-08")
    assert code == 1
    assert "nothing is kept of 1 January 2010 to 7 January 2010" in err
    assert out == ""


def test_a_span_without_anything_writes_no_file_but_its_json_stays_one_document(
    shop: Path, tmp_path: Path
) -> None:
    none = ("heating", str(shop), "--from", "2010-01-01", "--to", "2010-01-08")
    file = tmp_path / "none.csv"
    assert run(*none, "--out", str(file))[0] == 1
    assert not file.exists()
    code, out, _ = run(*none, "--json")
    assert code == 1
    assert json.loads(out)["whole"]["energy_kwh"] is None


def test_days_short_of_room_send_the_reader_below(shop: Path) -> None:
    _, out, _ = run("heating", str(shop), *FROM_TO)
    assert "see below" in out
    assert "Noted by people:" in out


def test_a_shop_without_data_and_bad_days_are_told(shop: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="envmon bills"):
        run("heating", str(shop), *FROM_TO, "--data", str(tmp_path / "none"))
    with pytest.raises(InputError, match="allowed is a date"):
        run("heating", str(shop), "--from", "winter", "--to", "2026-01-01")


def test_bills_come_in_and_are_listed(shop: Path, tmp_path: Path) -> None:
    file, data = tmp_path / "bills.csv", ["--data", str(tmp_path / "data")]
    file.write_text("month,amount,unit,cost\n2025-11,600,l,7000\n", encoding="utf-8")
    code, out, _ = run("bills", str(shop), str(file), *data)
    assert code == 0
    assert "1 new, 0 changed, 0 there already" in out
    assert run("bills", str(shop), *data)[1].startswith("2025-11-01 to 2025-11-30  600 l")
    code, out, _ = run("heating", str(shop), "--from", "2025-11-01", "--to", "2025-12-01", *data)
    assert code == 0
    assert "by bills" in out
    assert "7\u202f000.00" in out
    assert not [line for line in out.splitlines() if line.startswith(("Mon", "Tue", "Wed"))]


def test_last_winters_readings_from_a_file_alone_give_a_log(shop: Path, tmp_path: Path) -> None:
    """Outdoors once an hour and a meter once a day, as a person may have written them down."""
    lines, meter = ["time,point,quantity,value"], 4_000.0
    for day in range(40):
        when = date(2024, 12, 1) + timedelta(days=day)
        outdoor = -6.0 + 5 * math.sin(day / 3)
        lines += [f"{when}T{hour:02d}:00,yard,outdoor_temp_c,{outdoor:.1f}" for hour in range(24)]
        lines.append(f"{when}T00:00,tank,fuel_l,{meter:.1f}")
        meter += 0.9 * (18.0 - outdoor)
    file, data = tmp_path / "last.csv", ["--data", str(tmp_path / "data")]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run("import", str(shop), str(file), *data)[0] == 0
    span = ["--from", "2024-12-01", "--to", "2025-01-09"]
    code, out, _ = run("heating", str(shop), *span, *data, "--json")
    assert code == 0
    document = json.loads(out)
    assert document["whole"]["known"]["degree_days"] == 39
    assert document["whole"]["known"]["energy_kwh"] == 39
    assert document["whole"]["known"]["run_h"] == 0
    kwh_l = document["fuel"]["heating_value_kwh"]
    loss_w_k = 0.9 * kwh_l * 0.92 * 1000 / 24
    assert document["signature"]["loss_w_k"] == pytest.approx(loss_w_k, rel=0.02)
    assert any("No run time" in text for text in document["missing"])
