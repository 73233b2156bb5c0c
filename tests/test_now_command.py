"""``envmon now`` and ``envmon check``: exit codes, and JSON alone on stdout.

Source of exit codes and streams: the fixed interfaces of the design (ours). The dew point at
20 °C and 45 % is 7.7 °C: common practice.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from envmon.facts import Flag, NewEvent, Reading
from envmon.service.now import shop_now
from envmon.store.sqlite import SqliteStore
from tests.guard_support import SHOP

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"


def envmon(*arguments: object) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "envmon.cli", *map(str, arguments)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def shop_file(tmp_path: Path) -> Path:
    """A shop whose store holds readings of this moment, one old one, and a started stage."""
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    now_us = time.time_ns() // 1_000
    store = SqliteStore(tmp_path / "data")
    store.add_readings(
        [
            Reading("air-a", "air_temp_c", now_us, 20.0, Flag.GOOD, now_us),
            Reading("air-a", "rel_hum_pct", now_us, 45.0, Flag.GOOD, now_us),
            Reading("panel", "panel_temp_c", now_us, 10.0, Flag.GOOD, now_us),
            Reading("bucket", "water_temp_c", now_us - 301_000_000, 35.0, Flag.GOOD, now_us),
        ]
    )
    store.add_events([NewEvent(now_us, "stage_started", "one", {"stage": "polish"})])
    store.close()
    return file


def snapshot_an_hour_ago(folder: Path) -> None:
    """Store what a watch that ran an hour ago, without a broker, would have left behind."""
    from envmon.clock import HOUR_US, ManualClock
    from envmon.service.watch import Watch
    from tests.guard_support import shop_from
    from tests.watch_support import HandLink

    store = SqliteStore(folder)
    clock, link = ManualClock(time.time_ns() // 1_000 - HOUR_US), HandLink()
    link.set_up(False)
    Watch(shop_from(), store, link, clock).turn(0)
    store.close()


def test_now_prints_one_json_document_in_si_and_nothing_else(
    tmp_path: Path, shop_file: Path
) -> None:
    snapshot_an_hour_ago(tmp_path / "data")
    done = envmon("now", shop_file, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    bays = {bay["bay"]: bay for bay in json.loads(done.stdout)["bays"]}
    assert list(bays) == ["one", "two"]
    known = bays["one"]["conditions"]
    assert known["dew_point_c"]["value"] == pytest.approx(7.7, abs=0.05)
    assert known["dew_margin_k"]["value"] == pytest.approx(10 - 7.7, abs=0.05)
    assert bays["one"]["stage"] == "polish"
    fitness = {stage["id"]: stage["fitness"] for stage in bays["one"]["stages"]}
    assert fitness["early_cure"] == "unfit"
    assert fitness["polish"] == "fit"
    water = bays["two"]["conditions"]["water_temp_c"]
    assert (water["value"], water["quality"]) == (None, "stale")


def test_now_for_a_person_names_every_stage_and_why(tmp_path: Path, shop_file: Path) -> None:
    snapshot_an_hour_ago(tmp_path / "data")
    done = envmon("now", shop_file)
    assert (done.returncode, done.stderr) == (0, "")
    for text in ("Bay one", "Bay two", "dew point 7.7 °C", "▶ Polishing", "Contact wash"):
        assert text in done.stdout


def test_now_without_data_is_exit_2_and_says_what_to_do(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    done = envmon("now", file, "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"envmon: no data in {tmp_path / 'data'} yet; start it with: envmon run {file}\n"
    )
    assert not (tmp_path / "data").exists()


def test_old_numbers_are_never_shown_as_live_ones(tmp_path: Path, shop_file: Path) -> None:
    """An hour after the last reading every condition is without a value."""
    from envmon.clock import HOUR_US, ManualClock

    snapshot_an_hour_ago(tmp_path / "data")
    clock = ManualClock(time.time_ns() // 1_000 + HOUR_US)
    for bay in shop_now(shop_file, clock).bays:
        assert {c.value for c in bay.conditions.values()} == {None}
        assert {s.fitness for s in bay.stages if s.reasons} == {"unknown"}


@pytest.mark.parametrize("command", ["now", "check"])
def test_shop_file_with_faults_is_exit_2_with_every_fault_on_stderr(command: str) -> None:
    done = envmon(command, SHOPS / "ten_faults.toml")
    assert (done.returncode, done.stdout) == (2, "")
    lines = [line for line in done.stderr.splitlines() if "ten_faults.toml:" in line]
    assert lines[-1].endswith("10 faults")
    assert len(lines) == 11


@pytest.mark.parametrize("command", ["now", "check"])
def test_shop_file_that_is_not_there_is_exit_2(command: str, tmp_path: Path) -> None:
    done = envmon(command, tmp_path / "nothing.toml")
    assert (done.returncode, done.stdout) == (2, "")
    assert "nothing.toml" in done.stderr
    assert "Traceback" not in done.stderr


def test_check_of_a_good_file_is_exit_0(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    done = envmon("check", file)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == (
        f"{file}: no faults; Harbour Row Surface Care: 2 bays, 4 points, 1 product\n"
    )


@pytest.mark.parametrize("arguments", [["now"], ["check"], ["no_such_command"], ["now", "--what"]])
def test_bad_use_is_exit_2_and_keeps_stdout_empty(arguments: list[str]) -> None:
    done = envmon(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr != ""
