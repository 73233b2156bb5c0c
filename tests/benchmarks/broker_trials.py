"""Clients and trials that a broker is put through, over MQTT only and on loopback.

Each trial takes a port, does one thing and returns what came out as a cell of a table.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import queue
import random
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

VERSIONS = ("311", "5")
PATIENCE_S = 30.0
LINE = b"x" * 60 + b"\n"
BATCH = 10_000
FLOOD = 300_000

# A client in a process of its own, so that kill -9 is what it says. It prints what happens.
CLIENT = """
import sys
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
port, name, topic, version, ack, keep = sys.argv[1:]
five, keep = version == "5", keep == "keep"
how = {"protocol": mqtt.MQTTv5} if five else {"clean_session": not keep}
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, name, manual_ack=True, **how)
client.will_set("will/" + name, "gone", qos=1)
client.on_connect = lambda c, u, flags, *rest: (
    print("session", int(flags.session_present), flush=True), c.subscribe(topic, 1))
client.on_subscribe = lambda *rest: print("subscribed", flush=True)
def on_message(c, u, message):
    print("got", message.payload.decode(), int(message.retain), flush=True)
    if ack == "ack":
        c.ack(message.mid, message.qos)
client.on_message = on_message
options = {}
if five:
    expiry = Properties(PacketTypes.CONNECT)
    expiry.SessionExpiryInterval = 3600 if keep else 0
    options = {"clean_start": not keep, "properties": expiry}
client.connect("127.0.0.1", int(port), keepalive=30, **options)
client.loop_forever(retry_first_connection=False)
"""


class Client:
    """A subscriber in its own process, with what it printed."""

    def __init__(self, port: int, topic: str, name: str, *flags: str) -> None:
        """Start it; ``flags`` are the version, "ack" or "hold", and "keep" or "clean"."""
        argv = [sys.executable, "-c", CLIENT, str(port), name, topic, *flags]
        self.process = subprocess.Popen(
            argv, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self.lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as out:
            for line in out:
                self.lines.put(line.strip())

    def take(self, count: int, timeout_s: float = PATIENCE_S) -> list[str]:
        """Return the next ``count`` lines, or those that came in time."""
        deadline = time.monotonic() + timeout_s
        got: list[str] = []
        with contextlib.suppress(queue.Empty):
            while len(got) < count:
                got.append(self.lines.get(timeout=max(deadline - time.monotonic(), 0.001)))
        return got

    def ready(self) -> bool:
        """Tell whether connecting and subscribing both worked."""
        return self.take(2)[-1:] == ["subscribed"]

    def kill(self) -> None:
        """End it with kill -9 and wait for its end."""
        self.process.kill()
        self.process.wait()


@contextlib.contextmanager
def client(port: int, topic: str, name: str, *flags: str) -> Iterator[Client]:
    """Run a ``Client`` and kill it at the end."""
    one = Client(port, topic, name, *flags)
    try:
        yield one
    finally:
        one.kill()


@functools.cache
def own_ports() -> tuple[socket.socket, Iterator[int]]:
    """Return a hundred ports that no other run of tests takes, and what keeps them: the first.

    They lie below those that the system gives to clients and to port 0, 32768 to 60999 (ip(7)):
    between looking for a port and listening on it nobody else gets it.
    """
    firsts = range(12_000, 32_000, 100)
    for first in random.SystemRandom().sample(firsts, len(firsts)):
        keeper = socket.socket()
        try:
            keeper.bind(("127.0.0.1", first))
        except OSError:
            keeper.close()
            continue
        return keeper, itertools.cycle(range(first + 1, first + 100))
    raise RuntimeError("every hundred of ports is in use; end other runs of the tests")


def free_port() -> int:
    """Return a TCP port that is free, and that nobody else in these tests is given soon."""
    _, ports = own_ports()
    for port in itertools.islice(ports, 99):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise RuntimeError("all 99 ports of this run are in use")


def publish(port: int, topic: str, payloads: list[str], version: str = "311") -> bool:
    """Publish up to 20 messages at QoS 1 and tell whether the broker acknowledged them."""
    # mosquitto_pub -l leaves what is beyond its in-flight window of 20 unsent when stdin ends.
    assert len(payloads) <= 20
    argv = ["mosquitto_pub", "-V", version, "-p", str(port), "-q", "1", "-t", topic, "-l"]
    text = "".join(f"{payload}\n" for payload in payloads)
    try:
        done = subprocess.run(
            argv, input=text, text=True, capture_output=True, timeout=PATIENCE_S, check=False
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def listening_addresses(port: int) -> set[str]:
    """Return the local addresses, as the kernel's tables write them, that listen on a port."""
    rows = [
        line.split()[1:4]
        for table in ("tcp", "tcp6")
        for line in Path("/proc/net", table).read_text(encoding="ascii").splitlines()[1:]
    ]
    locals_ = [local.split(":") for local, _remote, state in rows if state == "0A"]
    return {address for address, hexport in locals_ if int(hexport, 16) == port}


def is_loopback_only(addresses: set[str]) -> bool:
    """Tell whether every address of /proc/net/tcp* is 127.x.x.x or ::1 (and there is one)."""
    loopback6 = "00000000000000000000000001000000"
    return bool(addresses) and all(a == loopback6 or a.endswith("7F") for a in addresses)


def try_session(port: int, version: str) -> str:
    """Publish while a persistent subscriber is away; count what it gets when it returns."""
    with client(port, "s/t", "away", version, "ack", "keep") as first:
        if not first.ready():
            return "no connection"
    publish(port, "s/t", ["1", "2", "3"], version)
    with client(port, "s/t", "away", version, "ack", "keep") as second:
        lines = second.take(5)
    got = {line for line in lines if line.startswith("got")}
    return f"{len(got)} of 3" + ("" if "session 1" in lines else ", session not reported")


def try_redelivery(port: int, version: str) -> str:
    """Kill -9 a subscriber that acknowledged nothing; count what its successor gets."""
    with client(port, "r/t", "killed", version, "hold", "keep") as first:
        if not first.ready():
            return "no connection"
        publish(port, "r/t", ["1", "2", "3", "4", "5"], version)
        before = set(first.take(5))
    with client(port, "r/t", "killed", version, "ack", "keep") as second:
        after = {line for line in second.take(7) if line.startswith("got")}
    return f"{len(after & before)} of {len(before)}"


def try_shared(port: int, version: str) -> str:
    """Share a subscription between two clients; count what each got of 20 messages."""
    topic = "$share/g/h/t"
    with (
        client(port, topic, "one", version, "ack", "clean") as one,
        client(port, topic, "two", version, "ack", "clean") as two,
    ):
        if not (one.ready() and two.ready()):
            return "refused"
        publish(port, "h/t", [str(number) for number in range(20)], version)
        counts = [len(each.take(20, timeout_s=1.5)) for each in (one, two)]
    return f"{counts[0]} + {counts[1]} of 20"


class Sink:
    """A C subscriber at QoS 1 and the number of messages it has printed."""

    def __init__(self, port: int, topic: str) -> None:
        """Start it and return once it has the retained probe, so that nothing is missed."""
        where = ["-p", str(port), "-q", "1", "-t", topic]
        subprocess.run(["mosquitto_pub", *where, "-r", "-m", "probe"], check=True, timeout=10)
        self.process = subprocess.Popen(["mosquitto_sub", *where], stdout=subprocess.PIPE)
        self.count = 0
        self.changed = threading.Condition()
        threading.Thread(target=self._read, daemon=True).start()
        self.wait_for(1)

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as out:
            for number, _line in enumerate(out, start=1):
                if number % 100 == 0 or number < 100:
                    with self.changed:
                        self.count = number
                        self.changed.notify_all()

    def wait_for(self, count: int) -> bool:
        """Tell whether ``count`` messages came, with no pause longer than a few seconds."""
        with self.changed:
            while self.count < count:
                if not self.changed.wait(PATIENCE_S):
                    return False
        return True


@contextlib.contextmanager
def load(port: int, topic: str) -> Iterator[tuple[Sink, IO[bytes]]]:
    """Run a sink, and a C publisher that sends each line written to it at QoS 1."""
    sink = Sink(port, topic)
    argv = ["mosquitto_pub", "-p", str(port), "-q", "1", "-t", topic, "-l"]
    source = subprocess.Popen(argv, stdin=subprocess.PIPE)
    assert source.stdin is not None
    try:
        yield sink, source.stdin
    finally:
        for process in (source, sink.process):
            process.kill()
            process.wait()
        with contextlib.suppress(BrokenPipeError):
            source.stdin.close()


def resident_mib(pid: int) -> float:
    """Return the resident memory of a process [MiB]."""
    status = Path("/proc", str(pid), "status").read_text(encoding="ascii")
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def try_load(port: int, pid: int, messages: int) -> list[str]:
    """Send batches, each after the last was consumed; return rate and memory they cost."""
    with load(port, "load/t") as (sink, source):
        before_mib, start_s = resident_mib(pid), time.monotonic()
        for sent in range(BATCH, messages + 1, BATCH):
            source.write(LINE * BATCH)
            source.flush()
            if not sink.wait_for(sent):
                return [f"stalled at {sink.count}", "-"]
        elapsed_s = time.monotonic() - start_s
        growth_mib = resident_mib(pid) - before_mib
    cost = f"{before_mib:.0f} + {growth_mib:.0f} ({growth_mib * 2**20 / messages:.0f})"
    return [f"{messages / elapsed_s:.0f}", cost]


def try_flood(port: int, _pid: int, messages: int) -> list[str]:
    """Send without waiting for the subscriber; return how many of them reach it."""
    with load(port, "flood/t") as (sink, source):
        for _ in range(messages // BATCH):
            source.write(LINE * BATCH)
        source.flush()
        sink.wait_for(messages)
        return [f"{sink.count} of {messages}"]


def trials(pid: int, ports: dict[str, int], messages: int) -> list[str]:
    """Run all trials on a broker that listens; return the table's cells."""
    cells = [
        " / ".join(trial(ports[version], version) for version in VERSIONS)
        for trial in (try_session, try_redelivery, try_shared)
    ]
    loopback = all(is_loopback_only(listening_addresses(port)) for port in ports.values())
    cells.append("yes" if loopback else "NO")
    if not publish(ports["311"], "warm/t", ["1"]):
        return [*cells, "no QoS 1 over 3.1.1", "-", "-"]
    cells += try_load(ports["311"], pid, messages)
    return cells + try_flood(ports["311"], pid, min(messages, FLOOD))
