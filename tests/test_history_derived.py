"""Dew point and dew margin of a span are those of its minutes, one by one.

Source: the definitions; the formulas themselves are checked in test_moist_air_*.py. Here each
minute is worked out by the scalar form of the formula from the readings in plain Python.
"""

from __future__ import annotations

import math
from collections import defaultdict
from statistics import fmean
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from envmon.errors import InputError
from envmon.facts import Flag, Reading
from envmon.physics.air import dew_point_c, frost_point_c
from envmon.physics.surface import dew_margin_k
from envmon.store.history import dew_lines, history
from tests.history_support import (
    AIR,
    HUMIDITY,
    PANEL,
    START_US,
    ZONES,
    assert_same,
    at,
    ensure_archived,
    kept,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.store.history_tally import Line

AIR_2 = ("bay-air-2", "air_temp_c")
MINUTE = st.integers(0, 200).map(
    lambda minute: START_US + DAY_US - 100 * MINUTE_US + minute * MINUTE_US
)
TIMES = st.tuples(MINUTE, st.integers(0, MINUTE_US - 1)).map(sum)
FLAGS = st.sampled_from([Flag.GOOD] * 3 + [Flag.LATE, Flag.RANGE, Flag.FLAT, Flag.APART])


@st.composite
def air_and_panel(draw: st.DrawFn) -> list[Reading]:
    ranges = {AIR: (-30, 40), AIR_2: (-30, 40), HUMIDITY: (0, 110), PANEL: (-20, 20)}
    rows = []
    for series, (low, high) in ranges.items():
        drawn = st.tuples(TIMES, st.floats(low, high), FLAGS)
        for t_us, value, flag in draw(st.lists(drawn, max_size=40, unique_by=lambda r: r[0])):
            rows.append(at(t_us, value, series, flag))
    return rows


def minute_values(rows: Sequence[Reading], slot_us: int) -> dict[int, tuple[float, float]]:
    """Return dew point [°C] and margin [K] by start of the slot, NaN where not known."""
    slots: dict[int, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for r in rows:
        if r.flag.charted:
            slots[r.t_us // slot_us * slot_us][r.quantity].append(r.value)
    found = {}
    for start, values in slots.items():
        try:
            air, hum = (fmean(values[name]) for name in ("air_temp_c", "rel_hum_pct"))
            dew, frost = dew_point_c(air, hum), frost_point_c(air, hum)
        except (ValueError, InputError):
            continue
        panel = values["panel_temp_c"]
        margin = dew_margin_k(fmean(panel), dew, frost) if panel else math.nan
        found[start] = (float(dew), float(margin))
    return found


def assert_equals_plain(line: Line, edges: Sequence[int], values: dict[int, float]) -> None:
    for place in range(len(edges) - 1):
        inside = [
            v for t, v in values.items()
            if edges[place] <= t < edges[place + 1] and not math.isnan(v)
        ]  # fmt: skip
        assert line.count[place] == len(inside)
        if not inside:
            assert np.isnan([line.low[place], line.mean[place], line.high[place]]).all()
            continue
        low, mean, high = line.low[place], line.mean[place], line.high[place]
        assert low == pytest.approx(min(inside), abs=1e-8)
        assert high == pytest.approx(max(inside), abs=1e-8)
        assert mean == pytest.approx(fmean(inside), abs=1e-8)
        assert low <= mean <= high


@settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    air_and_panel(), st.booleans(), st.integers(1, 500), st.sampled_from(ZONES),
    st.sampled_from([MINUTE_US, HOUR_US, DAY_US, 40 * DAY_US]),
)  # fmt: skip
def test_dew_lines_are_those_of_the_minutes(
    tmp_path_factory: pytest.TempPathFactory, rows: list[Reading], archived: bool,  # noqa: FBT001
    most: int, zone: str, span_us: int,
) -> None:  # fmt: skip
    with kept(tmp_path_factory.mktemp("past"), rows) as made:
        if archived and rows:
            ensure_archived(made, rows)
        from_us = START_US + DAY_US - span_us // 2
        found = history(made.past, [AIR], from_us, from_us + span_us, most, zone)
        lines = dew_lines(made.past, [AIR, AIR_2], [HUMIDITY], [PANEL], found.edges_us)
        slot_us = min(found.step_s, 60) * SECOND_US
        values = minute_values(rows, slot_us)
        edges = found.edges_us.tolist()
        assert list(lines) == ["dew_point_c", "dew_margin_k"]
        dew = {t: pair[0] for t, pair in values.items()}
        margin = {t: pair[1] for t, pair in values.items()}
        assert_equals_plain(lines["dew_point_c"], edges, dew)
        assert_equals_plain(lines["dew_margin_k"], edges, margin)
        again = dew_lines(made.past, [AIR, AIR_2], [HUMIDITY], [PANEL], found.edges_us)
        assert_same(lines["dew_margin_k"], again["dew_margin_k"])


def test_one_damp_minute_shows_in_a_season(tmp_path: Path) -> None:
    rows = []
    for minute in range(24 * 60):
        t_us = START_US + minute * MINUTE_US
        humid = 95.0 if minute == 700 else 45.0
        rows += [at(t_us, 20, AIR), at(t_us, humid, HUMIDITY), at(t_us, 19, PANEL)]
    with kept(tmp_path, rows) as made:
        ensure_archived(made, rows)
        asked = (START_US - 100 * DAY_US, START_US + 112 * DAY_US, 300, "Europe/Oslo")
        edges = history(made.past, [AIR], *asked).edges_us
        lines = dew_lines(made.past, [AIR], [HUMIDITY], [PANEL], edges)
    worst = np.nanmin(lines["dew_margin_k"].low)
    assert worst == pytest.approx(19 - dew_point_c(20.0, 95.0), abs=1e-8)
    assert np.nanmax(lines["dew_point_c"].high) == pytest.approx(dew_point_c(20.0, 95.0), abs=1e-8)
    assert lines["dew_point_c"].count.sum() == 24 * 60


def test_without_panels_there_is_no_margin_and_without_humidity_nothing(tmp_path: Path) -> None:
    with kept(tmp_path, [at(START_US, 20), at(START_US, 50, HUMIDITY)]) as made:
        edges = START_US + np.arange(11, dtype=np.int64) * MINUTE_US
        assert list(dew_lines(made.past, [AIR], [HUMIDITY], None, edges)) == ["dew_point_c"]
        gaps = dew_lines(made.past, [AIR], [], [PANEL], edges)
    assert all(np.isnan(line.mean).all() and not line.count.any() for line in gaps.values())
