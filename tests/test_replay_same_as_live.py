"""A replay gives exactly what the live run gave, whatever happened on the way.

Source: rule 4 of the design (ours). What the watch wrote into the chain, and how every stage
stood after every turn, is held against what a replay of the same time says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.service import watch as watch_module
from envmon.service.restored import SNAPSHOT
from envmon.store import past as past_module
from tests.guard_support import SHOP
from tests.replay_support import Life, fitness_at, us
from tests.watch_support import senml

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.service.replay.command import Answer

OTHER = SHOP.replace("low = 16\nhigh = 26", "low = 18\nhigh = 22")
HOUR = 3600.0


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take requests in at every turn."""
    monkeypatch.setattr(watch_module, "REQUESTS_EVERY_S", 0.0)


@pytest.fixture
def life(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Life]:
    life = Life(tmp_path, getattr(request, "param", 1))
    yield life
    life.hand.store.close()


def ensure_same(life: Life, answer: Answer, from_s: float, to_s: float) -> None:
    """Check that a replay found all the chain has of a span, and nothing else."""
    assert answer.comparison is not None
    assert answer.comparison.differences == ()
    assert answer.comparison.compared == answer.comparison.same == len(life.found(from_s, to_s))
    last = life.hand.watch._set_back
    for set_back, at_us, stood in life.stood:
        if set_back == last and us(from_s) <= at_us < us(to_s):
            for key, fitness in stood.items():
                assert fitness_at(answer, key, at_us) == fitness, (key, at_us)


@pytest.mark.parametrize("life", range(2), indirect=True)
def test_replay_of_any_span_is_what_happened(life: Life) -> None:
    """With restarts, a kill, a silent sensor, late readings, wrong sensor clocks."""
    life.say("polish")
    life.live(HOUR)
    life.restart(killed=False)
    life.live(HOUR, silent="hall/panel")
    life.restart(killed=True, after_s=900)
    life.live(HOUR)
    life.say("coating")
    life.live(HOUR)

    assert len(life.found(0, 1e6)) > 20
    for from_s, to_s in ((0.0, 1e6), (3000.0, 9000.0), (5000.0, 5100.0), (-1e4, 7000.0)):
        ensure_same(life, life.ask(from_s, to_s), from_s, to_s)


def test_replay_is_the_same_after_the_days_moved_into_the_archive(life: Life) -> None:
    life.say("polish")
    life.live(2 * HOUR)
    life.restart(killed=True)
    life.live(18 * HOUR, every_s=120)
    before = life.ask(3000.0, 1e6)
    assert life.archive() > 1000
    after = life.ask(3000.0, 1e6)

    ensure_same(life, after, 3000.0, 1e6)
    for from_s, to_s in ((57_700.0, 1e6), (60_000.0, 65_000.0)):  # starts from the day's checkpoint
        ensure_same(life, life.ask(from_s, to_s), from_s, to_s)
    assert before.own is not None
    assert after.own is not None
    assert (after.own.days, after.own.alarms) == (before.own.days, before.own.alarms)
    assert after.readings == before.readings > 1000


@pytest.mark.parametrize("life", range(2), indirect=True)
def test_a_clock_set_back_shows_times_twice_and_each_is_told_apart(life: Life) -> None:
    life.say("polish")
    life.live(2 * HOUR)
    life.set_back(HOUR)
    life.live(1800)
    life.restart(killed=True, after_s=0)
    life.live(1800)
    life.set_back(1000)
    life.live(HOUR, silent="hall/air-a")

    assert [e.kind for e in life.chain()].count("clock_set_back") == 2
    for from_s, to_s in ((0.0, 1e6), (3700.0, 9000.0), (4000.0, 5000.0), (6300.0, 7000.0)):
        ensure_same(life, life.ask(from_s, to_s), from_s, to_s)
    assert any("set back" in note for note in life.ask(0.0, 1e6).notes)
    assert not life.ask(0.0, 1000.0).notes


def test_a_restart_after_the_clock_was_set_back_goes_on_from_where_it_was(life: Life) -> None:
    life.say("polish")
    life.live(HOUR)
    life.set_back(2000)
    life.live(600)
    state = life.hand.watch.state
    life.restart(killed=True, after_s=0)

    assert life.hand.watch.state.now_us <= state.now_us
    assert life.hand.watch.state.newest == state.newest
    life.live(100)
    assert [e.kind for e in life.chain()].count("clock_set_back") == 1


def test_other_limits_on_the_way_are_named_and_not_compared(life: Life) -> None:
    life.say("polish")
    life.live(HOUR)
    life.restart(killed=False, text=OTHER)
    life.live(HOUR)
    life.restart(killed=True, text=SHOP)
    back_s = life.at_s
    life.live(HOUR)

    answer = life.ask(0.0, 1e6)
    assert answer.comparison is not None
    assert answer.comparison.differences == ()
    assert len(answer.comparison.taken) == 2
    assert answer.comparison.apart > 0
    assert answer.comparison.compared + answer.comparison.apart <= len(life.found(0, 1e6))
    assert answer.comparison.compared > 10
    ensure_same(life, life.ask(back_s, 1e6), back_s, 1e6)
    ensure_same(life, life.ask(0.0, 3600.0), 0.0, 3600.0)


def test_a_lost_snapshot_is_a_break_that_replay_takes_over(life: Life) -> None:
    life.say("polish")
    life.live(HOUR)
    life.hand.store.save_snapshot(SNAPSHOT, 0, b"{")
    life.restart(killed=True)
    back_s = life.at_s
    life.live(HOUR)

    answer = life.ask(0.0, 1e6)
    assert answer.comparison is not None
    assert answer.comparison.differences == ()
    ensure_same(life, life.ask(back_s, 1e6), back_s, 1e6)


def test_a_checkpoint_is_kept_at_the_start_and_once_a_day(life: Life) -> None:
    life.live(60 * HOUR, every_s=1800)
    kept = [
        (at_us // 86_400_000_000, why) for at_us, why, _ in life.hand.store.checkpoints(0, 2**62)
    ]
    first = us(0) // 86_400_000_000
    assert kept == [(first, "start"), (first + 1, "day"), (first + 2, "day")]


def test_the_chain_says_which_limits_were_in_force(life: Life) -> None:
    life.live(60)
    life.restart(killed=False)
    life.restart(killed=False, text=OTHER)
    life.restart(killed=True)
    taken = [e.data["plan"] for e in life.chain() if e.kind == "shop_file_taken"]
    assert len(taken) == len(set(taken)) == 2


def test_an_alarm_that_other_limits_ended_is_raised_anew_as_it_was(life: Life) -> None:
    """Between 22 and 26 °C one set of limits alarms and the other does not."""
    narrow = OTHER
    life.restart(killed=False, text=narrow)
    life.say("polish")

    def warm(seconds: int) -> None:
        for _ in range(seconds // 20):
            life.at_s += 20
            values = (("hall/air-a", "temp", 24.0), ("hall/air-a", "rh", 45.0),
                      ("hall/air-b", "temp", 24.0), ("hall/panel", "temp", 20.0))  # fmt: skip
            life.turn(*((topic, senml(name, v, life.at_s - 0.1)) for topic, name, v in values))

    warm(600)
    life.restart(killed=False, text=SHOP, after_s=10)
    warm(600)
    life.restart(killed=False, text=narrow, after_s=10)
    back_s = life.at_s
    warm(600)

    about_window = [e for e in life.found(0, 1e6) if e.data.get("what") == "window"]
    raised = [e.at_us for e in about_window if e.kind == "alarm_raised"]
    assert len(raised) == 2
    assert raised[1] > us(back_s)
    answer = life.ask(0.0, 1e6)
    assert answer.comparison is not None
    assert answer.comparison.differences == ()
    assert answer.own is not None
    replayed = [alarm for alarm in answer.own.alarms if alarm.what == "window"]
    assert [alarm.raised_us for alarm in replayed] == raised


def test_a_finding_the_live_run_never_had_is_named(life: Life) -> None:
    """The comparison can tell: one reading is taken out of the store behind the watch's back."""
    life.say("polish")
    life.live(HOUR)
    fitness = [e for e in life.found(0, 1e6) if e.kind == "stage_fitness"][3]
    life.hand.store.run(
        "DELETE FROM reading WHERE t_us + lag_us BETWEEN ? AND ?",
        (fitness.at_us - 90_000_000, fitness.at_us + 90_000_000),
    )
    comparison = life.ask(0.0, 1e6).comparison
    assert comparison is not None
    assert {difference.only for difference in comparison.differences} == {"live", "replay"}
    assert comparison.same < comparison.compared


@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_chunks_of_any_size_give_the_same(
    life: Life, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    life.say("polish")
    life.live(HOUR)
    whole = life.ask(600.0, 1e6)
    monkeypatch.setattr(past_module, "CHUNK", size)
    cut = life.ask(600.0, 1e6)

    ensure_same(life, cut, 600.0, 1e6)
    assert whole.own is not None
    assert cut.own is not None
    assert cut.own.days == whole.own.days
    assert cut.own.alarms == whole.own.alarms
