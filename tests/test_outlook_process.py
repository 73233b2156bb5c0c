"""The outlook process over a real broker: says, is killed, says again; what is old is nothing."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US, ScaledClock, us_from_iso
from envmon.errors import StoreError
from envmon.facts import OUTLOOK_SAID, NewEvent
from envmon.service.outlook.facts import FACTS_FILE, read_facts
from envmon.service.outlook.live import OutlookState, outlook_topic
from envmon.service.outlook.process import Outlooks
from envmon.service.shop_run import children_of
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until
from tests.outlook_live_support import TEXT, fill, shop_of
from tests.watch_support import HandLink

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.service.supervisor import Child

pytestmark = NEEDS_MOSQUITTO
SPEED = 60.0
NORTH = outlook_topic("north")
LONG_S = 120.0


class Shop:
    """A folder with a past, a broker, and a clock that goes on from there."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder, self.path = folder, folder / "shop.toml"
        text = TEXT.replace("port = 1883", f"port = {broker.port}")
        self.path.write_text(text, encoding="utf-8")
        self.clock = ScaledClock(time.time_ns() // 1_000, NOW_US, SPEED)
        self.running: list[subprocess.Popen[bytes]] = []

    def start(self) -> subprocess.Popen[bytes]:
        argv = ["-m", "envmon.service.outlook.process", str(self.path), "--data", str(self.folder)]
        process = subprocess.Popen([sys.executable, *argv, "--clock", self.clock.as_text()])
        self.running.append(process)
        return process

    def stop(self) -> None:
        for process in self.running:
            process.kill()
            process.wait(20)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as broker:
        yield broker


@pytest.fixture
def shop(tmp_path: Path, broker: Mosquitto) -> Iterator[Shop]:
    shop = Shop(tmp_path, broker)
    yield shop
    shop.stop()


def heard(ear: Ear, topic: str = NORTH) -> OutlookState | None:
    text = ear.newest(topic)
    return None if text is None else msgspec.json.decode(text, type=OutlookState)


def test_says_what_is_foreseen_survives_kill_and_keeps_nothing_at_the_broker(
    shop: Shop, broker: Mosquitto
) -> None:
    fill(shop.folder, 8, NOW_US)
    with Ear(broker.port, "envmon/+/outlook") as ear:
        process = shop.start()
        wait_until(lambda: heard(ear), "the first outlook", LONG_S)
        first = heard(ear)
        assert first is not None
        assert first.guessing
        assert abs(us_from_iso(first.at) - NOW_US) < 1_800 * SECOND_US
        # The south bay has no reading: its outlook says so.
        wait_until(lambda: heard(ear, outlook_topic("south")), "the other bay", LONG_S)
        other = heard(ear, outlook_topic("south"))
        assert other is not None
        assert not other.known
        assert other.fans == ()
        process.send_signal(signal.SIGKILL)
        process.wait(20)
        before = len(ear.heard)
        shop.start()
        wait_until(lambda: len(ear.heard) > before, "an outlook after the kill", LONG_S)
        assert not any(retained for _, _, retained in ear.heard)
    shop.running[-1].terminate()
    assert shop.running[-1].wait(30) == 0
    # Who comes now hears nothing: nothing old is kept anywhere.
    broker.publish("envmon/end", "x")
    with Ear(broker.port, "envmon/#") as late:
        broker.publish("envmon/end", "y")
        wait_until(lambda: late.newest("envmon/end") == b"y", "the end")
        assert late.newest(NORTH) is None


def test_unreadable_facts_are_set_aside_and_it_goes_on(shop: Shop, broker: Mosquitto) -> None:
    fill(shop.folder, 4, NOW_US)
    (shop.folder / FACTS_FILE).write_bytes(b"\x00 torn")
    with Ear(broker.port, "envmon/+/outlook") as ear:
        shop.start()
        wait_until(lambda: heard(ear), "the first outlook", LONG_S)
        state = heard(ear)
        assert state is not None
        assert state.guessing
    assert (shop.folder / "outlook_facts.unreadable").read_bytes() == b"\x00 torn"


def test_what_is_learned_online_is_kept(tmp_path: Path) -> None:
    fill(tmp_path, 9, NOW_US, ("north", "south"))
    clock = ScaledClock(time.time_ns() // 1_000, NOW_US, 1.0)
    outlooks = Outlooks(shop_of(), tmp_path, clock, _Deaf())
    for _ in range(2):  # the second takes in what the first began to learn
        outlooks.hasten()
        assert outlooks.turn(0)
        outlooks.learner.wait()
    outlooks.close()
    kept = read_facts(tmp_path)
    assert kept["north"].updated_us > NOW_US - HOUR_US
    again = Outlooks(shop_of(), tmp_path, clock, _Deaf())
    assert again.thinker.facts["north"] == kept["north"]


def test_the_watch_is_asked_to_write_what_it_says_of_the_stage_being_worked(tmp_path: Path) -> None:
    fill(tmp_path, 9, NOW_US)
    clock = ScaledClock(time.time_ns() // 1_000, NOW_US, 0.001)
    outlooks = Outlooks(shop_of(), tmp_path, clock, _Deaf())
    known = msgspec.structs.replace(outlooks.thinker.facts["north"], days=20.0, guessing=False)
    outlooks.thinker.facts = {**outlooks.thinker.facts, "north": known}
    store = SqliteStore(tmp_path)
    store.add_events([NewEvent(NOW_US - MINUTE_US, "stage_started", "north", {"stage": "polish"})])
    for _ in range(2):  # what stays so is not said twice
        outlooks.hasten()
        assert outlooks.turn(0)
    outlooks.learner.wait()
    (asked,) = store.requests()
    assert (asked.kind, asked.bay, asked.data["stage"]) == (OUTLOOK_SAID, "north", "polish")
    assert isinstance(asked.data["leaves"], bool)
    # A bay in which no stage is worked whose window is to be kept is not spoken of.
    store.add_events([NewEvent(NOW_US, "stage_ended", "north", {})])
    store.drop_requests([asked.id])
    outlooks.hasten()
    assert outlooks.turn(0)
    assert store.requests() == []
    store.close()


def test_not_more_often_than_it_is_worth(tmp_path: Path) -> None:
    fill(tmp_path, 2, NOW_US)
    link = _Deaf()
    outlooks = Outlooks(shop_of(), tmp_path, ScaledClock(0, NOW_US, 1.0), link)
    assert outlooks.turn(0)
    assert not outlooks.turn(0)
    outlooks.learner.wait()


def test_without_data_it_says_what_to_do(shop: Shop) -> None:
    process = shop.start()
    assert process.wait(60) == 1


def test_one_at_a_time(shop: Shop) -> None:
    fill(shop.folder, 2, NOW_US)
    first = shop.start()
    wait_until((shop.folder / "outlook.lock").exists, "the first", 60)
    assert shop.start().wait(60) == 2
    assert first.poll() is None


def test_the_run_has_it_and_can_do_without(shop: Shop) -> None:
    children = {child.name: child for child in children_of(
        load_shop(shop.path), shop.path, shop.folder, None
    )}  # fmt: skip
    child = children["the outlook"]
    assert child.spare
    assert child.beats
    assert "envmon.service.outlook.process" in child.argv


def test_one_that_hangs_is_ended_and_the_next_is_not_blamed_for_it(shop: Shop) -> None:
    """Hung is really hung: SIGSTOP (signal(7)); the watch is not held to account for it."""
    fill(shop.folder, 2, NOW_US)
    child = next(
        one for one in children_of(load_shop(shop.path), shop.path, shop.folder, None)
        if one.name == "the outlook"
    )  # fmt: skip
    child.start()
    try:
        wait_until(lambda: beat_since(child, child.started_at), "its first turns", LONG_S)
        child.end_when_hung(LONG_S)
        assert child.exit_code() is None
        assert child.process is not None
        child.process.send_signal(signal.SIGSTOP)
        wait_until(lambda: child.silent_s() > 1, "a second without a turn", LONG_S)
        assert child.wrong(0.5) == ""
        child.end_when_hung(0.5)
        assert child.process.wait(20) == -signal.SIGKILL
        child.start()
        assert child.silent_s() > 1
        child.end_when_hung(1 + time.monotonic() - child.started_at)
        wait_until(lambda: beat_since(child, child.started_at), "turns of the next", LONG_S)
        assert child.exit_code() is None
    finally:
        child.stop()


def beat_since(child: Child, at: float) -> bool:
    """Return whether a child has shown a turn since a time [s, monotonic]."""
    return child.silent_s() < time.monotonic() - at


def test_a_missing_store_is_said_once_and_nothing_is_published(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = _Deaf()
    outlooks = Outlooks(shop_of(), tmp_path, ScaledClock(0, NOW_US, 1.0), link)

    def refused(*_: Any) -> Any:
        raise StoreError("the disk is gone")

    monkeypatch.setattr(outlooks.thinker, "look", refused)
    assert outlooks.turn(0)
    assert "the disk is gone" in caplog.text
    assert link.published == []


class _Deaf(HandLink):
    """The link's in-memory twin that takes what is not retained."""

    def __init__(self) -> None:
        super().__init__()
        self.published: list[tuple[str, dict[str, Any]]] = []

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = True) -> bool:
        assert not retain
        assert qos == 0
        self.published.append((topic, json.loads(payload)))
        return True
