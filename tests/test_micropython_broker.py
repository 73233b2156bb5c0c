"""The node for microcontrollers and a real Mosquitto: outages, power cuts, faults, log-in, TLS."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from envmon.field.authority_files import AUTHORITY, Wish, ensure_certificates
from envmon.intake.link import Account
from tests.micropython_support import (
    AIR,
    NEEDS_MICROPYTHON,
    SLEPT,
    STATUS,
    Board,
    Listener,
    measured,
)
from tests.mosquitto_support import Mosquitto, wait_until
from tests.test_node_broker import LockedMosquitto, real_now

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = NEEDS_MICROPYTHON

SECOND_S = 1.0
"""Every how many seconds the board measures."""


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as broker:
        yield broker


@pytest.fixture
def listener(mosquitto: Mosquitto) -> Iterator[Listener]:
    with Listener(mosquitto.port) as listener:
        yield listener


def all_of(last: int) -> list[int]:
    return list(range(1, last + 1))


def test_measurements_arrive_with_their_own_time_and_a_kill_speaks_the_last_will(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    with Board(tmp_path, mosquitto.port) as board:
        listener.wait(lambda: len(listener.heard()) >= 10, "measurements")
        assert listener.newest(STATUS) == b"online"
        assert listener.health() == {
            "lost": 0,
            "undated": 0,
            "started_by": "power came on",
            "troubles": {},
        }
        board.cut_power()
        listener.wait(lambda: listener.newest(STATUS) == b"offline", "the last will")
        heard = listener.heard()
        assert [one.number for one in heard] == all_of(len(heard))
        power_on_s = board.power_on_ns / 1e9
        assert power_on_s < heard[0].at_s
        for one, next_one in pairwise(heard):
            assert next_one.at_s - one.at_s == pytest.approx(SECOND_S, abs=0.9)
        assert "secret" not in board.said


def test_an_outage_of_the_broker_loses_nothing_and_keeps_the_order(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    with Board(tmp_path, mosquitto.port) as board:
        listener.wait(lambda: len(listener.heard()) >= 3, "measurements")
        mosquitto.stop()
        board.wait_for(25)
        mosquitto.start()
        after = board.measured
        listener.wait(lambda: max(listener.numbers()) > after, "what came since")
        assert listener.numbers() == all_of(max(listener.numbers()))
        # Several measurements share a message, after an outage.
        packs = [measured(payload) for topic, payload in listener.messages if topic == AIR]
        assert max(map(len, packs)) > 1
        assert listener.health()["lost"] == 0


def test_a_power_cut_in_an_outage_costs_what_was_not_on_the_flash_yet(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    with Board(tmp_path, mosquitto.port, speed=20, flash_every=60) as board:
        listener.wait(lambda: len(listener.heard()) >= 3, "measurements")
        mosquitto.stop()
        wait_until((board.folder / "waiting.bin").exists, "what is written to the flash")
        saved = board.measured
        board.cut_power()
        at_cut = board.measured
        mosquitto.start()
        board.start()
        listener.wait(lambda: max(listener.numbers()) > at_cut + 3, "what came since")
        missing = set(all_of(max(listener.numbers()))) - set(listener.numbers())
        # What was measured between the last writing and the cut, and what was under way.
        assert missing <= set(range(saved - 2, at_cut + 2))
        assert len(listener.numbers()) > 15
        wait_until(lambda: not (board.folder / "waiting.bin").exists(), "the flash in order again")


def test_an_unknown_clock_holds_measurements_and_dates_them_afterwards(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    board = Board(tmp_path, mosquitto.port)
    # The counter of milliseconds wraps three seconds after the start.
    board.set(first_ticks=(1 << 30) - 3_000)
    board.say("no_time")
    with board:
        board.wait_for(8)
        listener.wait(lambda: "clock" in listener.health()["troubles"], "the trouble")
        assert "measurements wait, undated" in listener.health()["troubles"]["clock"]
        assert listener.heard() == []
        board.take_away("no_time")
        listener.wait(lambda: len(listener.heard()) >= 12, "all of them")
        listener.wait(lambda: not listener.health()["troubles"], "its end")
        assert listener.numbers() == all_of(len(listener.heard()))
        times = [one.at_s for one in listener.heard()]
        assert times[0] == pytest.approx(board.power_on_ns / 1e9, abs=60)
        assert max(b - a for a, b in pairwise(times)) < 3 * SECOND_S


def test_a_power_cut_before_the_clock_was_set_is_counted(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    board = Board(tmp_path, mosquitto.port, speed=20, flash_every=60)
    board.say("no_time")
    with board:
        wait_until((board.folder / "waiting.bin").exists, "what is written to the flash")
        board.cut_power()
        board.take_away("no_time")
        board.start()
        listener.wait(lambda: listener.health().get("undated", 0) > 0, "the count")
        listener.wait(listener.heard, "what can be dated")
        assert listener.numbers()[0] > listener.health()["undated"] >= 10


def test_what_the_ring_cannot_hold_is_counted_and_the_newest_stay(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    with Board(tmp_path, mosquitto.port, keep=10, flash=False) as board:
        listener.wait(lambda: len(listener.heard()) >= 3, "measurements")
        mosquitto.stop()
        before = board.measured
        board.wait_for(20)
        mosquitto.start()
        listener.wait(lambda: max(listener.numbers()) > before + 20, "what came since")
        listener.wait(lambda: listener.health().get("lost"), "the count")
        numbers = listener.numbers()
        missing = set(all_of(numbers[-1])) - set(numbers)
        # What was under way when the broker went may have arrived all the same.
        assert len(missing) <= listener.health()["lost"] <= len(missing) + 3
        assert sorted(missing) == list(range(min(missing), max(missing) + 1))


def test_wifi_that_goes_and_comes_loses_nothing(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    with Board(tmp_path, mosquitto.port) as board:
        listener.wait(lambda: len(listener.heard()) >= 3, "measurements")
        board.say("no_wifi")
        listener.wait(lambda: listener.newest(STATUS) == b"offline", "the last will")
        board.wait_for(5)
        board.take_away("no_wifi")
        after = board.measured
        listener.wait(lambda: max(listener.numbers()) > after, "what came since")
        assert listener.numbers() == all_of(max(listener.numbers()))
        listener.wait(lambda: listener.newest(STATUS) == b"online", "it to be back")


def test_a_sensor_that_fails_sends_nothing_and_says_why(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    with Board(tmp_path, mosquitto.port) as board:
        listener.wait(lambda: len(listener.heard()) >= 2, "measurements")
        board.say("sensor", "crc")
        listener.wait(lambda: "air" in listener.health()["troubles"], "the trouble")
        assert "arrived damaged" in listener.health()["troubles"]["air"]
        before = board.measured
        board.wait_for(5)
        board.say("sensor", "missing")
        board.say("battery", "3.2")
        said = "no answer at address 0x44"
        listener.wait(lambda: said in listener.health()["troubles"].get("air", ""), "the other")
        listener.wait(lambda: "battery" in listener.health()["troubles"], "the battery")
        assert listener.health()["troubles"]["battery"] == "below 3.40 V; charge or change it"
        board.take_away("sensor")
        after = board.measured
        listener.wait(lambda: listener.numbers()[-1] > after, "measurements")
        listener.wait(lambda: "air" not in listener.health()["troubles"], "its end")
        assert not set(range(before, before + 5)) & set(listener.numbers())
        assert "air: well again" in board.said


def test_without_wifi_and_without_a_sensor_the_watchdog_is_fed_all_the_same(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    board = Board(tmp_path, mosquitto.port)
    board.say("no_wifi")
    board.say("sensor", "missing")
    with board:
        wait_until((board.folder / "fed").exists, "the watchdog")
        first = (board.folder / "fed").read_text("ascii")
        wait_until(lambda: (board.folder / "fed").read_text("ascii") != first, "again")
        assert "no Wi-Fi: no such Wi-Fi is heard" in board.said


def test_deep_sleep_keeps_what_waits_and_the_time_without_a_clock(
    tmp_path: Path, mosquitto: Mosquitto, listener: Listener
) -> None:
    board = Board(tmp_path, mosquitto.port, speed=8, every=300, deep_sleep=True, keep=120)
    board.say("no_time")
    for _ in range(2):
        with board:
            assert board.ended() == SLEPT
    board.take_away("no_time")
    # A machine that is busy may need more than one time awake to send it all.
    wakes = 2
    while len(listener.heard()) < 3:
        assert wakes < 20
        with board:
            assert board.ended() == SLEPT
        listener.take()
        wakes += 1
    listener.wait(lambda: listener.newest(STATUS) == b"asleep", "its goodbye")
    assert listener.numbers() == all_of(len(listener.heard()))
    times = [one.at_s for one in listener.heard()]
    assert times[0] == pytest.approx(board.power_on_ns / 1e9, abs=60)
    apart = [b - a for a, b in pairwise(times)]
    assert apart == pytest.approx([300.0] * len(apart), abs=30)
    assert listener.health()["started_by"] == "deep sleep"


def test_tls_and_a_password_and_what_is_said_without_them(tmp_path: Path) -> None:
    with LockedMosquitto(tmp_path) as broker:
        account = Account("listener", "secret of listener", broker.tls / AUTHORITY)
        board = Board(
            tmp_path,
            broker.port,
            broker={
                "host": "localhost",
                "ca_file": "ca.pem",
                "plain": False,
                "password": "not the word",
            },
        )
        board.say("ca.pem", (broker.tls / AUTHORITY).read_text("ascii"))
        with board:
            wait_until(lambda: "refuses us" in board.said, "the refusal")
            assert "check broker.username and broker.password" in board.said
            assert "not the word" not in board.said
        settings = board.folder / "node_settings.json"
        text = settings.read_text("utf-8")
        settings.write_text(text.replace("not the word", "secret of hall"), "utf-8")
        with Listener(broker.port, account) as listener, board:
            listener.wait(lambda: len(listener.heard()) >= 3, "measurements through TLS")
            assert listener.numbers()[-1] >= 3


def test_a_broker_whose_certificate_is_not_ours_is_not_spoken_with(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    ensure_certificates(ours, Wish("Fjord Lane", ()), real_now())
    theirs.mkdir()
    with LockedMosquitto(theirs) as broker:
        wanted = {"host": "localhost", "ca_file": "ca.pem", "plain": False}
        board = Board(tmp_path, broker.port, broker=wanted)
        board.say("ca.pem", (ours / AUTHORITY).read_text("ascii"))
        with board:
            wait_until(lambda: "broker: " in board.said, "the refusal")
            board.wait_for(3)
            assert "certificate" in board.said.lower()


def test_a_broker_by_a_name_that_its_certificate_has_not_is_not_spoken_with(
    tmp_path: Path,
) -> None:
    with LockedMosquitto(tmp_path) as broker:
        # The same address as localhost, in the old short form of inet_aton(3).
        wanted = {"host": "127.1", "ca_file": "ca.pem", "plain": False}
        board = Board(tmp_path, broker.port, broker=wanted)
        board.say("ca.pem", (broker.tls / AUTHORITY).read_text("ascii"))
        with board:
            wait_until(lambda: "broker: " in board.said, "the refusal")
            assert "certificate" in board.said.lower()


def test_a_ring_too_large_for_the_board_is_a_fault_of_the_settings(tmp_path: Path) -> None:
    with Board(tmp_path, 1, keep=5_000) as board:
        assert board.ended() == 0
    assert "keep: is 5000; so much leaves this board too little memory" in board.said


def test_bad_settings_are_named_on_the_console_and_nothing_begins(tmp_path: Path) -> None:
    board = Board(tmp_path, 1)
    board.write_settings(topic="Shop/Hall", every=0, wifi="secret", brokers={})
    with board:
        assert board.ended() == 0
    assert "topic: is 'Shop/Hall'; allowed is levels of a-z" in board.said
    assert "wifi: is (not shown); allowed is { ... }" in board.said
    assert "secret" not in board.said
    assert not (board.folder / "count").exists()
