"""The node's loop: meters that survive, a full disk, a sensor that hangs, a clock not set."""

from __future__ import annotations

import json
import logging
import threading
from typing import TYPE_CHECKING, Any

import pytest

from envmon.errors import PayloadError, StoreError
from envmon.facts import Flag
from envmon.service.buttons import parse_press
from envmon.systemd import NOBODY, Watchdog
from envmon_node import sources
from envmon_node.link import Account, NodeLink
from envmon_node.load import checked
from envmon_node.node import Node, start_sources
from envmon_node.outbox import Outbox
from envmon_node.said import Measured, Pressed, Pulses, Said, Trouble
from envmon_node.sources import Ground, poll
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import wait_until
from tests.node_support import SetTimes, w1_device

if TYPE_CHECKING:
    from pathlib import Path

    from envmon_node.said import Values

METER: dict[str, Any] = {
    "kind": "pulse", "name": "heater", "line": "GPIO17", "pulse": "1 Wh", "starts_at": 100,
}  # fmt: skip
WATER: dict[str, Any] = {"kind": "w1", "name": "water", "device": "28-0316a2795caf"}
FOOT: dict[str, Any] = {"kind": "button", "name": "foot", "line": "GPIO27"}


class Alone:
    """A node without a broker: a port on which nobody listens."""

    def __init__(self, folder: Path, times: SetTimes) -> None:
        self.file = checked({"node": {"topic": "s/hall"}, "sensor": [METER, WATER, FOOT]}, "x")
        self.times = times
        self.outbox = Outbox(folder, times, 1_000)
        self.link = NodeLink(Account("127.0.0.1", free_port(), "n"), "s/hall/status", self.outbox)
        self.node = Node(self.file, self.outbox, self.link, times)

    def waiting(self) -> list[tuple[str, Any]]:
        letters = self.outbox.next_letters(0, 1_000)
        return [(letter.topic, json.loads(letter.payload)) for letter in letters]

    def shown(self) -> list[float]:
        return [said[0]["v"] for topic, said in self.waiting() if topic == "s/hall/heater"]

    def end(self) -> None:
        """End gently, as SIGTERM does."""
        stop = threading.Event()
        stop.set()
        self.node.run(stop, Watchdog(NOBODY), lambda *_: None)
        self.outbox.close()

    def kill(self) -> None:
        """End without a word."""
        self.outbox.close()


@pytest.fixture
def times() -> SetTimes:
    return SetTimes()


def test_a_meter_counts_on_over_restarts(tmp_path: Path, times: SetTimes) -> None:
    first = Alone(tmp_path, times)
    first.node.say(Pulses("heater", 5))
    first.node.turn()
    times.pass_s(1)
    first.node.say(Pulses("heater", 3))
    first.end()
    second = Alone(tmp_path, times)
    times.pass_s(10)
    second.node.say(Pulses("heater", 2))
    second.node.turn()
    assert second.shown() == [100.005, 100.008, 100.010]
    second.kill()


def test_kill_9_costs_a_meter_two_seconds_of_pulses_and_never_what_was_told(
    tmp_path: Path, times: SetTimes
) -> None:
    first = Alone(tmp_path, times)
    for _ in range(50):
        first.node.say(Pulses("heater", 1))
        first.node.turn()
        times.pass_s(0.5)
    told = first.shown()
    first.kill()
    second = Alone(tmp_path, times)
    assert 46 <= second.outbox.count("heater") <= 50
    second.node.turn()
    assert second.shown()[-1] >= max(told)
    second.kill()


def test_presses_and_measurements_go_below_the_nodes_topic(tmp_path: Path, times: SetTimes) -> None:
    alone = Alone(tmp_path, times)
    alone.node.say(Measured("water", times.up_us(), (("temp", "Cel", 31.5),)))
    alone.node.say(Pressed("foot", times.up_us(), "double"))
    alone.node.turn()
    press, *_ = alone.outbox.next_letters(0, 10)
    assert parse_press(press.payload) == ("double", 1)  # as the watch reads it
    said = dict(alone.waiting())
    assert said["s/hall/foot"] == {"button": "double", "n": 1}
    assert said["s/hall/water"][0]["bn"] == "s/hall/water/"
    assert said["s/hall/water"][0]["n"] == "temp"
    alone.kill()


def test_a_full_disk_is_said_and_what_is_held_is_kept_later(
    tmp_path: Path,
    times: SetTimes,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    alone = Alone(tmp_path, times)

    def full(*_: object) -> None:
        raise StoreError("cannot write outbox.sqlite3: disk is full")

    with monkeypatch.context() as patch, caplog.at_level(logging.INFO, "envmon.node"):
        patch.setattr(alone.outbox, "keep_measured", full)
        for number in range(3):
            alone.node.say(Measured("water", times.up_us(), (("temp", "Cel", float(number)),)))
            alone.node.say(Pulses("heater", 1))
            alone.node.turn()
            times.pass_s(1)
        assert caplog.text.count("disk is full") == 1
        assert alone.outbox.waiting == 0
    with caplog.at_level(logging.INFO, "envmon.node"):
        alone.node.turn()
    assert "disk: well again" in caplog.text
    water = [said[0] for topic, said in alone.waiting() if topic == "s/hall/water"]
    assert [record["v"] for record in water] == [0, 1, 2]
    assert [record["bt"] - water[0]["bt"] for record in water] == pytest.approx([0, 1, 2])
    assert alone.shown() == [100.003]
    alone.kill()


def test_a_sensor_that_hangs_is_said_and_holds_up_no_other(
    tmp_path: Path, times: SetTimes, caplog: pytest.LogCaptureFixture
) -> None:
    alone = Alone(tmp_path, times)
    with caplog.at_level(logging.INFO, "envmon.node"):
        times.pass_s(59)
        alone.node.turn()
        assert "hangs" not in caplog.text
        times.pass_s(2)
        alone.node.say(Pulses("heater", 1))
        alone.node.turn()
        assert caplog.text.count("water: its driver hangs") == 1
        assert "foot" not in caplog.text
        alone.node.say(Trouble("water", ""))
        alone.node.turn()
    assert "water: well again" in caplog.text
    alone.kill()


def test_an_unset_clock_is_said_until_it_is_set(
    tmp_path: Path, times: SetTimes, caplog: pytest.LogCaptureFixture
) -> None:
    times.why = "no time service has set the clock yet"
    alone = Alone(tmp_path, times)
    with caplog.at_level(logging.INFO, "envmon.node"):
        for _ in range(3):
            alone.node.turn()
        assert caplog.text.count("measurements wait for it, undated") == 1
        assert alone.shown() == []
        times.why = ""
        alone.node.turn()
    assert "clock: well again" in caplog.text
    assert alone.shown() == [100.0]
    alone.kill()


class Sensor:
    """Answers from a list; at its end it sets the event that stops its reader."""

    def __init__(self, stop: threading.Event, *answers: Values | str) -> None:
        self._stop, self._answers = stop, list(answers)

    def read(self) -> Values:
        answer = self._answers.pop(0)
        if not self._answers:
            self._stop.set()
        if isinstance(answer, str):
            raise PayloadError(answer)
        return answer


def test_a_sensor_is_read_again_after_a_failure(times: SetTimes) -> None:
    said: list[Said] = []
    stop, good = threading.Event(), (("temp", "Cel", 20.0),)
    poll("air", Sensor(stop, good, "no answer", good), 0.01, Ground(said.append, times, stop))
    assert said == [
        Measured("air", times.up, good),
        Trouble("air", ""),
        Trouble("air", "no answer"),
        Measured("air", times.up, good),
        Trouble("air", ""),
    ]


def test_each_sensor_of_the_file_gets_a_thread_of_its_own(
    tmp_path: Path, times: SetTimes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "AGAIN_S", 0.01)
    w1_device(tmp_path, WATER["device"], 31_500)
    real = sources.sensor_from
    monkeypatch.setattr("envmon_node.node.sensor_from", lambda info: real(info, tmp_path))
    file = checked({"node": {"topic": "s/hall"}, "sensor": [METER, WATER, FOOT]}, "x")
    said: list[Said] = []
    stop = threading.Event()
    start_sources(file, Ground(said.append, times, stop))
    wait_until(lambda: {one.name for one in said} == {"heater", "water", "foot"}, "all three")
    stop.set()
    assert any(isinstance(one, Measured) and one.values[0][2] == 31.5 for one in said)
    wait_until(
        lambda: not {t.name for t in threading.enumerate()} & {"heater", "water", "foot"}, "the end"
    )


def test_the_watch_takes_what_a_node_sends(tmp_path: Path, times: SetTimes) -> None:
    """The payloads go through envmon's own decoder, with a shop file's point for each sensor."""
    from envmon.intake.decode import Decoder
    from envmon.shop.load import check_text

    shop, faults = check_text(
        '[shop]\nname = "Fjord Lane"\nsite = "fjord"\ntimezone = "Europe/Oslo"\n'
        '[[bay]]\nid = "hall"\nname = "Hall"\n'
        '[[point]]\nid = "water"\nbay = "hall"\ntopic = "s/hall/water"\n'
        'reads = { water_temp_c = { name = "temp" } }\n'
        '[[point]]\nid = "heater"\nbay = "hall"\ntopic = "s/hall/heater"\n'
        'reads = { energy_kwh = { name = "energy_kwh" } }\n',
        "shop.toml",
    )
    assert shop is not None, faults
    alone = Alone(tmp_path, times)
    alone.node.say(Measured("water", times.up_us() - 2_000_000, (("temp", "Cel", 31.5),)))
    alone.node.turn()
    decoder = Decoder(shop.point, {}, ["hall"])
    readings = [
        reading
        for letter in alone.outbox.next_letters(0, 10)
        for reading in decoder.decode(letter.topic, letter.payload, times.now)
    ]
    assert {(r.point, r.quantity, r.value, r.t_us, r.flag) for r in readings} == {
        ("water", "water_temp_c", 31.5, times.now - 2_000_000, Flag(0)),
        ("heater", "energy_kwh", 100.0, times.now, Flag(0)),
    }
    alone.kill()
