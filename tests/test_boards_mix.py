"""What the mixing board is answered: the sums of ``envmon mix``, word for word, and the resin.

Worked values of the trade (common practice); what the command says is the other witness.
"""

from __future__ import annotations

import http.client
import json
import subprocess
import sys
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import pytest

from envmon.clock import DAY_US, MINUTE_US
from envmon.facts import Flag, Reading
from envmon.store.sqlite import SqliteStore
from envmon.sums.mix_report import RatioQuestion
from envmon_boards.mix_api import QUESTIONS, Resins
from envmon_boards.mix_dials import SUMS
from tests.boards_support import NOW_US, Stand

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.units import UnitSystem
    from envmon_boards.mix_dials import Dial

pytest_plugins = ["tests.boards_fixtures"]


def ask(stand: Stand, kind: str, **texts: str) -> tuple[int, Any]:
    line = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=20)
    line.request("GET", f"/api/v1/mix/{kind}?{urlencode(texts)}")
    reply = line.getresponse()
    document = json.loads(reply.read())
    line.close()
    assert reply.headers["Cache-Control"] == "no-store" or reply.status != 200
    return reply.status, document


def keep(folder: Path, bay: str, ppm_by_day: list[float], minutes_ago: int = 5) -> None:
    readings = []
    for place, ppm in enumerate(ppm_by_day):
        at_us = NOW_US - minutes_ago * MINUTE_US - (len(ppm_by_day) - 1 - place) * DAY_US
        readings.append(Reading(f"{bay}-all", "dissolved_solids_ppm", at_us, ppm, Flag.GOOD, at_us))
    store = SqliteStore(folder)
    store.add_readings(readings)
    store.close()


@pytest.mark.parametrize(
    ("kind", "texts", "arguments"),
    [
        ("ratio", {"mix": "1:10", "total": "1 l"}, ("ratio", "1:10", "--total", "1 l")),
        ("pir", {"aim": "5 %", "lance": "1:9"}, ("pir", "5 %", "--lance", "9")),
        ("pir", {"aim": "15 %", "lance": "1:9"}, ("pir", "15 %", "--lance", "9")),
        (
            "blend",
            {"hot": "60 °C", "cold": "8 °C", "want": "40 °C", "total": "20 l"},
            ("blend", "--hot", "60", "--cold", "8", "--want", "40", "--total", "20 l"),
        ),
    ],
)
def test_the_board_says_what_the_command_says(
    stand: Stand, kind: str, texts: dict[str, str], arguments: tuple[str, ...]
) -> None:
    status, document = ask(stand, kind, **texts)
    command = [sys.executable, "-m", "envmon.cli", "mix", *arguments, "--json"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert status == 200
    said, lines = document.pop("say"), document.pop("lines")
    assert document == json.loads(ran.stdout)
    assert document["possible"] == (ran.returncode == 0)
    assert said
    assert all(len(line) == 2 for line in lines)


def test_us_units_are_asked_for(stand: Stand) -> None:
    """5 fl oz in 4 US gal is 1:102.4 (common practice)."""
    status, document = ask(stand, "ratio", mix="1:102.4", water="4 gal", units="us")
    assert status == 200
    assert document["say"] == "4 gal water, then 5 fl oz concentrate"


@pytest.mark.parametrize(
    ("kind", "texts", "part"),
    [
        ("ratio", {"mix": "ten"}, "allowed is a ratio"),
        ("ratio", {"colour": "red"}, "field is 'colour'; allowed: mix"),
        ("ratio", {"mix": "1:10", "units": "ells"}, "allowed: metric, us"),
        ("stir", {"mix": "1:10"}, "allowed: ratio, pir, blend, resin"),
        ("resin", {"bay": "west"}, "allowed: north, south"),
    ],
)
def test_what_cannot_be_read_is_said(
    stand: Stand, kind: str, texts: dict[str, str], part: str
) -> None:
    status, document = ask(stand, kind, **texts)
    assert status == 422
    assert part in document["error"]


def test_the_resin_of_a_bay(stand: Stand) -> None:
    """1 to 5.5 ppm over ten days: 10 ppm in another nine (by hand)."""
    keep(stand.boards.folder, "north", [1 + 0.5 * day for day in range(10)])
    status, document = ask(stand, "resin", bay="north")
    assert status == 200
    assert document["standing"] == "good"
    assert document["limit_due"]["likely_days"] == pytest.approx(9, abs=0.01)
    assert document["say"] == "North bay: rinse water is good, 5.5 ppm"
    _, south = ask(stand, "resin", bay="south")
    assert (south["standing"], south["possible"]) == ("unknown", False)
    assert south["dissolved_solids_ppm"] is None


def test_the_trend_is_not_read_anew_for_each_look(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    resins = Resins(stand.boards)
    keep(stand.boards.folder, "north", [1.0, 2.0])
    before = resins.document("north")
    for minutes_ago in (1, 2):
        keep(stand.boards.folder, "north", [30.0], minutes_ago)
    assert resins.document("north") is before
    monkeypatch.setattr("envmon_boards.mix_api.time.monotonic", lambda: 1e12)
    assert resins.document("north")["standing"] == "change"


def test_a_store_that_cannot_be_read_is_said(stand: Stand) -> None:
    folder = stand.boards.folder
    SqliteStore(folder).close()
    (folder / "live.sqlite3").write_bytes(b"this is no database" * 100)
    status, document = ask(stand, "resin", bay="north")
    assert status == 503
    assert document["error"]


def dials() -> list[tuple[str, Dial]]:
    return [(each.kind, dial) for each in SUMS for way in each.ways for dial in way.dials]


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_value_of_every_dial_can_be_read(units: UnitSystem) -> None:
    """Each way is asked with one dial after the other through its whole ladder."""
    for each in SUMS:
        asked = QUESTIONS[each.kind]
        for way in each.ways:
            ladders = {d.field: d.ladder_us if units == "us" else d.ladder for d in way.dials}
            start = {d.field: ladders[d.field][d.start] for d in way.dials}
            assert asked.from_texts(start).answer(units).possible
            for field, ladder in ladders.items():
                for text in ladder:
                    answer = asked.from_texts({**start, field: text}).answer(units)
                    assert answer.possible or answer.why_not


def test_ladders_rise_and_their_units_go_together() -> None:
    for _, dial in dials():
        assert len(dial.ladder) == len(dial.ladder_us)
        assert 0 <= dial.start < len(dial.ladder)
        assert len(set(dial.ladder)) == len(dial.ladder)


def test_one_volume_in_both_units_is_about_the_same() -> None:
    """Switching the units must not change the amount by more than a third."""
    for _, dial in dials():
        if dial.ladder[0].endswith("ml"):
            for metric, us in zip(dial.ladder, dial.ladder_us, strict=True):
                totals = [
                    RatioQuestion("1:10", total=text).answer("metric").values["total_l"]
                    for text in (metric, us)
                ]
                assert 0.7 < totals[0] / totals[1] < 1.4


def test_nothing_asked_here_is_kept(stand: Stand) -> None:
    ask(stand, "ratio", mix="1:10", total="1 l")
    store = SqliteStore(stand.boards.folder)
    assert store.requests() == []
    assert list(store.events()) == []
    store.close()
