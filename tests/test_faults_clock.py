"""A clock that jumps: the guard knows nothing rather than something old, and nothing is deleted."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US, HOUR_US, SECOND_US
from envmon.facts import Flag, Reading
from envmon.service.keeping.keeper import Keeper
from envmon.service.replay.mark import SET_BACK
from envmon.store.chain import first_break
from tests.archive_support import DAY0, keep, some_days
from tests.faults_support import NOW_US, all_rows, live_rows
from tests.guard_support import SHOP, START_US, shop_from, us
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.shop.models import Shop

ALL_WELL = (
    ("hall/air-a", "temp", 20.0), ("hall/air-a", "rh", 45.0),
    ("hall/air-b", "temp", 20.2), ("hall/panel", "temp", 20.0),
)  # fmt: skip


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[HandWatch]:
    hand = HandWatch(tmp_path)
    yield hand
    hand.store.close()


def well(hand: HandWatch, true_s: float, shown_s: float) -> None:
    """Let every sensor of bay one speak at a true time, while our clock shows another."""
    messages = [(topic, senml(name, value, true_s)) for topic, name, value in ALL_WELL]
    hand.turn(shown_s, *messages)


def fitness(hand: HandWatch) -> str:
    return hand.watch.state.bays["one"].stages["polish"].fitness


def seconds(hand: HandWatch) -> list[float]:
    """Return the own times of the panel's readings [s]."""
    rows = hand.store.readings(0, 2**62, ["panel"])
    return [(r.t_us - START_US) / SECOND_US for r in rows]


def test_an_hour_forward_and_back_makes_unknown_and_loses_nothing(hand: HandWatch) -> None:
    hand.store.ask("stage_started", "one", {"stage": "polish"}, START_US)
    well(hand, 10, 10.2)
    assert fitness(hand) in {"fit", "marginal"}
    well(hand, 20, 3620.2)  # forward: what comes is an hour old by our clock
    assert fitness(hand) == "unknown"
    at = {e.kind: e.at_us for e in hand.store.events() if e.data.get("fitness") == "unknown"}
    # The first of the sensors to go stale at its exact time: air-a after 60 s, heard at 10 s.
    assert at["stage_fitness"] == us(10 + 60) + 1
    well(hand, 30, 3630.2)
    assert fitness(hand) == "unknown"
    well(hand, 40, 40.2)  # back again
    assert [e.kind for e in hand.store.events()].count(SET_BACK) == 1
    assert fitness(hand) in {"fit", "marginal"}
    assert hand.watch.state.bays["one"].stage == "polish"
    assert seconds(hand) == [10, 20, 30, 40]
    assert first_break(hand.store.events()) is None
    flags = [r.flag for r in hand.store.readings(0, 2**62, ["panel"])]
    assert flags == [Flag.GOOD] * 4


def test_an_hour_back_and_forward_loses_nothing(hand: HandWatch) -> None:
    well(hand, 4000, 4000.2)
    well(hand, 4010, 410.2)  # back: the sensors' clocks are ahead of ours now
    assert fitness(hand) == "unknown"
    assert hand.retained("envmon/one/state")["stages"]
    well(hand, 4020, 4020.2)
    assert fitness(hand) in {"fit", "marginal"}
    assert seconds(hand) == [4000, 4010, 4020]
    flags = [r.flag for r in hand.store.readings(0, 2**62, ["panel"])]
    assert flags == [Flag.GOOD, Flag.CLOCK, Flag.GOOD]
    assert first_break(hand.store.events()) is None


def test_sensors_without_times_are_kept_at_what_our_clock_showed(hand: HandWatch) -> None:
    """Nothing can tell later that they are wrong but the event that says the clock was set."""
    for number, shown_s in enumerate((10, 3620, 30)):
        hand.turn(shown_s, ("hall/panel", json.dumps([{"n": "temp", "v": number}]).encode()))
    assert [round(at) for at in seconds(hand)] == [10, 30, 3620]
    kinds = [event.kind for event in hand.store.events()]
    assert kinds.count(SET_BACK) == 1


def shop_that_keeps(days: int) -> Shop:
    return shop_from(f"{SHOP}\n[store]\nretain_days = {days}\n")


@pytest.mark.parametrize("ahead_days", [40, 3650])
def test_clock_far_ahead_archives_early_and_deletes_nothing(
    tmp_path: Path, ahead_days: int
) -> None:
    readings = some_days(5, 600)
    keep(tmp_path, readings)
    before = all_rows(tmp_path)
    keeper = Keeper(shop_that_keeps(30), tmp_path)
    keeper.turn(NOW_US)
    ahead_us = NOW_US + ahead_days * DAY_US
    # A sensor without a clock agrees with the wrong time.
    stamped = Reading("out", "outdoor_temp_c", ahead_us, 1.0, Flag.GOOD, ahead_us)
    keep(tmp_path, [stamped])
    for turn in range(60):
        turned = keeper.turn(ahead_us + turn * 60 * SECOND_US)
        assert turned.dropped == 0
    assert not live_rows(tmp_path) - {stamped}

    more = some_days(3, 600, DAY0 + 5)
    keep(tmp_path, more)
    for day in range(3):
        keeper.turn(NOW_US + (day + 3) * DAY_US)
    keeper.close()
    after = all_rows(tmp_path)
    assert after.pop(ahead_us // DAY_US) == [stamped]
    assert {day: after[day] for day in before} == before
    assert sum(map(len, after.values())) == len(readings) + len(more)


def test_readings_are_deleted_by_a_clock_that_goes_on_steadily(tmp_path: Path) -> None:
    keep(tmp_path, some_days(5, 600))
    keeper = Keeper(shop_that_keeps(30), tmp_path)
    dropped = [keeper.turn(NOW_US + n * 12 * HOUR_US).dropped for n in range(2 * 60)]
    keeper.close()
    # The trial begins on the 6th of January. The files of the 1st and the 2nd are old on the 1st
    # and 2nd of February; on the 3rd the rest becomes one month, old 30 days after the 31st.
    assert [n // 2 for n, count in enumerate(dropped) if count] == [26, 27, 26 + 30]
    assert all_rows(tmp_path) == {}


def test_a_gap_or_a_jump_makes_the_clock_prove_itself_again(tmp_path: Path) -> None:
    keep(tmp_path, some_days(5, 600))
    keeper = Keeper(shop_that_keeps(30), tmp_path)
    keeper.turn(NOW_US)
    begin_us = NOW_US + 100 * DAY_US  # a summer switched off
    for day in range(7):
        assert keeper.turn(begin_us + day * DAY_US).dropped == 0
    keeper.close()
    again = Keeper(shop_that_keeps(30), tmp_path)  # a restart is no jump
    assert again.turn(begin_us + 7 * DAY_US).dropped > 0
    again.close()
