"""The embedded broker's promises, and those of Mosquitto with the shipped configuration.

Source of what is expected: MQTT 3.1.1 (OASIS Standard, 29 October 2014), sections named at each
check; the kernel's /proc/net/tcp for the listening address. paho and mosquitto_pub are the clients.
"""

from __future__ import annotations

import contextlib
import shutil
import signal
import socket
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.errors import BrokerError, ServiceError
from envmon.service.broker import BrokerLimits, broker_toml, ensure_loopback, wait_until_listening
from tests.benchmarks.broker_choice import ROOT, mosquitto_conf
from tests.benchmarks.broker_trials import (
    client,
    free_port,
    is_loopback_only,
    listening_addresses,
    publish,
)
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.broker

HOST = "127.0.0.1"
EMBEDDED = [sys.executable, "-m", "envmon.service.embedded_broker"]
NEEDS_MOSQUITTO = pytest.mark.skipif(
    shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") is None
    or shutil.which("mosquitto_pub") is None,
    reason="Debian's mosquitto and mosquitto-clients are not installed",
)


@contextlib.contextmanager
def running(argv: list[str], *ports: int) -> Iterator[subprocess.Popen[str]]:
    """Run a broker until the block ends; kill -9 if it still runs then."""
    with subprocess.Popen(argv, cwd=ROOT, stderr=subprocess.DEVNULL, text=True) as process:
        try:
            for port in ports:
                wait_until_listening(HOST, port, 15)
            yield process
        finally:
            process.kill()


@pytest.fixture
def port() -> Iterator[int]:
    """An embedded broker on a free port."""
    number = free_port()
    with running([*EMBEDDED, "--port", str(number)], number):
        yield number


def start_that_fails(*flags: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*EMBEDDED, *flags], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
    )


@NEEDS_MOSQUITTO
def test_unacknowledged_messages_come_again_after_kill_9_of_the_client(port: int) -> None:
    # Section 4.4: unacknowledged QoS 1 messages are sent again when CleanSession is 0.
    with client(port, "bay/1", "watch", "311", "hold", "keep") as killed:
        assert killed.take(2) == ["session 0", "subscribed"]
        assert publish(port, "bay/1", ["18.5", "18.6"])
        assert killed.take(2) == ["got 18.5 0", "got 18.6 0"]
    with client(port, "bay/1", "watch", "311", "ack", "keep") as successor:
        lines = successor.take(4)
        assert lines[0] == "session 1"
        assert [line for line in lines if line.startswith("got")] == ["got 18.5 0", "got 18.6 0"]


@NEEDS_MOSQUITTO
def test_messages_wait_for_a_persistent_session_that_is_away(port: int) -> None:
    # Section 3.1.2.4: the server stores QoS 1 messages for a disconnected persistent session.
    with client(port, "bay/1", "watch", "311", "ack", "keep") as away:
        assert away.ready()
    payloads = [str(number) for number in range(20)]
    assert publish(port, "bay/1", payloads)
    with client(port, "bay/1", "watch", "311", "ack", "keep") as back:
        lines = back.take(22)
    assert [line.split()[1] for line in lines if line.startswith("got")] == payloads


@NEEDS_MOSQUITTO
def test_acknowledged_messages_do_not_come_again(port: int) -> None:
    with client(port, "bay/1", "watch", "311", "ack", "keep") as first:
        assert first.ready()
        assert publish(port, "bay/1", ["1"])
        assert first.take(1) == ["got 1 0"]
        # The second message was sent after the first was acknowledged by the same thread.
        assert publish(port, "bay/1", ["2"])
        assert first.take(1) == ["got 2 0"]
    assert publish(port, "bay/1", ["last"])
    with client(port, "bay/1", "watch", "311", "ack", "keep") as second:
        got = second.take(3) + second.take(1, timeout_s=1)
    assert "got last 0" in got
    assert "got 1 0" not in got


@NEEDS_MOSQUITTO
def test_retained_message_reaches_a_late_subscriber_marked_retained(port: int) -> None:
    # Section 3.3.1.3: a new subscription gets the last retained message, RETAIN set to 1.
    for state in ("old", "new"):
        argv = ["mosquitto_pub", "-p", str(port), "-q", "1", "-r", "-t", "state", "-m", state]
        subprocess.run(argv, check=True, timeout=60)
    with client(port, "state", "late", "311", "ack", "clean") as late:
        assert late.ready()
        assert late.take(1) + late.take(1, timeout_s=1) == ["got new 1"]


def test_last_will_is_sent_when_a_client_is_killed(port: int) -> None:
    # Section 3.1.2.5: the will is published when the connection ends without DISCONNECT.
    with client(port, "will/#", "mourner", "311", "ack", "clean") as mourner:
        assert mourner.ready()
        with client(port, "other", "doomed", "311", "ack", "clean") as doomed:
            assert doomed.ready()
        assert mourner.take(1) == ["got gone 0"]


@NEEDS_MOSQUITTO
def test_payload_of_64_kib_passes(port: int, tmp_path: Path) -> None:
    file = tmp_path / "payload"
    file.write_text("x" * 65_536, encoding="ascii")
    with client(port, "big", "reader", "311", "ack", "clean") as reader:
        assert reader.ready()
        argv = ["mosquitto_pub", "-p", str(port), "-q", "1", "-t", "big", "-f", str(file)]
        subprocess.run(argv, check=True, timeout=60)
        (line,) = reader.take(1)
    assert line == f"got {'x' * 65_536} 0"


@NEEDS_MOSQUITTO
def test_mqtt_5_is_served_on_its_own_port_only() -> None:
    port, port5 = free_port(), free_port()
    argv = [*EMBEDDED, "--port", str(port), "--mqtt5-port", str(port5)]
    with (
        running(argv, port, port5),
        client(port5, "bay/1", "five", "5", "ack", "clean") as five,
    ):
        assert five.ready()
        assert publish(port, "bay/1", ["from 3.1.1"], "311")
        assert five.take(1) == ["got from 3.1.1 0"]
        refused = ["mosquitto_pub", "-V", "5", "-p", str(port), "-t", "bay/1", "-m", "no"]
        assert subprocess.run(refused, capture_output=True, timeout=60, check=False).returncode
        assert is_loopback_only(listening_addresses(port5))


def test_listens_on_loopback_only(port: int) -> None:
    assert listening_addresses(port) == {"0100007F"}  # proc(5): 127.0.0.1, little-endian hex


def test_taken_port_is_a_clear_error() -> None:
    with socket.create_server((HOST, 0)) as taken:
        number = taken.getsockname()[1]
        done = start_that_fails("--port", str(number))
    assert done.returncode == 2
    assert f"broker port {number} on 127.0.0.1 cannot be used" in done.stderr
    assert "choose another port" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "shop.example"])
def test_other_addresses_than_loopback_are_refused(host: str) -> None:
    with pytest.raises(ServiceError, match="only a loopback address"):
        ensure_loopback(host)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "::1"])
def test_loopback_addresses_are_allowed(host: str) -> None:
    ensure_loopback(host)


def test_refused_address_ends_the_process_with_2_and_binds_nothing() -> None:
    number = free_port()
    done = start_that_fails("--port", str(number), "--host", "0.0.0.0")
    assert done.returncode == 2
    assert "only a loopback address" in done.stderr
    assert listening_addresses(number) == set()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_it_cleanly_within_5_s_and_frees_the_port(number: signal.Signals) -> None:
    port = free_port()
    with running([*EMBEDDED, "--port", str(port)], port) as process:
        process.send_signal(number)
        assert process.wait(timeout=5) == 0
    assert listening_addresses(port) == set()


def test_it_goes_with_its_parent_when_asked_to() -> None:
    port = free_port()
    argv = [*EMBEDDED, "--port", str(port), "--exit-with-parent"]
    with subprocess.Popen(argv, cwd=ROOT, stdin=subprocess.PIPE) as process:
        try:
            wait_until_listening(HOST, port, 15)
            assert process.stdin is not None
            process.stdin.close()
            assert process.wait(timeout=5) == 0
        finally:
            process.kill()


def test_waiting_for_a_broker_that_is_not_there_says_so() -> None:
    port = free_port()
    with pytest.raises(BrokerError, match=f"no broker listens on 127.0.0.1:{port}"):
        wait_until_listening(HOST, port, 0)


def test_unbounded_limits_are_refused() -> None:
    with pytest.raises(ServiceError, match="segment_count is 0; at least 1"):
        BrokerLimits(segment_count=0)


def test_limits_and_address_reach_the_configuration() -> None:
    text = broker_toml(1883, host="::1", limits=BrokerLimits(segment_bytes=4096, segment_count=3))
    assert "max_segment_size = 4096\nmax_segment_count = 3\n" in text
    assert 'listen = "[::1]:1883"' in text
    assert "[v5" not in text


@NEEDS_MOSQUITTO
def test_shipped_mosquitto_configuration_starts_on_loopback_only(tmp_path: Path) -> None:
    port = free_port()
    argv = ["/usr/sbin/mosquitto", "-c", str(mosquitto_conf(tmp_path, port))]
    with running(argv, port):
        assert listening_addresses(port) == {"0100007F"}


@NEEDS_MOSQUITTO
def test_shipped_mosquitto_configuration_keeps_a_queue_over_kill_9_of_the_broker(
    tmp_path: Path,
) -> None:
    """It writes down what waits every few seconds."""
    port = free_port()
    argv = ["/usr/sbin/mosquitto", "-c", str(mosquitto_conf(tmp_path, port))]
    payloads = [f"reading-{number}" for number in range(20)]
    written = tmp_path / "envmon.db"
    with running(argv, port) as broker:
        with client(port, "bay/1", "watch", "311", "hold", "keep") as away:
            assert away.ready()
        assert publish(port, "bay/1", payloads)
        wait_until(lambda: written.exists() and b"reading-19" in written.read_bytes(), "the file")
        broker.kill()
        assert broker.wait() == -signal.SIGKILL
    with running(argv, port), client(port, "bay/1", "watch", "311", "ack", "keep") as back:
        lines = back.take(22)
    assert "session 1" in lines
    got = [line.split()[1] for line in lines if line.startswith("got")]
    assert got == payloads
