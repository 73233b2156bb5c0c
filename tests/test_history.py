"""History from summaries, archive and live file equals counting reading by reading.

Source: the definitions of lowest, highest, mean and count, worked out in plain Python over the
readings themselves (tests/history_support.py).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from envmon.errors import InputError
from envmon.facts import Flag, Reading
from envmon.store.history import history
from tests.history_support import (
    AIR,
    HUMIDITY,
    START_US,
    ZONES,
    assert_equals_plain,
    assert_same,
    at,
    ensure_archived,
    kept,
    plain_buckets,
    questions,
    readings,
)

if TYPE_CHECKING:
    from pathlib import Path

Question = tuple[int, int, int, str]

few = settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@few
@given(readings(), st.lists(questions(), min_size=4, max_size=8))
def test_archived_history_equals_plain_counting(
    tmp_path_factory: pytest.TempPathFactory, rows: list[Reading], asked: list[Question]
) -> None:
    with kept(tmp_path_factory.mktemp("past"), rows) as made:
        ensure_archived(made, rows)
        assert made.store.run("SELECT count(*) FROM reading").fetchone() == (0,)
        for from_us, to_us, most, zone in asked:
            found = history(made.past, [AIR], from_us, to_us, most, zone)
            edges = found.edges_us.tolist()
            assert edges[0] <= from_us
            assert edges[-1] >= to_us
            assert len(edges) - 1 <= most
            assert_equals_plain(found.lines[AIR], plain_buckets(rows, edges))
            inside = [r for r in rows if edges[0] <= r.t_us < edges[-1] and r.flag.charted]
            assert found.lines[AIR].count.sum() == len(inside)
            again = history(made.past, [AIR], from_us, to_us, most, zone)
            assert again.edges_us.tobytes() == found.edges_us.tobytes()
            assert_same(again.lines[AIR], found.lines[AIR])


@few
@given(readings(), st.integers(3, 9), st.data())
def test_live_archived_and_late_readings_give_the_same_as_all_live(
    tmp_path_factory: pytest.TempPathFactory, rows: list[Reading], closed: int, data: st.DataObject
) -> None:
    late = [r for r in rows if data.draw(st.booleans())]
    with (
        kept(tmp_path_factory.mktemp("live"), rows) as live,
        kept(tmp_path_factory.mktemp("mixed"), [r for r in rows if r not in late]) as mixed,
    ):
        mixed.archive(START_US + closed * DAY_US, months=data.draw(st.booleans()))
        mixed.store.add_readings(late)
        for _ in range(6):
            asked = data.draw(questions())
            mine, yours = (history(made.past, [AIR], *asked) for made in (mixed, live))
            assert_same(mine.lines[AIR], yours.lines[AIR])
            assert_equals_plain(mine.lines[AIR], plain_buckets(rows, mine.edges_us.tolist()))


def test_late_reading_that_is_archived_already_counts_once(tmp_path: Path) -> None:
    rows = [at(START_US + minute * MINUTE_US, 20 + minute) for minute in range(10)]
    with kept(tmp_path, rows) as made:
        ensure_archived(made, rows)
        # Redelivered, and one at the same time with another value: the kept one stays.
        made.store.add_readings([rows[3], rows[4]._replace(value=99.0)])
        for most in (1, 10, 5_000):
            found = history(made.past, [AIR], START_US, START_US + HOUR_US, most, "UTC")
            assert_equals_plain(found.lines[AIR], plain_buckets(rows, found.edges_us.tolist()))


def test_late_reading_with_a_right_clock_replaces_one_with_a_wrong_clock(tmp_path: Path) -> None:
    wrong, right = at(START_US, 50, flag=Flag.CLOCK), at(START_US, 20)
    with kept(tmp_path, [wrong]) as made:
        ensure_archived(made, [wrong])
        made.store.add_readings([right])
        for most in (1, 5_000):
            line = history(made.past, [AIR], START_US, START_US + HOUR_US, most, "UTC").lines[AIR]
            assert [line.count.sum(), line.flagged.sum(), np.nanmax(line.high)] == [1, 0, 20]


def test_late_reading_of_one_series_leaves_the_summaries_of_the_others(tmp_path: Path) -> None:
    rows = [at(START_US + k * MINUTE_US, k, s) for k in range(60) for s in (AIR, HUMIDITY)]
    with kept(tmp_path, rows) as made:
        ensure_archived(made, rows)
        late = at(START_US + 1, 70, HUMIDITY)
        made.store.add_readings([late])
        found = history(made.past, [AIR, HUMIDITY], START_US, START_US + HOUR_US, 12, "UTC")
        edges = found.edges_us.tolist()
        for series in (AIR, HUMIDITY):
            mine = [r for r in [*rows, late] if (r.point, r.quantity) == series]
            assert_equals_plain(found.lines[series], plain_buckets(mine, edges))


@pytest.mark.parametrize("archived", [False, True])
@pytest.mark.parametrize("value", [31.5, -3.25])
def test_excursion_of_one_reading_shows_at_every_zoom(
    tmp_path: Path, value: float, *, archived: bool
) -> None:
    spike_us = START_US + 3 * DAY_US + 7 * HOUR_US + 35 * SECOND_US
    times = range(START_US + 3 * DAY_US, START_US + 4 * DAY_US, 30 * SECOND_US)
    rows = [at(t_us, 20) for t_us in times] + [at(spike_us, value)]
    with kept(tmp_path, rows) as made:
        if archived:
            ensure_archived(made, rows)
        for zone in ZONES:
            for most in (1, 3, 10, 50, 200, 1_000, 2_000):
                for around_us in (MINUTE_US, HOUR_US, DAY_US, 40 * DAY_US, 212 * DAY_US):
                    found = history(
                        made.past, [AIR], spike_us - around_us, spike_us + around_us, most, zone
                    )
                    place = np.searchsorted(found.edges_us, spike_us, "right") - 1
                    line = found.lines[AIR]
                    seen = line.high[place] if value > 20 else line.low[place]
                    assert seen == value


def test_gaps_stay_gaps_and_an_unknown_series_is_all_gap(tmp_path: Path) -> None:
    rows = [at(START_US, 20), at(START_US + 5 * MINUTE_US, 21, flag=Flag.RANGE)]
    with kept(tmp_path, rows) as made:
        asked = [AIR, ("nowhere", "air_temp_c")]
        found = history(made.past, asked, START_US, START_US + 10 * MINUTE_US, 10, "UTC")
    assert list(found.lines) == asked
    assert found.lines[AIR].count.tolist() == [1] + [0] * 9
    assert found.lines[AIR].flagged.tolist() == [0] * 5 + [1] + [0] * 4
    assert np.isnan(found.lines[AIR].mean).tolist() == [False] + [True] * 9
    assert np.isnan(found.lines[asked[1]].mean).all()


@pytest.mark.parametrize("sign", [1, -1])
def test_empty_minutes_in_a_bucket_are_no_zeros(tmp_path: Path, sign: int) -> None:
    rows = [at(START_US, 20 * sign), at(START_US + 50 * MINUTE_US, 22 * sign)]
    with kept(tmp_path, rows) as made:
        ensure_archived(made, rows)
        for most in (1, 2):
            asked = (START_US, START_US + DAY_US * most, most, "UTC")
            line = history(made.past, [AIR], *asked).lines[AIR]
            assert sorted([line.low[0], line.high[0]], key=abs) == [20 * sign, 22 * sign]
            assert line.mean[0] == 21 * sign


def test_chart_outlives_a_file_that_is_lost(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    rows = [at(START_US + minute * MINUTE_US, minute) for minute in range(60)]
    with kept(tmp_path, rows) as made:
        ensure_archived(made, rows)
        for file in made.past.files(START_US, START_US + DAY_US):
            file.path.unlink()
        by_minute = history(made.past, [AIR], START_US, START_US + HOUR_US, 60, "UTC")
        raw = history(made.past, [AIR], START_US, START_US + HOUR_US, 3_600, "UTC")
    assert by_minute.lines[AIR].high.tolist() == list(range(60))
    assert raw.lines[AIR].count.sum() == 0
    assert "left out" in caplog.text


def test_chart_within_someone_elses_transaction_leaves_it_open(tmp_path: Path) -> None:
    with kept(tmp_path, [at(START_US, 20)]) as made:
        with made.store.atomic():
            made.store.add_readings([at(START_US + 1, 21)])
            found = history(made.past, [AIR], START_US, START_US + HOUR_US, 10, "UTC")
            assert found.lines[AIR].count.sum() == 2
        assert len(list(made.store.readings(0, 2**62))) == 2


@pytest.mark.parametrize(
    ("from_us", "to_us", "most", "zone", "words"),
    [
        (START_US, START_US, 10, "UTC", "span is"),
        (START_US, START_US - 1, 10, "UTC", "span is"),
        (-(2**62), START_US, 10, "UTC", "span is"),
        (START_US, 2**62, 10, "UTC", "span is"),
        (START_US, START_US + 1, 0, "UTC", "number of buckets is 0"),
        (START_US, START_US + 1, 1, "Norge/Oslo", "time zone is 'Norge/Oslo'"),
        (START_US, START_US + 1, 1, "../etc", "time zone is"),
        (START_US, START_US + 1, 1, "", "time zone is ''"),
    ],
)
def test_question_that_is_not_allowed_is_refused(
    tmp_path: Path, from_us: int, to_us: int, most: int, zone: str, words: str
) -> None:
    with kept(tmp_path) as made, pytest.raises(InputError, match=words):
        history(made.past, [AIR], from_us, to_us, most, zone)
