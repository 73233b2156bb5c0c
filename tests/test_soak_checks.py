"""The soak's own checks can tell: what is lost, doubled, missed or shown late is found."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING, Any

import duckdb
import pytest

from tests.acceptance.soak_checks import (
    alarms,
    deadline,
    readings,
    slow_spans,
    standing,
    wall,
)
from tests.acceptance.soak_eye import Memory, Noted, Seen
from tests.acceptance.soak_faults import Fault
from tests.acceptance.soak_memory import is_flat, memory
from tests.acceptance.soak_story import BEGIN_US, Condition, Kind

if TYPE_CHECKING:
    from pathlib import Path

SPEED = 1000.0
KIND = Kind("one-window", 1000, "one-air", "rh", 80.0)
"""One second of delay at this speed."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four readings made; one live, one archived, one in both, one nowhere."""
    (tmp_path / "truth.csv").write_text(
        "".join(f"outdoor,temp,{at},{at}.5\n" for at in (1, 2, 3, 4)), encoding="utf-8"
    )
    month = tmp_path / "data" / "archive" / "site=x" / "month=2026-01"
    month.mkdir(parents=True)
    with contextlib.closing(sqlite3.connect(tmp_path / "data" / "live.sqlite3")) as db:
        db.execute("CREATE TABLE series (id INTEGER, point TEXT, quantity TEXT)")
        db.execute("CREATE TABLE reading (series_id INTEGER, t_us INTEGER, value REAL)")
        db.execute("INSERT INTO series VALUES (7, 'outdoor', 'outdoor_temp_c')")
        db.execute("INSERT INTO reading VALUES (7, 1, 1.5), (7, 3, 3.5)")
        db.commit()
    duckdb.execute(
        "COPY (SELECT 'outdoor' AS point, 'outdoor_temp_c' AS quantity, make_timestamptz(t) AS t, "
        "t * 1000 + 500 AS value_milli FROM (VALUES (2), (3)) AS v(t)) "
        f"TO '{month / 'day.parquet'}' (FORMAT parquet)"
    ).fetchall()
    return tmp_path


def test_lost_and_doubled_readings_are_found(folder: Path) -> None:
    found = readings(folder)
    assert (found["made"], found["stored"], found["archived"]) == (4, 4, 2)
    assert (found["lost"], found["doubled"], found["changed"], found["not_made"]) == (1, 1, 0, 0)
    assert found["first_lost"] == [("outdoor", "outdoor_temp_c", 4)]


def test_a_changed_and_a_foreign_reading_are_found(folder: Path) -> None:
    with contextlib.closing(sqlite3.connect(folder / "data" / "live.sqlite3")) as db:
        db.execute("UPDATE reading SET value = 9.5 WHERE t_us = 1")
        db.execute("INSERT INTO reading VALUES (7, 9, 9.5)")
        db.commit()
    found = readings(folder)
    assert (found["changed"], found["not_made"]) == (1, 1)


@pytest.mark.parametrize(
    ("away", "due"),
    [
        ([], 103.0),
        ([(90.0, 99.0)], 103.0),
        ([(101.0, 105.0)], 108.0),
        ([(104.0, 119.0)], 103.0),
        ([(101.0, 105.0), (107.0, 109.0)], 112.0),
        ([(101.0, 118.0)], None),
    ],
)
def test_an_alarm_is_due_after_a_stretch_without_outage(
    away: list[tuple[float, float]], due: float | None
) -> None:
    assert deadline(100.0, 120.0, 3.0, away) == due


def told(*events: tuple[float, str]) -> Noted:
    seen = [Seen(at, n, kind, {"alarm": "one-window"}) for n, (at, kind) in enumerate(events)]
    return Noted(behind=[(at / 5, 0.1) for at in range(1000)], events=seen)


def judged(noted: Noted, faults: tuple[Fault, ...] = ()) -> dict[str, Any]:
    """Hold a condition from 100 to 120 s against what was seen; the run begins at 0."""
    condition = Condition(KIND, BEGIN_US + 100_000_000_000, BEGIN_US + 120_000_000_000)
    return alarms([condition], noted, faults, 0.0, SPEED)


def test_a_missed_a_late_and_a_standing_alarm() -> None:
    assert len(judged(told())["missed"]) == 1
    assert len(judged(told((90.0, "alarm_raised"), (95.0, "alarm_cleared")))["missed"]) == 1
    late = judged(told((110.0, "alarm_raised")))
    assert (late["missed"], late["late"], late["latest_s"]) == ([], 1, 9.0)
    good = judged(told((101.2, "alarm_raised"), (121.0, "alarm_cleared")))
    assert (good["missed"], good["late"], good["judged"]) == ([], 0, 1)


def test_what_a_wrong_clock_covers_is_not_judged_and_said_so() -> None:
    wrong = Fault("clock forward", 9.0, 99.0, 118.0, 119.0)
    found = judged(told(), (wrong,))
    assert (found["judged"], found["covered_by_outage"], found["missed"]) == (0, 1, [])


def test_a_store_behind_without_a_fault_is_no_outage() -> None:
    noted = Noted(behind=[(at / 5, 4.0 if 500 <= at < 600 else 0.1) for at in range(1000)])
    assert len(slow_spans(noted, [], (0.0, 200.0))) == 1
    assert slow_spans(noted, [Fault("cut nodes", 9.0, 98.0, 118.0, 120.5)], (0.0, 200.0)) == []
    assert judged(noted)["covered_by_outage"] == 0


def test_an_alarm_stands_from_raised_to_cleared() -> None:
    events = told((1.0, "alarm_raised"), (2.0, "alarm_raised"), (3.0, "alarm_cleared")).events
    assert standing(events, "one-window") == [(1.0, 3.0)]
    assert standing(events[:1], "one-window") == [(1.0, float("inf"))]
    assert standing(events, "two-window") == []


def test_growing_memory_is_found() -> None:
    grows = [Memory(5.0 * n, "watch", 1, 100_000 + 1024 * n) for n in range(100)]
    flat = [Memory(5.0 * n, "boards", 2, 100_000) for n in range(100)]
    found = {row["name"]: row for row in memory([*grows, *flat], 86_400.0)}
    assert found["watch"]["mb_per_day"] == pytest.approx(0.2)  # a day a second: 1 MB in 5 days
    assert found["boards"]["mb_per_day"] == 0.0
    assert (is_flat(found["watch"]), is_flat(found["boards"])) == (False, True)


def test_a_wall_that_is_not_blank_or_not_back_is_found() -> None:
    cut = Fault("cut shop", 9.0, 100.0, 110.0, 112.0)
    turns = [[at * 1000.0, bay, "numbers FIT"] for at in (90,) for bay in ("one", "two")]
    assert wall({"turns": turns}, [cut])["not_blank"] == ["cut shop"]
    turns += [[106_000.0, bay, "blank NO DATA"] for bay in ("one", "two")]
    assert wall({"turns": turns}, [cut])["never_back"] == 1
    turns += [[113_000.0 + 1000 * n, bay, "numbers FIT"] for n, bay in enumerate(("one", "two"))]
    found = wall({"turns": turns}, [cut])
    assert (found["not_blank"], found["never_back"], found["longest_back_s"]) == ([], 0, 4.0)
