"""The pandas reference of the record's numbers, itself held to cases worked out on paper."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from tests.record_reference import (
    SECOND_US,
    Limit,
    dew_margin,
    held,
    numbers,
    readings_of,
    spans_s,
    us,
)

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "time,point,quantity,value,unit,flag,seen\n"
T0 = us("2026-01-27T10:00:00Z")


def at(seconds: float) -> str:
    return (pd.Timestamp(T0, unit="us", tz="UTC") + pd.Timedelta(seconds=seconds)).isoformat()


def csv_of(folder: Path, rows: list[tuple[float, str, float, str]]) -> Path:
    file = folder / "x.csv"
    lines = [
        f"{at(t)},{point},air_temp_c,{value},°C,{flag},{at(t + 1)}"
        for t, point, value, flag in rows
    ]
    file.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    return file


def ends(start: float, end: float) -> tuple[int, int]:
    return T0 + round(start * SECOND_US), T0 + round(end * SECOND_US)


def test_a_reading_holds_until_the_next_or_its_stale_time(tmp_path: Path) -> None:
    file = csv_of(tmp_path, [(0, "a", 20.0, ""), (10, "a", 22.0, ""), (100, "a", 18.0, "late")])
    whole = held(readings_of(file), {"a": 30.0}, ends(5, 120))
    found = numbers(whole, Limit("air_temp_c", 19.0, 21.0))
    # 5..10 at 20, 10..40 at 22, 40..100 nobody knows, 100..120 at 18
    assert found == {
        "min": 18.0, "max": 22.0, "mean": pytest.approx((5 * 20 + 30 * 22 + 20 * 18) / 55),
        "inside_s": 5.0, "outside_s": 50.0, "unknown_s": 60.0, "excursions": 2,
    }  # fmt: skip


def test_of_two_points_the_median_counts_and_one_alone_is_enough(tmp_path: Path) -> None:
    file = csv_of(tmp_path, [(0, "a", 20.0, ""), (0, "b", 22.0, ""), (20, "b", 24.0, "")])
    whole = held(readings_of(file), {"a": 10.0, "b": 60.0}, ends(0, 30))
    found = numbers(whole, Limit("air_temp_c", high=21.5))
    # 0..10 at 21, 10..20 at 22 (b alone), 20..30 at 24
    assert found["mean"] == pytest.approx((21 + 22 + 24) / 3)
    assert found["inside_s"] == 10.0
    assert found["excursions"] == 1


@pytest.mark.parametrize(
    ("flag", "counts"),
    [("", True), ("late", True), ("rate+apart", True), ("wet", True),
     ("spike", False), ("late+range", False), ("clock", False), ("flat", False)],
)  # fmt: skip
def test_flags_that_leave_a_reading_good(tmp_path: Path, flag: str, counts: bool) -> None:  # noqa: FBT001 - a case
    file = csv_of(tmp_path, [(0, "a", 20.0, flag)])
    assert (len(readings_of(file)) == 1) is counts


def test_what_was_seen_later_does_not_count(tmp_path: Path) -> None:
    file = csv_of(tmp_path, [(0, "a", 20.0, ""), (10, "a", 22.0, "")])
    assert len(readings_of(file, at(10.5))) == 1
    assert len(readings_of(file, at(11))) == 2


def test_spans_of_rows() -> None:
    assert list(spans_s(pd.Index([0, SECOND_US, 4 * SECOND_US]))) == [1.0, 3.0, 0.0]


def test_dew_margin_of_the_trade() -> None:
    """Dew point at 20 °C and 45 % is 7.7 °C (rule of thumb of the trade)."""
    index = [T0, T0 + SECOND_US]
    parts = [pd.Series([value, value], index=index) for value in (20.0, 45.0, 10.0)]
    assert dew_margin(*parts).iloc[0] == pytest.approx(10.0 - 7.7, abs=0.05)


def test_frost_point_below_zero() -> None:
    """A dew point of −5 °C is a frost point of −4.43 °C (conventions of the check tables)."""
    vapour = 6.112 * math.exp(17.62 * -5.0 / (243.12 - 5.0))
    hum = 100 * vapour / (6.112 * math.exp(17.62 * 2.0 / (243.12 + 2.0)))
    parts = [pd.Series([value], index=[T0]) for value in (2.0, hum, -1.0)]
    assert dew_margin(*parts).iloc[0] == pytest.approx(-1.0 + 4.43, abs=0.05)


def test_unknown_is_unknown_in_the_margin_too() -> None:
    known = pd.Series([20.0, 20.0], index=[T0, T0 + SECOND_US])
    gap = pd.Series([45.0, math.nan], index=known.index)
    worked = dew_margin(known, gap, known)
    assert not math.isnan(worked.iloc[0])
    assert math.isnan(worked.iloc[1])
