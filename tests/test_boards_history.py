"""The history over HTTP: lines, gaps, marks and limits; what is refused, and how."""

from __future__ import annotations

import json
import threading
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US, us_from_iso
from envmon.facts import Flag, NewEvent
from envmon.store.archive import Archive, Rules
from envmon.store.sqlite import SqliteStore
from envmon_boards import history_api
from envmon_boards.history_lines import lines_of
from tests.boards_history_support import (
    AT,
    DAY_START_US,
    SPIKE_US,
    add,
    flagged,
    get,
    history_of,
    line_of,
    told_day,
)
from tests.boards_support import NOW_US, Air, Stand, shop_text, stand_of

if TYPE_CHECKING:
    from pathlib import Path

pytest_plugins = ["tests.boards_fixtures"]

AIR = "air_temp_c"


@pytest.fixture
def told(stand: Stand) -> Stand:
    """A stand that has kept a day and a half."""
    add(stand.boards.folder, *told_day())
    return stand


def test_what_there_is(told: Stand) -> None:
    status, body, _ = get(told, "/api/v1/history/span")
    document = json.loads(body)
    assert status == 200
    assert document["first_ms"] == (DAY_START_US - DAY_US) // 1000
    assert document["now_ms"] == NOW_US // 1000
    assert document["zone"] == "America/Anchorage"
    north, south = document["bays"]
    names = {q["name"]: q["kept"] for q in north["quantities"]}
    assert names == {
        AIR: True, "panel_temp_c": True, "rel_hum_pct": True, "dew_point_c": True,
        "dew_margin_k": True, "water_temp_c": False, "dissolved_solids_ppm": False,
    }  # fmt: skip
    assert not any(q["kept"] for q in south["quantities"])


def test_nothing_kept_yet(stand: Stand) -> None:
    document = json.loads(get(stand, "/api/v1/history/span")[1])
    assert document["first_ms"] is document["last_ms"] is None
    assert line_of(history_of(stand, NOW_US - HOUR_US, NOW_US), AIR)["t_ms"] == []


def test_a_bucket_says_lowest_mean_highest_and_how_many(stand: Stand) -> None:
    start_us = NOW_US // HOUR_US * HOUR_US - 2 * HOUR_US
    said = [20.0, 22.0, 27.0]
    readings = [r for place, value in enumerate(said)
                for r in Air(value).readings("north", start_us + place * SECOND_US)]  # fmt: skip
    add(stand.boards.folder, readings)
    line = line_of(history_of(stand, start_us, start_us + HOUR_US, most=60), AIR)
    assert line["t_ms"] == [start_us // 1000]
    assert (line["low"], line["mean"], line["high"]) == ([20.0], [23.0], [27.0])
    assert (line["count"], line["flagged"]) == ([3], [0])


def test_flagged_readings_are_counted_and_not_drawn(stand: Stand) -> None:
    start_us = NOW_US - 30 * MINUTE_US
    add(stand.boards.folder, Air(20.0).readings("north", start_us))
    add(stand.boards.folder, flagged(Air(79.0).readings("north", start_us + 1), Flag.RANGE))
    add(stand.boards.folder, flagged(Air(21.0).readings("north", start_us + 2), Flag.LATE))
    line = line_of(history_of(stand, start_us - MINUTE_US, NOW_US, most=10), AIR)
    assert (line["high"], line["count"], line["flagged"]) == ([21.0], [2], [1])


@pytest.mark.parametrize("most", [10, 31, 100, 1200])
@pytest.mark.parametrize("days", [1, 30, 365])
def test_no_excursion_vanishes(told: Stand, most: int, days: int) -> None:
    """One reading of 31 °C is the highest of its bucket, however wide the bucket."""
    line = line_of(history_of(told, NOW_US - days * DAY_US, NOW_US, most=most), AIR)
    place = line["high"].index(31.0)
    assert line["t_ms"][place] <= SPIKE_US // 1000
    assert max(value for value in line["high"] if value is not None) == 31.0
    assert min(value for value in line["low"] if value is not None) == 20.4


def test_a_silence_breaks_every_line_and_nothing_else_does(told: Stand) -> None:
    """A reading each two minutes, three allowed: no break though buckets are a minute wide."""
    document = history_of(told, DAY_START_US + 6 * HOUR_US, NOW_US, most=1200)
    assert document["step_s"] == 30
    for quantity in (AIR, "rel_hum_pct", "panel_temp_c", "dew_point_c", "dew_margin_k"):
        line = line_of(document, quantity)
        places = [place for place, value in enumerate(line["mean"]) if value is None]
        assert len(places) == 1, quantity
        before, after = (line["t_ms"][places[0] + by] for by in (-1, 1))
        assert before < AT["silent"] // 1000 <= after
        for name in ("low", "high", "count", "flagged"):
            assert line[name][places[0]] is None


def test_a_bucket_in_which_nothing_came_is_a_gap(told: Stand) -> None:
    """The silent hour as one bucket among hours."""
    document = history_of(told, DAY_START_US + 6 * HOUR_US, DAY_START_US + 14 * HOUR_US, most=10)
    assert document["step_s"] == 3600
    line = line_of(document, AIR)
    assert [value is None for value in line["mean"]] == [False] * 5 + [True] + [False] * 2


def test_stages_alarms_and_unknown_are_marks(told: Stand) -> None:
    document = history_of(told, DAY_START_US, NOW_US)
    ms = {name: at_us // 1000 for name, at_us in AT.items()}
    assert document["stages"] == [
        {"from_ms": ms["coating"], "to_ms": ms["ended"], "stage": "coating", "name": "Coating"}
    ]
    assert [(a["what"], a["from_ms"], a["to_ms"]) for a in document["alarms"]] == [
        ("window", ms["alarm"] + 180_000, ms["cleared"]),
        ("unknown", ms["silent"] + 360_000, ms["heard"]),
    ]
    assert [(u["from_ms"], u["to_ms"]) for u in document["unknown"]] == [
        (ms["silent"] + 60_000, ms["heard"])
    ]


def test_what_began_before_the_span_is_there(told: Stand) -> None:
    half_past_us = AT["alarm"] + 30 * MINUTE_US
    document = history_of(told, half_past_us, half_past_us + MINUTE_US)
    assert [stage["stage"] for stage in document["stages"]] == ["coating"]
    assert [alarm["what"] for alarm in document["alarms"]] == ["window"]
    assert history_of(told, AT["ended"] + 1000, NOW_US)["stages"] == []


def test_marks_follow_while_they_happen(told: Stand) -> None:
    """The book of marks reads on where it ended; a stage that lasts has no end."""
    assert history_of(told, DAY_START_US, NOW_US)["stages"][-1]["to_ms"] is not None
    begun = NewEvent(NOW_US - HOUR_US, "stage_started", "north", {"stage": "cure"})
    back = NewEvent(NOW_US - MINUTE_US, "clock_set_back", "", {"from": "a", "to": "b"})
    add(told.boards.folder, [], [begun, back])
    document = history_of(told, DAY_START_US, NOW_US)
    assert (document["stages"][-1]["stage"], document["stages"][-1]["to_ms"]) == ("cure", None)
    at_ms = (NOW_US - MINUTE_US) // 1000
    assert document["clock_set_back"] == [{"at_ms": at_ms, "from": "a", "to": "b"}]


def test_limits_of_the_stage_in_force_only_while_it_was_worked(told: Stand) -> None:
    document = history_of(told, DAY_START_US, NOW_US, quantities=f"{AIR},dew_margin_k")
    held = {limit["quantity"]: limit for limit in document["limits"]}
    assert set(held) == {AIR, "dew_margin_k"}
    assert (held[AIR]["low"], held[AIR]["high"]) == (18.0, 24.0)
    assert (held["dew_margin_k"]["low"], held["dew_margin_k"]["high"]) == (3.0, None)
    for limit in held.values():
        assert (limit["from_ms"], limit["to_ms"]) == (AT["coating"] // 1000, AT["ended"] // 1000)
        assert limit["stage"] == "coating"
        assert not limit["goal"]


def test_only_what_was_asked_for_comes(told: Stand) -> None:
    document = history_of(told, NOW_US - HOUR_US, NOW_US, quantities="rel_hum_pct,air_temp_c")
    assert [line["quantity"] for line in document["lines"]] == [AIR, "rel_hum_pct"]


def test_dew_margin_is_what_the_panel_is_above_the_dew_point(told: Stand) -> None:
    """20.4 °C at 44 % has a dew point of 7.76 °C (Magnus form, Alduchov and Eskridge 1996)."""
    document = history_of(told, NOW_US - HOUR_US, NOW_US)
    dew, margin = (line_of(document, name) for name in ("dew_point_c", "dew_margin_k"))
    assert dew["mean"][0] == pytest.approx(7.76, abs=0.05)
    assert margin["mean"][0] == pytest.approx(18.2 - 7.76, abs=0.05)
    assert dew["point"] == margin["point"] == ""
    assert margin["us"]["offset"] == 0
    assert margin["us"]["factor"] == 1.8
    assert dew["us"]["offset"] == 32


def test_the_archive_answers_as_the_live_file_did(told: Stand) -> None:
    spans = [(NOW_US - DAY_US, NOW_US, 1200), (NOW_US - 40 * DAY_US, NOW_US, 700)]
    before = [history_of(told, from_us, to_us, most=most) for from_us, to_us, most in spans]
    store = SqliteStore(told.boards.folder)
    archive = Archive(store, told.boards.folder, told.boards.shop.shop.site)
    assert archive.archive_closed(NOW_US + 3 * DAY_US, Rules(2)) > 2000
    archive.close()
    store.close()
    after = [history_of(told, from_us, to_us, most=most) for from_us, to_us, most in spans]
    assert after == before


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"bay": "attic"}, ["bay", "'attic'", "north, south"]),
        ({"bay": None}, ["bay", "north, south"]),
        ({"from_ms": None}, ["from_ms", "whole number"]),
        ({"from_ms": "1e3"}, ["from_ms", "'1e3'"]),
        ({"from_ms": "-1"}, ["from_ms", "'-1'", "0 to"]),
        ({"to_ms": "nan"}, ["to_ms", "'nan'"]),
        ({"to_ms": "9" * 400}, ["to_ms", "whole number"]),
        ({"to_ms": "１２３"}, ["to_ms", "whole number"]),
        ({"from_ms": 5_000, "to_ms": 5_000}, ["longer span"]),
        ({"from_ms": 9_000, "to_ms": 5_000}, ["longer span"]),
        ({"from_ms": 0, "to_ms": 21 * 366 * 86_400_000}, ["20 years", "in parts"]),
        ({"most": "9"}, ["most", "'9'", "10 to 5000"]),
        ({"most": "5001"}, ["most", "10 to 5000"]),
        ({"most": "many"}, ["most", "'many'"]),
        ({"quantities": "air_temp_c,mood"}, ["'mood'", "allowed for bay north", AIR]),
        ({"quantities": ","}, ["empty", AIR]),
    ],
)
@pytest.mark.parametrize("path", ["/api/v1/history", "/api/v1/history/export"])
def test_bad_questions_are_refused_with_a_way_out(
    stand: Stand, path: str, change: dict[str, Any], words: list[str]
) -> None:
    asked = {"bay": "north", "from_ms": 0, "to_ms": 60_000, "format": "csv", **change}
    status, body, _ = get(stand, path, **{k: v for k, v in asked.items() if v is not None})
    assert status == 422
    error = json.loads(body)["error"]
    assert all(word in error for word in words), error


def test_twenty_years_can_be_asked_for(told: Stand) -> None:
    line = line_of(history_of(told, NOW_US - 20 * 365 * DAY_US, NOW_US), AIR)
    assert max(line["high"]) == 31.0


@pytest.mark.parametrize(("date", "hours"), [("2026-03-29", 23), ("2026-10-25", 25)])
def test_days_of_a_time_change_have_their_real_hours(tmp_path: Path, date: str, hours: int) -> None:
    """Oslo 2026: clocks go on at 29 March 02:00 and back at 25 October 03:00 (EU rule)."""
    text = shop_text().replace("America/Anchorage", "Europe/Oslo")
    midnight = datetime.fromisoformat(date).replace(tzinfo=ZoneInfo("Europe/Oslo"))
    start_us = us_from_iso(midnight.isoformat())
    end_us = us_from_iso((midnight + timedelta(days=1)).isoformat())
    assert end_us - start_us == hours * HOUR_US
    with stand_of(tmp_path, text).serving() as stand:
        readings = [r for t_us in range(start_us, end_us, 10 * MINUTE_US)
                    for r in Air().readings("north", t_us)]  # fmt: skip
        add(tmp_path, readings)
        by_hour = line_of(history_of(stand, start_us, end_us, most=30), AIR)
        assert by_hour["count"] == [6] * hours
        days = history_of(stand, start_us - 20 * DAY_US, end_us + 20 * DAY_US, most=41)
        assert days["step_s"] == 86_400
        day = line_of(days, AIR)
        assert (day["t_ms"], day["count"]) == ([start_us // 1000], [6 * hours])
        edges = days["edges_ms"]
        place = edges.index(start_us // 1000)
        assert edges[place + 1] == end_us // 1000
        local = [datetime.fromtimestamp(e / 1000, UTC).astimezone(ZoneInfo("Europe/Oslo"))
                 for e in edges]  # fmt: skip
        assert all((moment.hour, moment.minute) == (0, 0) for moment in local)


def test_a_slow_answer_holds_up_nobody(told: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a history is being read the states of the bays are answered."""
    began, go_on = threading.Event(), threading.Event()
    real = lines_of

    def slow(*question: Any) -> Any:
        began.set()
        assert go_on.wait(20)
        return real(*question)

    monkeypatch.setattr(history_api, "lines_of", slow)
    asker = threading.Thread(target=history_of, args=(told, NOW_US - HOUR_US, NOW_US))
    asker.start()
    try:
        assert began.wait(20)
        assert get(told, "/api/v1/bays")[0] == 200
    finally:
        go_on.set()
        asker.join(20)
    assert not asker.is_alive()


def test_a_torn_live_file_is_said(stand: Stand) -> None:
    (stand.boards.folder / "live.sqlite3").write_bytes(b"this is no database" * 100)
    for path in ("/api/v1/history/span", "/api/v1/history"):
        status, body, _ = get(stand, path, bay="north", from_ms=0, to_ms=60_000)
        assert status == 503
        assert "live.sqlite3" in json.loads(body)["error"]


def test_a_thousand_points_stay_small(told: Stand) -> None:
    """Five lines of some 1000 buckets in less than 400 kB."""
    query = {"bay": "north", "from_ms": (DAY_START_US - DAY_US) // 1000, "to_ms": NOW_US // 1000}
    body = get(told, "/api/v1/history", **query)[1]
    assert sum(len(line["t_ms"]) for line in json.loads(body)["lines"]) > 4 * 1000
    assert len(body) < 400_000
