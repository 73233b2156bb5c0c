"""Open data, and readings made of it, for the tests of sensor health.

Room: temperature and relative humidity of an office, every 16 minutes for six days; Candanedo and
Feldheim, Energy and Buildings 112 (2016) 28-39, as the wheel of river (PyPI) carries and names it,
river/drift/datasets/occupancy.csv.
Weather: two stations, hourly, a year put together from months of several; TMY3, NREL, in the wheel
of pvlib (PyPI), pvlib/data.
"""

from __future__ import annotations

import csv
import importlib.util
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import pytest

from envmon.clock import HOUR_US, MINUTE_US, us_from_datetime
from envmon.facts import Flag, Reading, kept_value
from envmon.intake.health import HealthBook
from envmon.intake.health_rules import HealthRule, rule_from_limits
from envmon.shop.sensor_health import LIMITS, HealthLimits

START_US = us_from_datetime(datetime(2026, 1, 27, tzinfo=UTC))
ROOM_US = 16 * MINUTE_US
STALE_S = {ROOM_US: 1_200.0, HOUR_US: 5_400.0}
"""Twenty minutes for the room, an hour and a half for the weather: longer than from one to the
next, or nothing would be judged."""


class Course(NamedTuple):
    """Real readings of one quantity at an even pace."""

    name: str
    quantity: str
    every_us: int
    values: list[float]


def _package_file(package: str, *parts: str) -> Path:
    """Return a file of an installed package without importing it."""
    spec = importlib.util.find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        pytest.skip(f"{package} carries the data; install the test extras")
    return Path(spec.submodule_search_locations[0]).joinpath(*parts)


def room_courses() -> list[Course]:
    """Return temperature and humidity of the room."""
    with _package_file("river", "drift", "datasets", "occupancy.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    return [
        Course("room", quantity, ROOM_US, [kept_value(float(row[column])) for row in rows])
        for column, quantity in (("V1", "air_temp_c"), ("V2", "rel_hum_pct"))
    ]


def weather_courses() -> list[Course]:
    """Return temperature and humidity of Sand Point (Alaska) and Greensboro."""
    pvlib = pytest.importorskip("pvlib", reason="pvlib carries the TMY3 files")
    courses = []
    for file in ("703165TY.csv", "723170TYA.CSV"):
        path = _package_file("pvlib", "data", file)
        frame, _ = pvlib.iotools.read_tmy3(path, map_variables=True)
        for column, quantity in (
            ("temp_air", "outdoor_temp_c"),
            ("relative_humidity", "outdoor_rel_hum_pct"),
        ):
            values = [kept_value(float(value)) for value in frame[column]]
            courses.append(Course(file, quantity, HOUR_US, values))
    return courses


def courses() -> list[Course]:
    """Return all of them."""
    return [*room_courses(), *weather_courses()]


def default_rule(course: Course, limits: HealthLimits | None = None) -> HealthRule:
    """Return the rule a shop file without a word on it gives."""
    known = LIMITS[course.quantity] if limits is None else limits
    return rule_from_limits(known, course.quantity, STALE_S[course.every_us])


def readings_of(course: Course, values: list[float] | None = None) -> list[Reading]:
    """Return the course as readings of one sensor."""
    return [
        Reading("s", course.quantity, START_US + n * course.every_us, value, Flag.GOOD,
                START_US + n * course.every_us)
        for n, value in enumerate(course.values if values is None else values)
    ]  # fmt: skip


def flags_of(course: Course, rule: HealthRule, values: list[float] | None = None) -> list[Flag]:
    """Return what is said of each reading, one turn of the watch for each."""
    book = HealthBook({("s", course.quantity): rule})
    return [book.judge([reading])[0].flag for reading in readings_of(course, values)]


def places(flags: list[Flag], flag: Flag) -> set[int]:
    """Return which readings have a flag."""
    return {place for place, found in enumerate(flags) if flag in found}
