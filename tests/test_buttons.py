"""Buttons over MQTT: a press counts once, an old one never, and it does what the bench proposes.

Source: MQTT 3.1.1, sections 3.3.1.3 (retained) and 4.4 (a message may be delivered again); what a
press does is ours. 0.6 s for a bouncing contact or a finger is common practice with margin.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import PayloadError, StoreError
from envmon.intake.link import Message
from envmon.job import events as names
from envmon.service import watch as watch_module
from envmon.service.buttons import parse_press
from envmon.service.watch_process import link_from
from tests.guard_support import START_US, shop_from
from tests.job_support import JOB_SHOP, JobHand

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PEDAL = "hall/pedal"


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[JobHand]:
    """A watch with a job that has come to its coating."""
    made = JobHand(tmp_path)
    made.go(60)
    made.ask("open", procedure="coat", body="trike")
    made.go(700)
    made.ask("start", step=2, reason="to try the pedal")
    yield made
    made.store.close()


def press(hand: JobHand, payload: str = "press", *, wait_s: float = 1.0) -> list[str]:
    """Let the pedal say something and return what kinds of events came of it."""
    before = max((event.seq for event in hand.store.events()), default=0)
    hand.at_s += wait_s
    hand.turn(hand.at_s, (PEDAL, payload.encode()))
    return [e.kind for e in hand.store.events(before) if "button" in e.data]


def numbered(number: int, how: str = "press") -> str:
    return json.dumps({"button": how, "n": number})


def test_a_press_does_what_the_bench_proposes_and_a_long_one_takes_it_back(hand: JobHand) -> None:
    assert press(hand) == [names.APPLIED]
    assert hand.job().panels[0].in_flight
    assert press(hand, "hold") == [names.UNDONE]
    assert press(hand, "double") == []  # nothing, as the shop file says
    assert press(hand) == [names.APPLIED]
    assert press(hand) == [names.APPLIED]  # two may flash at the same time
    assert press(hand) == [names.REFUSED]  # nothing to do but wait, and it says so
    assert hand.retained("envmon/one/job")["refused"]
    hand.go(150)
    assert press(hand) == [names.LEVELLED]
    last = hand.job().panels[0].last
    assert last is not None
    assert last.by == "pedal"


def test_a_press_without_a_job_is_refused_in_words(tmp_path: Path) -> None:
    hand = JobHand(tmp_path)
    assert press(hand) == [names.REFUSED]
    assert "no job is open" in hand.retained("envmon/one/job")["refused"]
    hand.store.close()


def test_a_foot_that_rests_on_the_switch_does_not_fill_the_chain(hand: JobHand) -> None:
    hand.ask("close", reason="nothing to press for")
    refused = [kind for _ in range(100) for kind in press(hand)]
    assert refused == [names.REFUSED] * 2  # one a minute


def test_a_press_with_a_number_is_heard_once_however_often_it_comes(hand: JobHand) -> None:
    assert press(hand, numbered(7)) == [names.APPLIED]
    assert press(hand, numbered(7)) == []
    assert press(hand, numbered(7), wait_s=300) == []
    assert press(hand, numbered(8), wait_s=0.1) != []  # no time is too soon for a new number
    assert press(hand, numbered(7)) == []
    applied = [e for e in hand.store.events() if e.kind == names.APPLIED]
    assert [event.data["n"] for event in applied] == [7]


def test_a_number_is_remembered_over_a_restart(hand: JobHand) -> None:
    assert press(hand, numbered(7)) == [names.APPLIED]
    hand.store.close()  # no goodbye: killed
    again = JobHand(hand.folder)
    again.at_s = hand.at_s
    assert press(again, numbered(7)) == []
    assert press(again, numbered(8), wait_s=0.1) == [names.APPLIED]
    again.store.close()


def test_a_button_with_a_new_battery_counts_anew(hand: JobHand) -> None:
    for number in (5, 6):
        press(hand, numbered(number))
    assert press(hand, numbered(1, "hold")) == [names.UNDONE]
    assert press(hand, numbered(1, "hold")) == []
    assert press(hand, numbered(2, "hold")) == [names.UNDONE]


@pytest.mark.parametrize(("wait_s", "heard"), [(0.3, 0), (0.5, 0), (0.7, 1)])
def test_without_a_number_a_press_too_soon_is_the_same_one(
    hand: JobHand, wait_s: float, heard: int
) -> None:
    assert press(hand) == [names.APPLIED]
    assert len(press(hand, wait_s=wait_s)) == heard


def test_a_retained_press_is_refused(hand: JobHand) -> None:
    hand.link.waiting.append(Message(PEDAL, b"press", 1, 1, 1, retained=True))
    hand.go(1)
    assert not any(panel.marks for panel in hand.job().panels)
    assert "retained" in hand.store.rejects()[0].reason


def test_a_press_kept_while_the_watch_was_away_is_refused_and_said(hand: JobHand) -> None:
    hand.watch.finish()
    later = JobHand(hand.folder)
    later.at_s = hand.at_s + 3600
    later.clock.at_us = START_US + round(later.at_s * 1_000_000)
    assert press(later) == [names.REFUSED]
    assert "while the watch was away" in later.retained("envmon/one/job")["refused"]
    later.go(5, every_s=1)
    assert press(later) == [names.APPLIED]
    later.store.close()


def test_what_the_disk_did_not_take_is_tried_again_and_counts_once(
    hand: JobHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch_module, "RETRY_S", 0.0)
    before = hand.watch.desk.ledger
    with monkeypatch.context() as broken:

        def no_room(*_: object) -> None:
            raise StoreError("no room")

        broken.setattr(hand.store, "save_snapshot", no_room)
        assert press(hand) == []
        assert hand.watch.desk.ledger == before
        assert hand.link.acknowledged[-1] != b"press"
    hand.look_now()
    hand.at_s += 1
    hand.turn(hand.at_s)
    assert hand.link.acknowledged[-1] == b"press"
    assert sum(event.kind == names.APPLIED for event in hand.store.events()) == 1
    assert hand.job().panels[0].in_flight


def test_a_press_that_waited_long_for_the_disk_is_of_another_moment(
    hand: JobHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch_module, "RETRY_S", 0.0)
    with monkeypatch.context() as broken:

        def no_room(*_: object) -> None:
            raise StoreError("no room")

        broken.setattr(hand.store, "save_snapshot", no_room)
        press(hand)
        for _ in range(60):
            hand.at_s += 10
            hand.turn(hand.at_s)
    hand.at_s += 1
    hand.turn(hand.at_s)
    assert not any(panel.marks for panel in hand.job().panels)
    assert "while the watch was away" in hand.retained("envmon/one/job")["refused"]


@pytest.mark.parametrize(
    ("payload", "meant"),
    [
        (b"press", ("press", None)), (b" hold\n", ("hold", None)),
        (b'{"button": "double", "n": 0}', ("double", 0)), (b'{"button": "press"}', ("press", None)),
    ],
)  # fmt: skip
def test_payloads_of_buttons(payload: bytes, meant: tuple[str, int | None]) -> None:
    assert parse_press(payload) == meant


@given(
    st.binary(max_size=60)
    | st.sampled_from(
        [b'{"button": "press", "n": true}', b'{"button": ["press"]}', b'{"n": 1}', b"{}", b"PRESS",
         b'{"button": "press", "n": -1}', b'{"button": "press", "n": 1.5}', b"\xff", b"null"]
    )
)  # fmt: skip
def test_anything_else_is_refused_in_words(payload: bytes) -> None:
    try:
        how, number = parse_press(payload)
    except PayloadError:
        return  # any other exception would stop the watch
    assert how in {"press", "double", "hold"}
    assert number is None or number >= 0


def test_what_is_refused_says_what_is_allowed() -> None:
    with pytest.raises(PayloadError, match="allowed is press, double or hold"):
        parse_press(b"PRESS")


def test_the_watch_subscribes_to_its_buttons(tmp_path: Path) -> None:
    assert PEDAL in link_from(shop_from(JOB_SHOP), tmp_path / "shop.toml")._topics
