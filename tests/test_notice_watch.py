"""Who watches the watch: a watch that is down, a live file gone, locked or damaged; calls outside.

Promises are this project's own; the ten seconds between two snapshots are the watch's.
"""

from __future__ import annotations

import re
import sqlite3
import time
from contextlib import closing, suppress
from typing import TYPE_CHECKING

import pytest

from envmon.errors import StoreError
from envmon.facts import NewEvent
from envmon.notice.rounds import WATCH_ALARM
from envmon.service.notice.ack_link import acknowledge, answers, read_key, ticket_of
from envmon.service.notice.senses import DOWN_S, Ping, WatchSense
from envmon.service.restored import SNAPSHOT
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.mosquitto_support import wait_until
from tests.notice_support import NIGHT_US, Stand, people_text

if TYPE_CHECKING:
    from pathlib import Path

    from tests.notice_servers import HttpReceiver

pytest_plugins = ["tests.notice_fixtures"]
OLA = (
    '[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["phone"]\nleast = "low"\n'
    'quiet = "22:00-06:30"\n\n[notice]\nlink_base = "https://air.kelp-quay.example"\n'
)


@pytest.fixture
def people() -> str:
    return OLA


def stand_still(scene: Stand) -> None:
    """Let the notice process think it has seen the same snapshot for a minute."""
    sense = WatchSense(time.monotonic() - DOWN_S)
    with suppress(StoreError):
        sense.update(scene.store.snapshot_at(SNAPSHOT), time.monotonic() - DOWN_S)
    scene.notice.watch = sense


def beat(scene: Stand) -> None:
    """Let the watch write its snapshot."""
    scene.store.save_snapshot(SNAPSHOT, scene.clock.now_us(), b"{}")
    scene.clock.advance(1)
    scene.notice.look()


def test_sense_wants_movement_not_just_a_snapshot() -> None:
    sense = WatchSense(0.0)
    sense.update(5, 1.0)
    assert not sense.is_well(2.0), "an old snapshot of a watch long gone"
    sense.update(6, 11.0)
    assert sense.is_well(12.0)
    for second in range(12, 72, 10):
        sense.update(6, float(second))
    assert not sense.is_down(70.9)
    assert sense.is_down(71.0)
    assert not sense.is_well(71.0)
    sense.update(None, 72.0, "locked")
    assert sense.is_down(72.0)
    sense.update(7, 73.0)
    assert sense.is_well(73.0)


def test_watch_that_stands_still_is_told_and_its_return_too(
    scene: Stand, phone: HttpReceiver
) -> None:
    beat(scene)
    beat(scene)
    scene.wait(300)
    assert phone.got == []
    stand_still(scene)
    scene.wait(60)
    assert phone.lines[0].startswith(
        "the watch is down or cannot write, nothing is watched, since 14:0"
    )
    assert "/ack/" in phone.got[0]["message"]
    scene.wait(120)
    beat(scene)
    beat(scene)
    scene.wait(60)
    assert len(phone.lines) == 2
    assert phone.lines[1].startswith("Over: the watch is down or cannot write")


@pytest.mark.parametrize("acked", [False, True])
def test_that_the_watch_is_down_is_acknowledged_by_the_link_of_its_message(
    scene: Stand,
    phone: HttpReceiver,
    acked: bool,  # noqa: FBT001
) -> None:
    """The watch cannot take it up; the notice process reads what is kept for it and calls no more.

    A car cures, so the message is a high one, told again after 15 min.
    """
    at_us = scene.clock.now_us()
    scene.add(NewEvent(at_us, "stage_started", "north", {"stage": "cure"}))
    beat(scene)
    scene.settle()
    stand_still(scene)
    scene.wait(60)
    (token,) = re.findall(r"/ack/(\S+)", phone.got[0]["message"])
    key = read_key(scene.folder)
    assert key is not None
    ticket = ticket_of(key, token)
    assert ticket.alarms == ((WATCH_ALARM, 0),)
    if acked:
        (before,) = acknowledge(scene.store, ticket, "Ola", scene.clock.now_us())
        assert before.standing == "open"
        (after,) = answers(scene.store, ticket)
        assert (after.standing, after.by) == ("acknowledged", "Ola")
        assert acknowledge(scene.store, ticket, "Ola", scene.clock.now_us()) == [after]
        assert len(scene.store.requests()) == 1
    scene.wait(40 * 60)
    assert len(phone.lines) == (1 if acked else 3)
    beat(scene)
    (back,) = answers(scene.store, ticket)
    assert (back.standing, back.over) == ("over", True)


def test_restart_while_the_watch_is_down_tells_nothing_twice(
    scene: Stand, phone: HttpReceiver
) -> None:
    stand_still(scene)
    scene.wait(60)
    scene.notice.close()
    scene.start()
    stand_still(scene)
    scene.wait(300)
    assert len(phone.lines) == 1


@pytest.mark.parametrize("curing", [True, False])
def test_at_night_a_watch_that_is_down_wakes_people_only_for_a_curing_car(
    scene: Stand,
    phone: HttpReceiver,
    curing: bool,  # noqa: FBT001
) -> None:
    scene.clock.at_us = NIGHT_US
    stage = "cure" if curing else "polishing"
    scene.add(NewEvent(NIGHT_US, "stage_started", "north", {"stage": stage}))
    scene.settle()
    stand_still(scene)
    scene.wait(60)
    assert [line[:24] for line in phone.lines] == (["HIGH the watch is down o"] if curing else [])


@pytest.mark.parametrize("how", ["gone", "locked", "damaged", "never there"])
def test_live_file_that_cannot_be_read_is_a_watch_that_is_down(
    tmp_path: Path, phone: HttpReceiver, how: str
) -> None:
    scene = Stand(tmp_path, people_text(OLA))
    live = tmp_path / LIVE_FILE
    scene.store.close()
    scene.notice._chain.close()
    lock = None
    if how == "locked":
        with closing(sqlite3.connect(live)) as db:
            db.execute("PRAGMA journal_mode = DELETE")
        lock = sqlite3.connect(live, isolation_level=None)
        lock.execute("BEGIN EXCLUSIVE")
    elif how == "damaged":
        live.write_bytes(b"\x07" * 8_192)
        for tail in ("-wal", "-shm"):
            live.with_name(live.name + tail).unlink(missing_ok=True)
    else:
        for file in tmp_path.glob(f"{LIVE_FILE}*"):
            file.unlink()
    if how == "never there":
        scene.notice.close()
        for file in tmp_path.glob("notice.*"):
            file.unlink()
        scene.start()
    stand_still(scene)
    scene.wait(60)
    assert [line[:17] for line in phone.lines] == ["the watch is down"]
    assert live.exists() == (how in {"locked", "damaged"}), "no live file is made"
    if lock is not None:
        lock.close()
    scene.close()


def test_live_file_that_comes_later_is_taken_up(tmp_path: Path, phone: HttpReceiver) -> None:
    scene = Stand(tmp_path, people_text(OLA))
    scene.close()
    for file in tmp_path.glob("*.sqlite3*"):
        file.unlink()
    scene.start()
    stand_still(scene)
    scene.wait(60)
    scene.store = SqliteStore(tmp_path)
    beat(scene)
    beat(scene)
    scene.raise_alarm(priority="medium")
    scene.wait(60)
    assert len(phone.lines) == 2
    assert "north-window is wrong" in phone.lines[1]
    assert phone.lines[1].endswith("(+1 more)"), "that the watch is back comes with it"
    scene.close()


def test_outside_address_is_called_while_the_watch_is_well(
    phone: HttpReceiver, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    ping = Ping(f"http://127.0.0.1:{phone.port}/s3cret", 60.0)
    ping.turn(0.0, well=False)
    ping.turn(1.0, well=True)
    wait_until(lambda: phone.tries == 1, "the call")
    ping.turn(60.9, well=True)
    ping.turn(61.0, well=False)
    phone.code = 500
    wait_until(lambda: not ping.is_calling, "the answer")
    ping.turn(61.0, well=True)
    wait_until(lambda: phone.tries == 2, "the call")
    wait_until(lambda: "does not answer" in caplog.text, "the word")
    wait_until(lambda: not ping.is_calling, "the answer")
    phone.stop()
    ping.turn(130.0, well=True)
    wait_until(lambda: not ping.is_calling, "the failure")
    phone.code = 200
    phone.start()
    ping.turn(200.0, well=True)
    wait_until(lambda: "answers again" in caplog.text, "the word")
    assert caplog.text.count("does not answer") == 1
    assert "s3cret" not in caplog.text
