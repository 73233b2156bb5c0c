"""When resin is due, from what a shop has kept; and ``envmon mix`` as scripts rely on it.

The readings are made with a trend of their own, so what must come out is known beforehand. Exit
codes and streams: the fixed interfaces of the design (ours). 10 and 20 ppm: common practice.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, ManualClock, us_from_iso
from envmon.errors import InputError, StoreError
from envmon.facts import Flag, NewEvent, Reading
from envmon.service.water.resin import ResinAnswer, ResinQuestion, resin_of_shop
from envmon.service.water.resin_say import resin_answer
from envmon.store.sqlite import SqliteStore
from tests.archive_support import archive_all

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

NOW_US = us_from_iso("2026-01-27T18:00:00-09:00")
SHOP = """
[shop]
name = "Kelp Quay Vehicle Care"
site = "kelp_quay"
timezone = "America/Anchorage"

[broker]
port = 1883

[[bay]]
id = "north"
name = "North bay"

[[bay]]
id = "south"
name = "South bay"

[[point]]
id = "tap"
bay = "north"
topic = "kelp_quay/north/tap"
reads = { dissolved_solids_ppm = { name = "s" }, water_temp_c = { name = "t" } }
"""
STRICT = """
[[product]]
id = "gloss"
name = "Gloss (invented)"
sheet = 2025-09-01
source = "Gloss sheet, edition 2 (invented)"

[[product.limit]]
stage = "rinse"
quantity = "dissolved_solids_ppm"
high = 5

[[procedure]]
id = "strict"
name = "Strict"
step = [{ stage = "rinse", product = "gloss" }]
"""


def tap(at_us: int, ppm: float, flag: Flag = Flag.GOOD) -> Reading:
    return Reading("tap", "dissolved_solids_ppm", at_us, ppm, flag, at_us)


def noon_us(days_ago: int) -> int:
    """Return noon of a day in the shop."""
    return NOW_US - 6 * HOUR_US - days_ago * DAY_US


def days_of(ppm_by_day: Iterable[float]) -> list[Reading]:
    """Return an hour of readings a day, the last today, five of them out of line."""
    values = list(ppm_by_day)
    readings = []
    for place, ppm in enumerate(values):
        for minute in range(60):
            at_us = noon_us(len(values) - 1 - place) + minute * MINUTE_US
            readings.append(tap(at_us, ppm + (80 if minute < 5 else 0)))
    return readings


def keep(folder: Path, readings: Iterable[Reading], events: Iterable[NewEvent] = ()) -> None:
    store = SqliteStore(folder / "data")
    store.add_readings(list(readings))
    store.add_events(list(events))
    store.close()


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    return file


@pytest.fixture
def ask(shop: Path) -> Callable[..., ResinAnswer]:
    def asked(bay: str = "north", changed: str = "", now_us: int = NOW_US) -> ResinAnswer:
        return resin_of_shop(shop, ResinQuestion(bay, changed), ManualClock(now_us))

    return asked


def test_a_steady_rise_is_told_to_the_day(tmp_path: Path, ask: Callable[..., ResinAnswer]) -> None:
    """1 to 5.5 ppm over ten days: 10 ppm in another nine, 20 ppm in 29 (by hand)."""
    keep(tmp_path, days_of(1 + 0.5 * day for day in range(10)))
    found = ask()
    assert [day.readings for day in found.days] == [60] * 10
    assert [day.ppm for day in found.days] == pytest.approx([1 + 0.5 * day for day in range(10)])
    assert found.standing == "good"
    gone = (NOW_US - found.days[-1].at_us) / DAY_US
    limit, change = found.due(10), found.due(20)
    assert limit.likely == pytest.approx(9 - gone, abs=1e-6)
    assert limit.earliest is not None
    assert limit.earliest < 9 - gone
    assert change.likely == pytest.approx(29 - gone, abs=1e-6)
    said = "\n".join(resin_answer(found, "200 l").text_lines())
    assert "North bay: rinse water is good, 5.5 ppm" in said
    assert "about 2026-02-05; from 2026-0" in said
    assert "10 days: all water, no rinse noted" in said


def test_only_the_final_rinse_counts_when_the_chain_knows_of_one(
    tmp_path: Path, ask: Callable[..., ResinAnswer]
) -> None:
    """The same tap gives plain water of 180 ppm while washing, for most of the day."""
    readings, events = [], []
    for day in range(10):
        start_us = noon_us(9 - day)
        readings += [tap(start_us + m * MINUTE_US, 180.0) for m in range(-90, 0)]
        readings += [tap(start_us + m * MINUTE_US, 1 + 0.5 * day) for m in range(20)]
        for at_us, stage in ((start_us - 90 * MINUTE_US, "wash"), (start_us, "rinse")):
            events.append(NewEvent(at_us, "stage_started", "north", {"stage": stage}))
        events.append(NewEvent(start_us, "stage_started", "south", {"stage": "wash"}))
        kind = ("stage_ended", "stage_started", "job_closed")[day % 3]
        data = {"stage": "drying"} if kind == "stage_started" else {}
        events.append(NewEvent(start_us + 20 * MINUTE_US, kind, "north", data))
    keep(tmp_path, readings, sorted(events, key=lambda event: event.at_us))
    found = ask()
    assert found.only_rinse
    assert [day.readings for day in found.days] == [20] * 10
    assert found.days[-1].ppm == pytest.approx(5.5)
    assert found.due(10).likely == pytest.approx(9, abs=0.5)


def test_a_rinse_that_began_before_it_is_looked_at_counts_too(
    tmp_path: Path, ask: Callable[..., ResinAnswer]
) -> None:
    began = NewEvent(NOW_US - 130 * DAY_US, "stage_started", "north", {"stage": "rinse"})
    keep(tmp_path, days_of([1.0, 2.0]), [began])
    found = ask()
    assert found.only_rinse
    assert [day.readings for day in found.days] == [60, 60]


def test_life_is_counted_from_the_change_of_resin(
    tmp_path: Path, ask: Callable[..., ResinAnswer]
) -> None:
    old, new = [8.0, 10, 12, 15, 18], [0.5 + 0.5 * day for day in range(8)]
    keep(tmp_path, days_of([*old, *new]))
    found = ask()
    assert len(found.days) == 8
    assert found.changed_us == found.days[0].at_us
    assert found.due(10).likely == pytest.approx(12 - 0.2, abs=0.3)
    assert "resin changed        2026-01-20" in "\n".join(resin_answer(found).text_lines())


def test_a_person_who_knows_when_it_was_changed_is_believed(
    tmp_path: Path, ask: Callable[..., ResinAnswer]
) -> None:
    keep(tmp_path, days_of([3.0, 3.5, 4.0, 4.5, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0]))
    assert ask().changed_us is None
    found = ask(changed="2026-01-22")
    assert found.changed_us == us_from_iso("2026-01-22T00:00:00-09:00")
    assert len(found.days) == 6
    with pytest.raises(InputError, match="time is 'lately'"):
        ask(changed="lately")


def test_a_day_gone_by_can_be_asked_for(tmp_path: Path, shop: Path) -> None:
    """As it stood on the evening of the tenth day, asked a month later; local time of the shop."""
    keep(tmp_path, days_of([1 + 0.5 * day for day in range(10)]))
    month_later = ManualClock(NOW_US + 31 * DAY_US)
    late = resin_of_shop(shop, ResinQuestion("north"), month_later)
    assert (late.standing, late.days) == ("unknown", ())
    then = resin_of_shop(shop, ResinQuestion("north", at="2026-01-27T18:00"), month_later)
    assert then == resin_of_shop(shop, ResinQuestion("north"), ManualClock(NOW_US))
    assert then.standing == "good"


def test_archived_days_count_like_live_ones(
    tmp_path: Path, ask: Callable[..., ResinAnswer]
) -> None:
    keep(tmp_path, days_of(1 + 0.5 * day for day in range(10)))
    before = ask()
    assert archive_all(tmp_path / "data", NOW_US // DAY_US) == 8 * 60
    assert list((tmp_path / "data" / "archive").rglob("*.parquet"))
    assert ask() == before


@pytest.mark.parametrize(
    ("last", "standing", "say"),
    [
        (9.9, "good", "rinse water is good"),
        (12.0, "over", "rinse water leaves spots"),
        (25.0, "change", "change the resin now"),
    ],
)
def test_how_the_water_stands_now(
    tmp_path: Path, ask: Callable[..., ResinAnswer], last: float, standing: str, say: str
) -> None:
    keep(tmp_path, days_of([last * part / 8 for part in range(1, 9)]))
    found = ask()
    answer = resin_answer(found)
    assert found.standing == standing
    assert say in answer.say
    assert answer.possible == (standing == "good")
    assert (found.due(10).latest == 0) == (last >= 10)
    assert (found.due(20).latest == 0) == (last >= 20)


def test_old_water_says_nothing_of_now(tmp_path: Path, ask: Callable[..., ResinAnswer]) -> None:
    keep(tmp_path, days_of(1 + 0.5 * day for day in range(10)))
    found = ask(now_us=NOW_US + 8 * DAY_US)
    assert found.standing == "unknown"
    answer = resin_answer(found)
    assert not answer.possible
    assert "nobody can tell" in answer.say
    assert "too old" in answer.say
    assert answer.values["dissolved_solids_ppm"] is None
    assert answer.values["limit_due"]["likely_days"] is None


def test_without_readings_nobody_can_tell(tmp_path: Path, ask: Callable[..., ResinAnswer]) -> None:
    keep(tmp_path, [tap(noon_us(0), 4.0, Flag.RANGE), tap(NOW_US + DAY_US, 4.0, Flag.CLOCK)])
    assert resin_answer(ask()).say.endswith("no readings of rinse water in the last 30 days")
    no_sensor = resin_answer(ask("south"))
    assert no_sensor.say.endswith("no sensor reads dissolved_solids_ppm in this bay")
    assert not no_sensor.possible


def test_too_few_days_give_a_standing_but_no_day(
    tmp_path: Path, ask: Callable[..., ResinAnswer]
) -> None:
    keep(tmp_path, days_of([1.0, 2.0, 3.0]))
    answer = resin_answer(ask())
    assert answer.possible
    assert "nobody can tell: 3 readings since the last change" in "\n".join(answer.text_lines())


def test_a_sheet_s_own_limit_wins(tmp_path: Path, shop: Path) -> None:
    text = SHOP.replace('name = "North bay"', 'name = "North bay"\nprocedure = "strict"') + STRICT
    shop.write_text(text, encoding="utf-8")
    keep(tmp_path, days_of(1 + 0.5 * day for day in range(10)))
    found = resin_of_shop(shop, ResinQuestion("north"), ManualClock(NOW_US))
    assert (found.limit_ppm, found.standing) == (5, "over")
    assert found.limit_source == "Gloss sheet, edition 2 (invented)"


def test_days_are_those_of_the_shop(tmp_path: Path, ask: Callable[..., ResinAnswer]) -> None:
    """23:00 and 01:00 in Anchorage are two days, though one UTC day."""
    late_us = us_from_iso("2026-01-26T23:00:00-09:00")
    keep(tmp_path, [tap(late_us, 2.0), tap(late_us + 2 * HOUR_US, 4.0)])
    assert [day.ppm for day in ask().days] == [2.0, 4.0]
    days = [day.at_us for day in ask().days]
    assert all(after - before == 2 * HOUR_US for before, after in pairwise(days))


def test_no_such_bay_and_no_data_are_said(
    tmp_path: Path, shop: Path, ask: Callable[..., ResinAnswer]
) -> None:
    with pytest.raises(StoreError, match="no data in"):
        ask()
    keep(tmp_path, [])
    with pytest.raises(InputError, match="bay is 'west'; allowed: north, south"):
        ask("west")
    assert shop.exists()


def envmon(*arguments: object) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "envmon.cli", "mix", *map(str, arguments)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)


def document(ran: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    assert ran.stderr == ""
    found = json.loads(ran.stdout)
    assert isinstance(found, dict)
    return found


def test_the_command_tells_of_the_resin(tmp_path: Path, shop: Path) -> None:
    """Here the clock is the machine's: readings end a minute ago."""
    now_us = time.time_ns() // 1000
    rising = [tap(now_us - MINUTE_US - (9 - day) * DAY_US, 1 + 0.5 * day) for day in range(10)]
    keep(tmp_path, rising)
    ran = envmon("resin", shop, "--bay", "north", "--daily", "100 l", "--json")
    assert ran.returncode == 0
    found = document(ran)
    assert found["standing"] == "good"
    assert found["dissolved_solids_ppm"] == 5.5
    assert found["limit_due"]["likely_days"] == pytest.approx(9, abs=0.01)
    assert found["limit_due"]["likely_l"] == pytest.approx(900, abs=1)
    keep(tmp_path, [tap(now_us + second, 30.0) for second in (-2, -1)])
    late = envmon("resin", shop, "--bay", "north")
    assert (late.returncode, late.stderr) == (1, "")
    assert late.stdout.startswith("North bay: change the resin now, 30 ppm")
    south = envmon("resin", shop, "--bay", "south", "--json")
    assert (south.returncode, document(south)["standing"]) == (1, "unknown")
    west = envmon("resin", shop, "--bay", "west", "--json")
    assert (west.returncode, west.stdout) == (2, "")
    assert "allowed: north, south" in west.stderr
