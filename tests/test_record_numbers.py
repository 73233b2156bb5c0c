"""A record's numbers equal those worked out from an export with plain pandas."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.job.record_numbers import Span, run_numbers
from envmon.job.record_series import Said, Scene, Source, held
from envmon.service.keeping.exporting import ExportJob, export
from tests import record_reference as reference
from tests.record_support import JOB, told_story

S = 1_000_000


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], pd.DataFrame]:
    """A record of a whole job, and the readings behind it as ``envmon export`` gives them."""
    folder = tmp_path_factory.mktemp("record")
    story = told_story(folder)
    document = json.loads(story.desk(800).handed_out(JOB, "json"))
    csv = folder / "readings.csv"
    job = ExportJob(story.shop_file, "2026-01-27", "2026-01-28", out=csv)
    assert export(job, print) == 0
    story.store.close()
    return document, reference.readings_of(csv, document["measured"]["taken_in_until"])


def of_quantity(
    document: dict[str, Any], readings: pd.DataFrame, quantity: str, ends: tuple[int, int]
) -> pd.Series[Any]:
    sources = document["measured"]["sources"][quantity]
    own = readings[readings["quantity"] == quantity]
    return reference.held(own, {s["point"]: s["stale_s"] for s in sources}, ends)


def worked_out(
    document: dict[str, Any], readings: pd.DataFrame, run: dict[str, Any], quantity: str
) -> pd.Series[Any]:
    """Return what held during a run, by pandas alone."""
    ends = reference.us(run["from"]), reference.us(run["to"])
    if quantity != "dew_margin_k":
        return of_quantity(document, readings, quantity, ends)
    parts = ("air_temp_c", "rel_hum_pct", "panel_temp_c")
    return reference.dew_margin(*(of_quantity(document, readings, p, ends) for p in parts))


def limit_of(row: dict[str, Any]) -> reference.Limit:
    low, high = row["low"], row["high"]
    return reference.Limit(
        row["quantity"], -math.inf if low is None else low, math.inf if high is None else high
    )


def test_every_number_of_every_run(record: tuple[dict[str, Any], pd.DataFrame]) -> None:
    document, readings = record
    seen = 0
    for run in document["measured"]["runs"]:
        for row in run["limits"]:
            if row["quantity"] == "vapour_ppm":
                continue
            whole = worked_out(document, readings, run, row["quantity"])
            found = reference.numbers(whole, limit_of(row))
            derived = row["quantity"] == "dew_margin_k"
            within = reference.MARGIN_TOLERANCE_K if derived else 1e-6
            for name in ("min", "mean", "max"):
                assert row[name] == pytest.approx(found[name], abs=within), (run["stage"], row)
            if not derived or abs(row["min"] - 3.0) > within:
                for name in ("inside_s", "outside_s", "unknown_s"):
                    assert row[name] == pytest.approx(found[name], abs=1e-5), (run["stage"], row)
                assert row["excursions"]["count"] == found["excursions"]
            seen += 1
    assert seen == 9


def test_the_story_has_what_could_go_wrong(record: tuple[dict[str, Any], pd.DataFrame]) -> None:
    """Gaps, bad flags, two sensors, an excursion: else the comparison would prove little."""
    document, readings = record
    rows = [row for run in document["measured"]["runs"] for row in run["limits"]]
    assert any(row["outside_s"] for row in rows)
    assert any(row["unknown_s"] > 0 and row["mean"] is not None for row in rows)
    assert len(document["measured"]["sources"]["air_temp_c"]) == 2
    assert readings["value"].max() < 90  # those out of range were left out


def test_all_limits_together(record: tuple[dict[str, Any], pd.DataFrame]) -> None:
    document, readings = record
    (run,) = [run for run in document["measured"]["runs"] if run["stage"] == "coating"]
    columns = []
    for row in run["limits"]:
        if not row["by_hand"]:
            whole, limit = worked_out(document, readings, run, row["quantity"]), limit_of(row)
            columns.append(whole.between(limit.low, limit.high).astype(float).where(whole.notna()))
    edges = sorted({edge for column in columns for edge in column.index})
    filled = [column.fillna(-1.0).reindex(edges).ffill() for column in columns]
    table = pd.concat(filled, axis=1)
    lasts = reference.spans_s(table.index)
    outside = (table == 0).any(axis=1)
    unknown = ~outside & (table == -1).any(axis=1)
    assert run["together"]["outside_s"] == pytest.approx(lasts[outside].sum(), abs=1e-5)
    assert run["together"]["unknown_s"] == pytest.approx(lasts[unknown].sum(), abs=1e-5)
    assert run["together"]["unknown_s"] > 60


def test_a_limit_checked_by_hand_is_unknown_and_does_not_count(
    record: tuple[dict[str, Any], pd.DataFrame],
) -> None:
    document, _ = record
    (run,) = [run for run in document["measured"]["runs"] if run["stage"] == "coating"]
    (row,) = [row for row in run["limits"] if row["by_hand"]]
    assert row["mean"] is None
    assert row["unknown_s"] == run["seconds"]
    assert run["together"]["inside_s"] > 0


READINGS = st.lists(
    st.tuples(st.integers(-40, 90), st.integers(15_000, 25_000)), max_size=25,
    unique_by=lambda pair: pair[0],
)  # fmt: skip


def said_of(pairs: list[tuple[int, int]]) -> Said:
    pairs = sorted(pairs)
    times = np.array([t * S for t, _ in pairs], np.int64)
    return Said(times, np.array([v / 1000 for _, v in pairs], np.float64))


def by_the_second(pairs: list[tuple[int, int]], stale_s: int, at_s: int) -> float:
    """Return what one sensor says in a second, looked up the long way."""
    before = [(t, v) for t, v in pairs if t <= at_s]
    if not before:
        return math.nan
    t, value = max(before)
    return value / 1000 if at_s < t + stale_s else math.nan


@settings(max_examples=150, deadline=None)
@given(READINGS, READINGS, READINGS, st.tuples(*[st.integers(1, 30)] * 3))
def test_against_a_count_second_by_second(
    one: list[tuple[int, int]],
    two: list[tuple[int, int]],
    three: list[tuple[int, int]],
    stale: tuple[int, int, int],
) -> None:
    parts = dict(zip("abc", (one, two, three), strict=True))
    sources = [Source(name, s * S) for name, s in zip(parts, stale, strict=True)]
    said = {(name, "air_temp_c"): said_of(pairs) for name, pairs in parts.items() if pairs}
    scene = Scene({"air_temp_c": sources}, said, 101_325.0)
    limit = {"quantity": "air_temp_c", "low": 18.0, "high": 22.0, "source": "x"}
    found = run_numbers(Span(0, "coating", 0, 0, 60 * S), [limit], scene)
    row = found["limits"][0]
    medians = []
    for second in range(60):
        values = [by_the_second(p, s, second) for p, s in zip(parts.values(), stale, strict=True)]
        known = [value for value in values if not math.isnan(value)]
        medians.append(float(np.median(known)) if known else math.nan)
    known = [value for value in medians if not math.isnan(value)]
    inside = sum(18.0 <= value <= 22.0 for value in known)
    assert row["unknown_s"] == 60 - len(known)
    assert row["inside_s"] == inside
    assert row["outside_s"] == len(known) - inside
    assert found["together"] == {k: row[k] for k in ("inside_s", "outside_s", "unknown_s")}
    if known:
        assert row["mean"] == pytest.approx(float(np.mean(known)), abs=1e-6)
        assert row["min"] == pytest.approx(min(known), abs=1e-6)
        assert row["max"] == pytest.approx(max(known), abs=1e-6)
    else:
        assert (row["min"], row["mean"], row["max"]) == (None, None, None)


@given(READINGS, st.integers(1, 59), st.integers(1, 30))
def test_a_run_cut_in_two_has_the_same_time(
    pairs: list[tuple[int, int]], cut: int, stale: int
) -> None:
    said = said_of(pairs)
    whole = held(said, stale * S, (0, 60 * S))
    parts = [held(said, stale * S, ends) for ends in ((0, cut * S), (cut * S, 60 * S))]

    def known(part: Any) -> int:
        return int(part.spans_us[~np.isnan(part.values)].sum())

    assert known(whole) == sum(known(part) for part in parts)
    assert int(whole.spans_us.sum()) == 60 * S


def test_a_run_without_length_and_one_without_a_sensor() -> None:
    limit = {"quantity": "dew_margin_k", "low": 3.0, "high": None, "source": "x"}
    empty = Scene({}, {}, 101_325.0)
    nothing = run_numbers(Span(0, "coating", 0, 5 * S, 5 * S), [limit], empty)
    assert nothing["limits"][0]["unknown_s"] == 0
    assert nothing["together"] == {"inside_s": 0.0, "outside_s": 0.0, "unknown_s": 0.0}
    blind = run_numbers(Span(0, "coating", 0, 0, 5 * S), [limit], empty)
    assert blind["limits"][0]["unknown_s"] == 5
    rate = {"quantity": "air_temp_rate_k_h", "low": -2.0, "high": 2.0, "source": "x"}
    assert run_numbers(Span(0, "coating", 0, 0, 5 * S), [rate], empty)["limits"][0]["mean"] is None


def test_the_definition_stands_in_the_record(
    record: tuple[dict[str, Any], pd.DataFrame],
) -> None:
    said = " ".join(record[0]["measured"]["definition"])
    for word in ("holds", "stale time", "median", "weighted by time", "inside_s", "unknown_s"):
        assert word in said
