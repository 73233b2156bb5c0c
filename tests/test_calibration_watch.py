"""A calibration accepted beside a real watch: taken in, decoded by, the same after a restart."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.facts import CALIBRATION_ACCEPTED
from envmon.store.chain import first_break
from tests.calibration_support import record_data
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path

TOPIC = "hall/air-a"


def values(hand: HandWatch) -> list[float]:
    return [r.value for r in hand.store.readings(0, 2**62) if r.quantity == "rel_hum_pct"]


def accept(hand: HandWatch) -> None:
    data = record_data(point="air-a")
    hand.store.ask(CALIBRATION_ACCEPTED, "", data, hand.clock.now_us())
    hand.watch._requests_at = 0  # the watch asks for requests ten times a second


def test_it_counts_from_the_next_turn_on(tmp_path: Path) -> None:
    """What came in the same turn had been decoded before; nothing kept is changed."""
    hand = HandWatch(tmp_path)
    hand.turn(1, (TOPIC, senml("rh", 50, 1)))
    accept(hand)
    hand.turn(2, (TOPIC, senml("rh", 50, 2)))
    hand.turn(3, (TOPIC, senml("rh", 50, 3)))
    assert values(hand) == [50, 50, 53]
    assert hand.event_kinds().count(CALIBRATION_ACCEPTED) == 1
    assert hand.store.requests() == []
    assert first_break(hand.store.events()) is None


def test_after_a_restart_it_still_counts(tmp_path: Path) -> None:
    hand = HandWatch(tmp_path)
    hand.turn(1, (TOPIC, senml("rh", 50, 1)))
    accept(hand)
    hand.turn(2)
    hand.watch.finish()
    again = HandWatch(tmp_path, at_us=hand.clock.now_us())
    again.turn(3, (TOPIC, senml("rh", 50, 3)))
    assert values(again) == [50, 53]


def test_one_asked_for_while_no_watch_ran_is_taken_at_the_start(tmp_path: Path) -> None:
    hand = HandWatch(tmp_path)
    accept(hand)
    hand.watch.finish()
    again = HandWatch(tmp_path, at_us=hand.clock.now_us())
    again.turn(1)
    again.turn(2, (TOPIC, senml("rh", 50, 2)))
    assert values(again) == [53]


def test_a_message_brought_again_after_it_changes_nothing(tmp_path: Path) -> None:
    hand = HandWatch(tmp_path)
    message = (TOPIC, senml("rh", 50, 1))
    hand.turn(1, message)
    accept(hand)
    hand.turn(2)
    hand.turn(3, message)
    assert values(hand) == [50]


def test_bad_requests_do_not_stop_the_watch(tmp_path: Path) -> None:
    hand = HandWatch(tmp_path)
    for data in ({}, {"gain": "high"}, record_data(point="nowhere"), {"pairs": [[None]]}):
        hand.store.ask(CALIBRATION_ACCEPTED, "", data, hand.clock.now_us())
    accept(hand)
    hand.turn(1)
    assert hand.event_kinds().count(CALIBRATION_ACCEPTED) == 1
    hand.turn(2, (TOPIC, senml("rh", 50, 2)))
    assert values(hand) == [53]
