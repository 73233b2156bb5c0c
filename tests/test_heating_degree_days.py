"""Degree days by three methods, against a plain computation with pandas on an open weather year."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import DAY_US, MINUTE_US, us_from_datetime
from envmon.heating.degree_days import degree_days
from envmon.heating.local import local_days

if TYPE_CHECKING:
    from envmon.heating.local import LocalDays
    from envmon.heating.model import Floats
    from envmon.shop.heat import DegreeDayMethod

STATIONS = {"703165TY.csv": "Etc/GMT+9", "723170TYA.CSV": "Etc/GMT+5"}
METHODS: tuple[DegreeDayMethod, ...] = ("hourly", "daily_mean", "max_min")


def station(file: str) -> Any:
    """Return an hourly year of dry bulb [°C] as a series of its standard time.

    Source: TMY3, NREL, stations 703165 and 723170, as pvlib carries and reads them; the months of
    several years are put into one.
    """
    pvlib = pytest.importorskip("pvlib", reason="pvlib carries the weather year")
    pandas = pytest.importorskip("pandas", reason="pandas is the independent computation")
    path = Path(pvlib.__file__).parent / "data" / file
    frame, _ = pvlib.iotools.read_tmy3(path, map_variables=True)
    hours = pandas.date_range("2025-01-01", periods=8760, freq="h", tz=STATIONS[file])
    return pandas.Series(frame["temp_air"].to_numpy(float), hours)


def reference(series: Any, base_c: float, method: str) -> Any:
    """Return degree days of each date, worked out with pandas alone."""
    if method == "hourly":
        return (base_c - series).clip(lower=0).resample("D").sum() / 24
    daily = series.resample("D")
    middle = daily.mean() if method == "daily_mean" else (daily.max() + daily.min()) / 2
    return (base_c - middle).clip(lower=0)


def by_minute(series: Any) -> tuple[Floats, LocalDays]:
    """Return the series by the minute, each hour at its value, and its days."""
    values = np.repeat(series.to_numpy(), 60)
    start_us = int(series.index[0].timestamp() * 1e6)
    end_us = start_us + len(values) * MINUTE_US
    return values, local_days(start_us, end_us, str(series.index.tz))


@pytest.mark.parametrize("base_c", [18.0, 18.333333, 12.5])
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("file", STATIONS)
def test_every_day_of_a_year_is_as_pandas_has_it(
    file: str, method: DegreeDayMethod, base_c: float
) -> None:
    series = station(file)
    values, days = by_minute(series)
    found = degree_days(values, int(days.edges_us[0]), days.edges_us, base_c, method)
    theirs = reference(series, base_c, method)
    assert len(found.value) == len(theirs) == 365
    assert found.value == pytest.approx(theirs.to_numpy(), abs=1e-9)
    assert not found.partial.any()


@pytest.mark.parametrize(("file", "base_c"), [("703165TY.csv", 8.0), ("723170TYA.CSV", 18.0)])
def test_methods_differ_near_the_base(file: str, base_c: float) -> None:
    """Source: heating_cases.json: 7 % by method alone on one hourly year; so they are named."""
    series = station(file)
    values, days = by_minute(series)
    start = int(days.edges_us[0])
    ours = [degree_days(values, start, days.edges_us, base_c, of).value.sum() for of in METHODS]
    theirs = [reference(series, base_c, method).sum() for method in METHODS]
    assert ours == pytest.approx(theirs, rel=1e-9)
    assert 1.005 < max(ours) / min(ours) < 1.15


def test_words_name_base_and_method() -> None:
    edges = np.array([0, DAY_US])
    minutes = np.full(1440, 8.0)
    hourly, mean, middle = (degree_days(minutes, 0, edges, 18.0, of) for of in METHODS)
    assert hourly.words == "base 18 °C, hour by hour"
    assert mean.words == "base 18 °C, by the day's mean"
    assert middle.words == "base 18 °C, by the middle of the day's highest and lowest"


OSLO_DAYS = (
    (date(2026, 3, 29), 23),
    (date(2026, 10, 25), 25),
    (date(2028, 2, 29), 24),
)


@pytest.mark.parametrize(("day", "hours"), OSLO_DAYS)
def test_a_day_is_as_long_as_its_clock_makes_it(day: date, hours: int) -> None:
    """Source: tz database, Europe/Oslo: change on the last Sundays of March and October."""
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo("Europe/Oslo"))
    at_us = us_from_datetime(noon)
    days = local_days(at_us, at_us + MINUTE_US, "Europe/Oslo")
    assert days.dates == (day,)
    assert days.hours.tolist() == [hours]
    cold = np.full(hours * 60, 8.0)
    start = int(days.edges_us[0])
    hourly = degree_days(cold, start, days.edges_us, 18.0, "hourly")
    assert hourly.value == pytest.approx([10 * hours / 24])
    assert degree_days(cold, start, days.edges_us, 18.0, "daily_mean").value == pytest.approx([10])
    assert not hourly.partial.any()


# Source: tz database. Havana changes at midnight, so a day begins at 01:00 and another twice at
# 00:00; Lord Howe changes by half an hour; Apia left out 30 December 2011.
ODD_DAYS = (
    ("America/Havana", date(2026, 3, 8), 23.0),
    ("America/Havana", date(2026, 11, 1), 25.0),
    ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
    ("Pacific/Apia", date(2011, 12, 29), 24.0),
)


@pytest.mark.parametrize(("zone", "day", "hours"), ODD_DAYS)
def test_odd_days_follow_each_other_without_a_gap(zone: str, day: date, hours: float) -> None:
    at_us = us_from_datetime(datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo(zone)))
    days = local_days(at_us - 3 * DAY_US, at_us + 3 * DAY_US, zone)
    place = days.dates.index(day)
    assert days.hours[place] == hours
    assert (np.diff(days.edges_us) > 0).all()
    assert date(2011, 12, 30) not in days.dates
    for edge, of in zip(days.edges_us.tolist(), days.dates, strict=False):
        first = datetime.fromtimestamp(edge / 1e6, UTC).astimezone(ZoneInfo(zone))
        before = datetime.fromtimestamp(edge / 1e6 - 1, UTC).astimezone(ZoneInfo(zone))
        assert first.date() == of > before.date()


@given(st.integers(0, 1439), st.integers(1, 1440), st.sampled_from(METHODS))
def test_partial_days_are_said_and_half_days_are_unknown(
    first: int, count: int, method: DegreeDayMethod
) -> None:
    minutes = np.full(3 * 1440, 3.0)
    after = min(first + count, 1440)
    minutes[1440 + first : 1440 + after] = np.nan
    edges = np.arange(4, dtype=np.int64) * DAY_US
    found = degree_days(minutes, 0, edges, 18.0, method)
    gone = after - first
    assert found.partial.tolist() == [False, gone > 60, False]
    assert np.isnan(found.value).tolist() == [False, gone > 720, False]
    assert found.value[~np.isnan(found.value)] == pytest.approx(15.0)


@given(st.lists(st.floats(-40, 40), min_size=24, max_size=24), st.floats(5, 25))
def test_laws(hours_c: list[float], base_c: float) -> None:
    """Hour by hour is never below the mean's; all rise with the base, by no more than it."""
    minutes = np.repeat(np.array(hours_c), 60)
    edges = np.array([0, DAY_US])
    at = {of: degree_days(minutes, 0, edges, base_c, of).value[0] for of in METHODS}
    above = {of: degree_days(minutes, 0, edges, base_c + 1, of).value[0] for of in METHODS}
    assert at["hourly"] >= at["daily_mean"] - 1e-9
    for method in METHODS:
        assert at[method] >= 0
        assert -1e-9 <= above[method] - at[method] <= 1 + 1e-9
    if max(hours_c) <= base_c:
        assert at["hourly"] == pytest.approx(at["daily_mean"], abs=1e-9)


def test_a_span_that_begins_at_noon_has_a_partial_first_day() -> None:
    minutes = np.full(2160, 3.0)
    edges = np.arange(3, dtype=np.int64) * DAY_US
    found = degree_days(minutes, DAY_US // 2, edges, 18.0, "hourly")
    assert found.share == pytest.approx([0.5, 1.0])
    assert found.partial.tolist() == [True, False]
    assert found.value == pytest.approx([15.0, 15.0])
