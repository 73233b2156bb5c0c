"""Clocks that jump, sensors that are kept alive by the broker, versions that change."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.clock import HOUR_US
from envmon.facts import Flag, Reading
from envmon.guard.describe import describe
from envmon.guard.engine import fresh_state
from envmon.intake.link import Message
from envmon.service.replay.mark import SavedGuard
from envmon.service.restored import SNAPSHOT, plan_fingerprint
from envmon.store.sqlite import SqliteStore
from tests.guard_support import START_US, plan_from
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def hand(tmp_path: Path) -> HandWatch:
    return HandWatch(tmp_path)


def fitness(hand: HandWatch, stage: str = "polish") -> str:
    return hand.watch.state.bays["one"].stages[stage].fitness


def well(hand: HandWatch, at_s: float) -> None:
    """Let every sensor of bay one say something good, with its own true time."""
    for topic, name, value in (
        ("hall/air-a", "temp", 20.0), ("hall/air-a", "rh", 45.0),
        ("hall/air-b", "temp", 20.2), ("hall/panel", "temp", 20.0),
    ):  # fmt: skip
        hand.link.put(topic, senml(name, value, at_s))
    hand.turn(at_s + 0.1)


def test_a_clock_set_back_leaves_nothing_that_looks_fresh(hand: HandWatch) -> None:
    hand.store.ask("stage_started", "one", {"stage": "polish"}, START_US)
    well(hand, 4000.0)
    assert fitness(hand) in {"fit", "marginal"}

    hand.turn(400.0)  # an hour back, and the sensors fall silent

    assert fitness(hand) == "unknown"
    assert hand.watch.state.now_us < START_US + 401_000_000
    assert hand.watch.state.bays["one"].stage == "polish"
    assert "clock_set_back" in [event.kind for event in hand.store.events()]
    well(hand, 401.0)
    assert fitness(hand) in {"fit", "marginal"}
    hand.turn(401.0 + 200)
    assert fitness(hand) == "unknown"


def test_a_clock_steered_back_a_little_changes_nothing(hand: HandWatch) -> None:
    well(hand, 10.0)
    before = fitness(hand)
    hand.turn(8.0)
    assert fitness(hand) == before
    assert hand.event_kinds() == []


def test_a_restart_with_the_clock_behind_the_snapshot_knows_nothing(hand: HandWatch) -> None:
    well(hand, 4000.0)
    hand.watch.finish()
    again = HandWatch(hand.folder)
    again.turn(400.0)
    assert fitness(again) == "unknown"


def test_a_retained_number_without_time_is_refused_and_with_time_is_taken(hand: HandWatch) -> None:
    hand.clock.at_us = START_US + 1_000_000
    untimed = Message("hall/air-a", senml("temp", 20.0), 1, 1, 1, retained=True)
    timed = Message("hall/air-a", senml("temp", 21.0, 0.5), 2, 1, 1, retained=True)
    hand.link.waiting += [untimed, timed]
    hand.watch.turn(0)

    assert [r.value for r in hand.store.readings(0, 2**62)] == [21.0]
    assert "retained" in hand.store.rejects()[0].reason
    assert len(hand.link.acknowledged) == 2


def test_a_fault_in_the_decoder_costs_one_message_not_the_stream(
    hand: HandWatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = hand.watch._decoder.decode

    def decode(topic: str, payload: bytes, *times_us: int) -> list[Reading]:
        if b"21.0" in payload:
            raise ZeroDivisionError
        return real(topic, payload, *times_us)

    monkeypatch.setattr(hand.watch._decoder, "decode", decode)
    hand.turn(1, *(("hall/air-a", senml("temp", v, 0.1 * i)) for i, v in enumerate((20, 21.0, 22))))

    assert [r.value for r in hand.store.readings(0, 2**62)] == [20, 22]
    assert hand.store.rejects()[0].reason.startswith("internal error")
    assert len(hand.link.acknowledged) == 3


def test_a_true_reading_replaces_one_of_a_wrong_clock_at_the_same_time(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    at_us = START_US + HOUR_US
    ahead = Reading("p", "air_temp_c", at_us, 9.0, Flag.CLOCK, START_US)
    true = Reading("p", "air_temp_c", at_us, 20.0, Flag.GOOD, at_us)
    later = Reading("p", "air_temp_c", at_us, 30.0, Flag.GOOD, at_us)

    assert [store.add_readings([r]) for r in (ahead, true, later, ahead)] == [1, 1, 0, 0]
    assert list(store.readings(0, 2**62)) == [true]


def test_another_version_with_other_stages_starts_and_judges_anew(tmp_path: Path) -> None:
    """A snapshot made where a built-in stage did not exist yet."""
    plan = plan_from()
    state = fresh_state(plan, START_US)
    for bay_id in plan.bays:
        del state.bays[bay_id].stages["hand_over"]
    store = SqliteStore(tmp_path)
    saved = SavedGuard("of another version", state)
    store.save_snapshot(SNAPSHOT, START_US, msgspec.json.encode(saved))
    store.close()

    hand = HandWatch(tmp_path)
    hand.turn(1)

    assert "hand_over" in hand.watch.state.bays["one"].stages
    assert hand.retained("envmon/one/state")["bay"] == "one"


def test_the_fingerprint_covers_the_built_in_stages() -> None:
    plan = plan_from()
    bay = plan.bays["one"]
    fewer = replace(plan, bays={**plan.bays, "one": replace(bay, stages=bay.stages[:-1])})
    assert plan_fingerprint(fewer) != plan_fingerprint(plan)


def test_a_silent_second_sensor_is_named(hand: HandWatch) -> None:
    well(hand, 1.0)
    hand.turn(200, ("hall/air-a", senml("temp", 20.0, 199.5)))

    notes = describe(hand.watch.plan, hand.watch.state, "one").notes
    assert [n for n in notes if "air-b" in n and "nothing to trust" in n]


def test_the_heartbeat_says_how_many_payloads_were_refused(hand: HandWatch) -> None:
    hand.turn(1, ("hall/air-a", b"{"))
    hand.watch._heart.beat(now=True)
    beat = hand.retained("envmon/watch/heartbeat")
    assert beat["rejected"] == 1
    assert beat["last_reject"]


def test_a_sensor_clock_ahead_does_not_lengthen_its_life(hand: HandWatch) -> None:
    """110 s ahead is tolerated as a time, not as freshness; this point is stale after 60 s."""
    hand.turn(1, ("hall/air-a", senml("temp", 20.0, 111.0)))

    def quality() -> str:
        return describe(hand.watch.plan, hand.watch.state, "one").conditions["air_temp_c"].quality

    assert quality() == "good"
    hand.turn(1 + 61)
    assert quality() == "stale"
