"""A node and a real Mosquitto: outage, restart of either, kill -9, order, log-in and TLS."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import time
from typing import TYPE_CHECKING

import pytest

from envmon.field.authority import now_from_us
from envmon.field.authority_files import AUTHORITY, CERTIFICATE, KEY, Wish, ensure_certificates
from envmon.intake.link import Account as ListenerAccount
from envmon_node.link import HOLD_S, Account, NodeLink
from envmon_node.outbox import Outbox
from tests.mosquitto_support import MOSQUITTO, NEEDS_MOSQUITTO, Mosquitto, wait_until
from tests.node_process import SENSOR, TOPIC, CountingDevice, Listener, NodeProcess
from tests.node_support import SetTimes

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO

STATUS = f"{TOPIC}/status"


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as broker:
        yield broker


@pytest.fixture
def device() -> Iterator[CountingDevice]:
    with CountingDevice() as device:
        yield device


def ensure_in_order(listener: Listener) -> list[int]:
    """Pass what was heard without a number's time ever changing; return the numbers once each."""
    numbers: dict[int, float] = {}
    for heard in listener.heard():
        assert numbers.setdefault(heard.number, heard.at_s) == heard.at_s
    times = list(numbers.values())
    assert list(numbers) == sorted(numbers)
    assert times == sorted(times)
    return list(numbers)


def test_an_outage_of_the_broker_loses_nothing_and_keeps_the_order(
    tmp_path: Path, mosquitto: Mosquitto, device: CountingDevice
) -> None:
    listener = Listener(mosquitto.port)
    with NodeProcess(tmp_path, mosquitto.port, device) as node:
        listener.wait(lambda: len(listener.heard()) >= 5, "readings")
        assert listener.newest(STATUS) == b"online"
        mosquitto.stop()
        device.wait_for(30)
        mosquitto.start()
        after = device.answered
        listener.wait(lambda: max(h.number for h in listener.heard()) > after, "what came since")
        assert ensure_in_order(listener) == list(range(1, max(ensure_in_order(listener)) + 1))
        assert node.end() == 0
        listener.wait(lambda: listener.newest(STATUS) == b"offline", "its goodbye")
        assert "measurements wait" in node.said
    listener.close()


def test_kill_9_in_an_outage_and_a_start_in_it(
    tmp_path: Path, mosquitto: Mosquitto, device: CountingDevice
) -> None:
    listener = Listener(mosquitto.port)
    with NodeProcess(tmp_path, mosquitto.port, device) as node:
        listener.wait(lambda: len(listener.heard()) >= 5, "readings")
        node.end(signal.SIGKILL)
        listener.wait(lambda: listener.newest(STATUS) == b"offline", "the last will")
        mosquitto.stop()
        kills = 1
        for _ in range(2):
            node.start()
            device.wait_for(15)
            node.end(signal.SIGKILL)
            kills += 1
        mosquitto.start()
        node.start()
        last = device.answered
        listener.wait(lambda: max(h.number for h in listener.heard()) > last, "the newest")
        numbers = ensure_in_order(listener)
        # What the device had said and the node had not taken yet when it was killed: one or two.
        missing = set(range(1, numbers[-1] + 1)) - set(numbers)
        assert len(missing) <= 2 * kills
        assert node.end() == 0
        box = Outbox(tmp_path / "node-data", SetTimes(), 100)
        # Only what was acknowledged within the last seconds waits still.
        waiting = {letter.payload for letter in box.next_letters(0, 100)}
        listener.wait(lambda: waiting <= {said for _, said in listener.messages}, "what waits")
        box.close()
    listener.close()


def test_a_second_node_does_not_use_the_same_folder(
    tmp_path: Path, mosquitto: Mosquitto, device: CountingDevice
) -> None:
    with NodeProcess(tmp_path, mosquitto.port, device) as node:
        wait_until((tmp_path / "node-data/lock").exists, "the lock")
        wait_until(lambda: "connected" in node.said, "the first one")
        first, node.process = node.process, None
        node.start()
        assert node.process is not None
        assert node.process.wait(30) == 2
        assert "is used by another node" in node.said
        node.process = first


def test_health_is_told_when_a_sensor_fails(tmp_path: Path, mosquitto: Mosquitto) -> None:
    listener = Listener(mosquitto.port)
    with CountingDevice() as device, NodeProcess(tmp_path, mosquitto.port, device) as node:
        text = node.file.read_text(encoding="utf-8")
        node.end()
        more = '[[sensor]]\nkind = "w1"\nname = "water"\ndevice = "28-0316a2795caf"\n'
        node.file.write_text(text + more, encoding="utf-8")
        node.start()
        listener.wait(
            lambda: b"no device 28-0316a2795caf" in (listener.newest(f"{TOPIC}/node") or b""),
            "the trouble",
        )
        said = json.loads(listener.newest(f"{TOPIC}/node") or b"")
        assert (said["lost"], list(said["troubles"])) == (0, ["water"])
        listener.wait(listener.heard, "the other sensor")
        assert not [topic for topic, _ in listener.messages if topic == f"{TOPIC}/water"]
    listener.close()


def test_systemd_hears_ready_alive_and_stopping(
    tmp_path: Path, mosquitto: Mosquitto, device: CountingDevice
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.settimeout(60)
        node = NodeProcess(tmp_path, mosquitto.port, device)
        node.start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="400000")
        said = [systemd.recv(1_000) for _ in range(3)]
        assert said[0] == b"READY=1\nSTATUS=1 sensors"
        assert all(message.startswith(b"WATCHDOG=1") for message in said[1:])
        assert node.end() == 0
        while not said[-1].startswith(b"STOPPING=1"):
            said.append(systemd.recv(1_000))


def test_a_press_that_comes_too_late_is_not_sent(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """An act of ten minutes ago, done now, would be worse than none."""
    listener, times = Listener(mosquitto.port), SetTimes()
    outbox = Outbox(tmp_path / "box", times, 100)
    link = NodeLink(Account("127.0.0.1", mosquitto.port, "node"), STATUS, outbox, hold_s=0.0)
    wait_until(lambda: link.up, "the connection", meanwhile=lambda: link.turn(0.02))
    outbox.keep_press("foot", f"{TOPIC}/foot", times.up_us(), "press")

    def both() -> None:
        link.turn(0.02)
        listener.take()

    foot = f"{TOPIC}/foot"
    wait_until(lambda: listener.newest(foot) == b'{"button": "press", "n": 1}', "it", 60, both)
    mosquitto.stop()
    wait_until(lambda: not link.up, "the outage", meanwhile=lambda: link.turn(0.02))
    outbox.keep_press("foot", foot, times.up_us(), "press")
    outbox.keep_measured(SENSOR, times.up_us(), (("solids", "ppm", 1.0),))
    times.pass_s(60)
    outbox.tidy()
    mosquitto.start()
    wait_until(lambda: listener.newest(SENSOR) and not outbox.waiting, "the measurement", 60, both)
    # The first may be delivered twice over the outage, which its number tells.
    pressed = {payload for topic, payload in listener.messages if topic == foot}
    assert pressed == {b'{"button": "press", "n": 1}'}
    assert outbox.gone.stale_presses == 1
    link.close()
    outbox.close()
    listener.close()


def test_what_was_just_acknowledged_is_sent_once_more_when_the_broker_falls(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """It may not have written it down yet; a line that breaks for ever sends nothing for ever."""
    listener, times, now = Listener(mosquitto.port), SetTimes(), [0.0]
    outbox = Outbox(tmp_path / "box", times, 100)
    account = Account("127.0.0.1", mosquitto.port, "node")
    link = NodeLink(account, STATUS, outbox, lambda: now[0])

    def moment() -> None:
        now[0] += 0.02
        link.turn(0.02)
        listener.take()

    outbox.keep_measured(SENSOR, times.up_us(), (("solids", "ppm", 1.0),))
    wait_until(lambda: len(listener.heard()) == 1, "it", meanwhile=moment)
    for _ in range(50):
        moment()
    assert outbox.waiting == 1
    mosquitto.stop()
    wait_until(lambda: not link.up, "the outage", meanwhile=moment)
    mosquitto.start()
    wait_until(lambda: len(listener.heard()) == 2, "it once more", meanwhile=moment)
    heard_s = now[0]
    wait_until(lambda: not outbox.waiting, "its end", meanwhile=moment)
    assert now[0] - heard_s < HOLD_S / 2

    outbox.keep_measured(SENSOR, times.up_us(), (("solids", "ppm", 2.0),))
    wait_until(lambda: len(listener.heard()) == 3, "the next", meanwhile=moment)
    now[0] += HOLD_S
    wait_until(lambda: not outbox.waiting, "its end in time", meanwhile=moment)
    assert [heard.number for heard in listener.heard()] == [1, 1, 2]
    link.close()
    outbox.close()
    listener.close()


def test_presses_overtake_a_long_backlog(tmp_path: Path, mosquitto: Mosquitto) -> None:
    listener, times = Listener(mosquitto.port), SetTimes()
    outbox = Outbox(tmp_path / "box", times, 10_000)
    with outbox.atomic():
        for number in range(500):
            times.pass_s(1)
            outbox.keep_measured(SENSOR, times.up_us(), (("solids", "ppm", float(number)),))
    outbox.keep_press("foot", f"{TOPIC}/foot", times.up_us(), "press")
    link = NodeLink(Account("127.0.0.1", mosquitto.port, "node"), STATUS, outbox, hold_s=0.0)
    wait_until(lambda: not outbox.waiting, "all of it", meanwhile=lambda: link.turn(0.02))
    listener.wait(lambda: len(listener.messages) >= 502, "all of it")
    topics = [topic for topic, _ in listener.messages if topic != STATUS]
    assert topics.index(f"{TOPIC}/foot") == 0
    assert [heard.number for heard in listener.heard()] == list(range(500))
    link.close()
    outbox.close()
    listener.close()


def real_now() -> datetime:
    """The time that TLS itself goes by."""
    return now_from_us(time.time_ns() // 1_000)


class LockedMosquitto(Mosquitto):
    """A broker behind TLS and a password, with certificates as envmon makes them."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.tls = folder / "tls"
        ensure_certificates(self.tls, Wish("Fjord Lane", ()), real_now())
        passwords = folder / "passwords"
        passwords.touch(mode=0o600)
        for name in ("hall", "listener"):
            subprocess.run(
                ["mosquitto_passwd", "-b", str(passwords), name, f"secret of {name}"],
                check=True,
                timeout=30,
            )
        text = self._config.read_text(encoding="utf-8").replace("anonymous true", "anonymous false")
        self._config.write_text(
            f"{text}password_file {passwords}\ncafile {self.tls / AUTHORITY}\n"
            f"certfile {self.tls / CERTIFICATE}\nkeyfile {self.tls / KEY}\n",
            encoding="utf-8",
        )


def test_tls_and_a_password_and_what_is_said_without_them(
    tmp_path: Path, device: CountingDevice
) -> None:
    assert MOSQUITTO is not None
    with LockedMosquitto(tmp_path) as broker:
        account = ListenerAccount("listener", "secret of listener", broker.tls / AUTHORITY)
        listener = Listener(broker.port, account)
        secret = tmp_path / "hall.password"
        secret.write_text("wrong\n")
        broker_lines = (
            'host = "localhost"\nusername = "hall"\npassword_file = "hall.password"\n'
            f'ca_file = "tls/{AUTHORITY}"'
        )
        with NodeProcess(tmp_path, broker.port, device, broker_lines) as node:
            wait_until(lambda: "refuses us" in node.said, "the refusal")
            assert "check user name and password" in node.said
            assert "wrong" not in node.said
            node.end()
            secret.write_text("secret of hall\n")
            node.start()
            listener.wait(lambda: len(listener.heard()) >= 3, "readings through TLS")
            assert ensure_in_order(listener)[0] == 1
            assert node.end() == 0
        listener.close()


# paho leaves the socket of a handshake that failed to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_whose_certificate_is_not_ours_is_not_spoken_with(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    ensure_certificates(ours, Wish("Fjord Lane", ()), real_now())
    theirs.mkdir()
    with LockedMosquitto(theirs) as broker:
        outbox = Outbox(tmp_path / "box", SetTimes(), 100)
        account = Account(
            "localhost", broker.port, "node", "hall", "secret of hall", ours / AUTHORITY
        )
        link = NodeLink(account, STATUS, outbox)
        wait_until(lambda: link._tries > 0, "a try", meanwhile=lambda: link.turn(0.02))
        assert not link.up
        assert "certificate verify failed" in link._said
        outbox.close()


def test_a_certificate_that_cannot_be_read_is_said_at_once(tmp_path: Path) -> None:
    from envmon.errors import BrokerError

    outbox = Outbox(tmp_path, SetTimes(), 100)
    for ca_file in (tmp_path / "none.pem", tmp_path / "outbox.sqlite3"):
        with pytest.raises(BrokerError, match=r"broker\.ca_file is .*give a readable"):
            NodeLink(Account("127.0.0.1", 1, "n", ca_file=ca_file), STATUS, outbox)
    outbox.close()
