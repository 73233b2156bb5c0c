"""The watch as a process against a real Mosquitto, with mosquitto_pub as the sensor."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

from envmon.service.heartbeat import HEARTBEAT_TOPIC
from envmon.service.watch_process import lock_folder
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.guard_support import SHOP
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


class Running:
    """A watch in a process of its own, and an ear on what it says."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder, self.broker = folder, broker
        self.shop_file = folder / "shop.toml"
        where = f'[broker]\nkind = "external"\nport = {broker.port}\n'
        self.shop_file.write_text(SHOP + where, encoding="utf-8")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        argv = [sys.executable, "-m", "envmon.service.watch_process", str(self.shop_file)]
        self.process = subprocess.Popen(argv, stderr=subprocess.DEVNULL)

    def end(self, number: signal.Signals) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        code, self.process = self.process.wait(15), None
        return code

    def store(self) -> SqliteStore:
        return SqliteStore(self.folder / "data")

    def values(self) -> list[float]:
        if not (self.folder / "data" / LIVE_FILE).exists():
            return []
        store = self.store()
        found = [r.value for r in store.readings(0, 2**62)]
        store.close()
        return found


@pytest.fixture
def running(tmp_path: Path, broker: Mosquitto) -> Iterator[Running]:
    made = Running(tmp_path, broker)
    made.start()
    yield made
    if made.process is not None:
        made.process.kill()
        made.process.wait()


def heard(ear: Ear, topic: str) -> Any:
    text = ear.newest(topic)
    return json.loads(text) if text else None


def wait_for_beat(ear: Ear, state: str) -> None:
    wait_until(
        lambda: (heard(ear, HEARTBEAT_TOPIC) or {}).get("state") == state,
        f"the watch to be {state}",
    )


def panel(value: object) -> str:
    return json.dumps([{"n": "temp", "v": value, "u": "Cel"}])


def shown_panel(ear: Ear) -> Any:
    state = heard(ear, "envmon/one/state")
    return state["conditions"]["panel_temp_c"]["value"] if state else None


def test_a_sensor_s_message_is_stored_and_shown_and_a_bad_one_is_kept(running: Running) -> None:
    with Ear(running.broker.port, "envmon/#") as ear:
        wait_for_beat(ear, "up")
        running.broker.publish("hall/panel", panel(20.5))
        running.broker.publish("hall/panel", "no senml at all")
        running.broker.publish("hall/panel", panel("warm"))
        running.broker.publish("hall/panel", panel(21.5))
        wait_until(lambda: shown_panel(ear) == 21.5, "the second value to be shown")
    assert running.values() == [20.5, 21.5]
    store = running.store()
    assert store.reject_total() == 2
    assert [r.payload for r in store.rejects()] == [panel("warm").encode(), b"no senml at all"]
    store.close()
    # Acknowledged all: a successor on the same session is sent nothing of it again.
    assert running.end(signal.SIGKILL) == -signal.SIGKILL
    running.start()
    running.broker.publish("hall/panel", panel(22.5))
    wait_until(lambda: running.values()[-1] == 22.5, "the third value to be stored")
    store = running.store()
    assert (running.values(), store.reject_total()) == ([20.5, 21.5, 22.5], 2)
    store.close()


def test_state_is_retained_for_whoever_comes_later(running: Running) -> None:
    with Ear(running.broker.port, "envmon/#") as ear:
        wait_for_beat(ear, "up")
    with Ear(running.broker.port, "envmon/one/state") as late:
        wait_until(lambda: late.heard, "the retained state")
        topic, payload, retained = late.heard[0]
    assert (topic, retained) == ("envmon/one/state", True)
    assert json.loads(payload)["stages"][0]["fitness"] == "unknown"


@pytest.mark.parametrize(
    ("number", "text"), [(signal.SIGTERM, "stopped"), (signal.SIGKILL, "gone")]
)
def test_heartbeat_says_down_after_a_goodbye_and_after_a_kill(
    running: Running, number: signal.Signals, text: str
) -> None:
    with Ear(running.broker.port, HEARTBEAT_TOPIC) as ear:
        wait_for_beat(ear, "up")
        assert running.end(number) == (0 if number == signal.SIGTERM else -number)
        wait_for_beat(ear, "down")
        assert text in heard(ear, HEARTBEAT_TOPIC)["text"]


def test_what_is_sent_while_the_watch_is_away_is_stored_when_it_is_back(running: Running) -> None:
    with Ear(running.broker.port, HEARTBEAT_TOPIC) as ear:
        wait_for_beat(ear, "up")
        running.end(signal.SIGKILL)
        for value in (1.5, 2.5, 3.5):
            running.broker.publish("hall/panel", panel(value))
        running.start()
        wait_until(lambda: running.values() == [1.5, 2.5, 3.5], "what waited to be stored")


def test_stage_alarm_and_panel_survive_a_kill(running: Running) -> None:
    store_ready = running.folder / "data" / LIVE_FILE
    wait_until(store_ready.exists, "the store")
    with Ear(running.broker.port, "envmon/#") as ear:
        wait_for_beat(ear, "up")
        store = running.store()
        store.ask("stage_started", "one", {"stage": "decontamination"}, 0)
        store.close()
        wait_until(
            lambda: (heard(ear, "envmon/one/state") or {}).get("stage") == "decontamination",
            "the stage to be shown",
        )
        running.broker.publish("hall/panel", panel(5.0))
        wait_until(lambda: shown_panel(ear) == 5.0, "the panel to be shown")
        before = heard(ear, "envmon/one/state")
        running.end(signal.SIGKILL)
        wait_for_beat(ear, "down")
        running.start()
        wait_for_beat(ear, "up")
        wait_until(
            lambda: heard(ear, "envmon/one/state")["at"] > before["at"], "the new watch's state"
        )
        after = heard(ear, "envmon/one/state")
    for key in ("stage", "stage_since", "alarms"):
        assert after[key] == before[key]
    assert after["conditions"]["panel_temp_c"] == before["conditions"]["panel_temp_c"]
    assert [s["fitness"] for s in after["stages"]] == [s["fitness"] for s in before["stages"]]


def test_broker_that_lost_everything_gets_the_state_again(running: Running) -> None:
    with Ear(running.broker.port, HEARTBEAT_TOPIC) as ear:
        wait_for_beat(ear, "up")
    running.broker.stop()
    (running.folder / "mosquitto.db").unlink()
    running.broker.start()
    with Ear(running.broker.port, "envmon/#") as ear:
        wait_for_beat(ear, "up")
        wait_until(lambda: ear.newest("envmon/two/state"), "the state of every bay")


def test_second_watch_on_the_same_folder_is_refused(tmp_path: Path, broker: Mosquitto) -> None:
    second = Running(tmp_path, broker)
    held = lock_folder(tmp_path / "data")
    argv = [sys.executable, "-m", "envmon.service.watch_process", str(second.shop_file)]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=30, check=False)
    held.close()
    assert (done.returncode, done.stdout) == (2, "")
    folder = tmp_path / "data"
    assert done.stderr == (
        f"envmon watch: another watch works in {folder}; stop it, or give another [store] folder\n"
    )


def test_lock_goes_with_a_killed_watch(running: Running) -> None:
    with Ear(running.broker.port, HEARTBEAT_TOPIC) as ear:
        wait_for_beat(ear, "up")
    running.end(signal.SIGKILL)
    lock_folder(running.folder / "data").close()


def test_shop_file_with_faults_ends_the_watch_with_2(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text("[shop]\nname = 7\n", encoding="utf-8")
    argv = [sys.executable, "-m", "envmon.service.watch_process", str(tmp_path / "shop.toml")]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 2
    assert "shop.toml:2" in done.stderr
    assert "Traceback" not in done.stderr
