"""Messages a second through the whole watch, beside a bare paho + sqlite3 script.

``python tests/benchmarks/ingest.py [MESSAGES] [ROUNDS]`` starts a Mosquitto with the settings of
``fixtures/mosquitto/envmon.conf``, less its disk (writing its whole database with 100 000
messages waiting would be the brake) and without a limit to what waits. In each round a publisher
leaves the same messages in the session of each listener in turn, which then comes and takes them:
the watch (decode, calibrate, flag, judge, commit, acknowledge, publish) and ``ingest_bare.py``. All
commit with synchronous=FULL on the same disk; what they stored is compared. After that, where the
time goes, and how long after its own time a reading is on the disk while messages come at a steady
rate.
"""

from __future__ import annotations

import contextlib
import json
import random
import select
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import SystemClock  # noqa: E402 - run as a script
from envmon.service import watch as watch_module  # noqa: E402
from envmon.service.watch import Watch  # noqa: E402
from envmon.service.watch_process import TURN_S, link_from  # noqa: E402
from envmon.shop.load import check_text  # noqa: E402
from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402
from tests.benchmarks import ingest_bare  # noqa: E402
from tests.mosquitto_support import Mosquitto  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from envmon.facts import Reading
    from envmon.shop.models import Shop

MESSAGES = 100_000
ROUNDS = 3
STEADY = ((100, 3_000), (1_000, 10_000))
"""Messages a second, and how many."""
WINDOW = 1_000
"""So many messages are on their way to the broker at once."""
KINDS = {
    "one record": (("air", ("temp",)), ("air2", ("temp",)), ("panel", ("surface",)),
                   ("water", ("temp",))),
    "two records": (("air", ("temp", "rh")), ("air2", ("temp", "rh"))),
}  # fmt: skip
LISTENERS = {
    "watch": "envmon-kelp_quay",
    "bare": ingest_bare.CLIENT_ID,
}
"""Name and client id."""
UNITS = {"temp": "Cel", "rh": "%RH", "surface": "Cel"}
MIDDLE = {"temp": 20.5, "rh": 48.0, "surface": 18.0}


class Nodes:
    """Packs as the simulated shop's nodes send them, by a fixed seed."""

    def __init__(self, kind: str) -> None:
        self._luck = random.Random(7)
        nodes = [(bay, *node) for bay in ("north", "south") for node in KINDS[kind]]
        self._values = {
            (f"{bay}/{node}/", name): MIDDLE[name] for bay, node, names in nodes for name in names
        }
        self._nodes = [(f"{bay}/{node}/", names) for bay, node, names in nodes]

    def __len__(self) -> int:
        return len(self._nodes)

    def message(self, number: int, at_us: int) -> tuple[str, bytes]:
        """Return topic and payload of one message; times have a resolution of 1 µs."""
        base, names = self._nodes[number % len(self._nodes)]
        records: list[dict[str, Any]] = []
        for name in names:
            value = self._values[base, name] + self._luck.uniform(-0.02, 0.02)
            self._values[base, name] = value
            first = {} if records else {"bn": base, "bt": at_us / 1e6}
            records.append(first | {"n": name, "u": UNITS[name], "v": round(value, 2)})
        topic = f"shop/{base.rstrip('/')}"
        return topic, json.dumps(records, separators=(",", ":")).encode()


def packet(topic: str, payload: bytes, mid: int) -> bytes:
    """Return a PUBLISH at QoS 1 (OASIS MQTT 3.1.1, section 3.3)."""
    body = len(topic).to_bytes(2) + topic.encode() + mid.to_bytes(2) + payload
    assert len(body) < 128 * 128  # lengths of one or two bytes
    high, low = divmod(len(body), 128)
    length = bytes([low | 128, high]) if high else bytes([low])
    return b"\x32" + length + body


def publish(port: int, kind: str, count: int, per_s: float) -> None:
    """Publish packs at QoS 1, at a steady rate or (0) as fast as the broker takes them.

    As fast as can be, their own times lie a millisecond apart for each node; at a steady rate it is
    the moment they are sent.
    """
    nodes, sent, acknowledged = Nodes(kind), 0, 0
    begun, begun_us = time.perf_counter(), time.time_ns() // 1_000
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.sendall(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x00\x00\x04feed")
        assert sock.recv(4)[3] == 0
        while acknowledged < count:
            room = min(count, acknowledged + WINDOW)
            if per_s:
                room = min(room, 1 + int((time.perf_counter() - begun) * per_s))
            burst = bytearray()
            for number in range(sent, min(room, sent + 100)):
                at_us = begun_us + number // len(nodes) * 1_000
                topic, payload = nodes.message(number, time.time_ns() // 1_000 if per_s else at_us)
                burst += packet(topic, payload, number % 60_000 + 1)
                sent += 1
            if burst:
                sock.sendall(burst)
            wait = begun + sent / per_s - time.perf_counter() if per_s else 1.0
            ahead = sent < room
            if select.select([sock], [], [], 0 if ahead else max(0.0, wait))[0]:
                # Every PUBACK has four bytes; one cut in two is finished with the next read.
                got = sock.recv(4 * WINDOW)
                got += sock.recv(-len(got) % 4) if len(got) % 4 else b""
                acknowledged += len(got) // 4


def shop_at(port: int) -> Shop:
    """Return the demo's shop on a broker of our own."""
    text = resources.files("envmon.service").joinpath("demo_shop.toml").read_text("utf-8")
    text = text.replace('kind = "embedded"', f'kind = "external"\nport = {port}')
    shop, faults = check_text(text, "demo_shop.toml")
    assert shop is not None, faults
    return shop


class Meter:
    """Adds up the time spent in named functions; what one calls of the others is its own."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._inner = [0.0]

    def wrap(self, owner: Any, name: str, label: str, only: object = None) -> None:
        """Measure a function where it is found, or only calls with a certain first argument."""
        real: Callable[..., Any] = getattr(owner, name)

        def measured(*args: Any, **named: Any) -> Any:
            if only is not None and args[0] != only:
                return real(*args, **named)
            begun = time.perf_counter()
            self._inner.append(0.0)
            try:
                return real(*args, **named)
            finally:
                took = time.perf_counter() - begun
                self.seconds[label] += took - self._inner.pop()
                self._inner[-1] += took

        setattr(owner, name, measured)

    def follow(self, watch: Watch, store: SqliteStore) -> None:
        """Measure the parts of a turn."""
        link = watch._link
        self.wrap(select, "select", "waiting for the broker")
        self.wrap(link, "take", "receive")
        self.wrap(watch, "_decode", "decode, calibrate, flag")
        self.wrap(watch_module, "step", "guard")
        self.wrap(store, "run", "commit", only="COMMIT")
        self.wrap(store, "add_readings", "insert readings")
        self.wrap(watch, "_commit", "rest of the transaction")
        self.wrap(link, "acknowledge", "acknowledge")
        self.wrap(watch, "_publish", "publish states")
        self.wrap(watch, "turn", "rest of a turn")


def measure_delays(store: SqliteStore) -> list[int]:
    """Return a list to which each reading's delay is added once it is on the disk [µs]."""
    own_us: list[int] = []
    delays_us: list[int] = []
    add_readings, atomic = store.add_readings, store.atomic

    def noted(readings: list[Reading]) -> int:
        own_us.extend(reading.t_us for reading in readings)
        return add_readings(readings)

    @contextlib.contextmanager
    def timed() -> Iterator[None]:
        with atomic():
            yield
        if store._depth == 0:
            now_us = time.time_ns() // 1_000
            delays_us.extend(now_us - t_us for t_us in own_us)
            own_us.clear()

    store.add_readings, store.atomic = noted, timed  # type: ignore[method-assign,assignment]
    return delays_us


def listen(port: int, folder: Path, count: int, how: str) -> tuple[float, float, Any]:
    """Let the real watch take messages, with a stage being worked in each bay.

    Args:
        port: The broker's.
        folder: Data folder.
        count: So many.
        how: ``parts`` to measure the parts of a turn, ``delays`` each reading's delay.

    Returns:
        Time from the first message to the last acknowledgement, processor time [s], and what was
        measured.
    """
    shop, store = shop_at(port), SqliteStore(folder)
    for bay in shop.bay:
        store.ask("stage_started", bay.id, {"stage": "coating"}, time.time_ns() // 1_000)
    watch = Watch(shop, store, link_from(shop, folder / "shop.toml"), SystemClock())
    meter = Meter()
    measured: Any = measure_delays(store) if how == "delays" else meter.seconds
    if how == "parts":
        meter.follow(watch, store)
    done, begun, used, said = 0, 0.0, 0.0, False
    while done < count:
        before, before_cpu = time.perf_counter(), time.process_time()
        taken = watch.turn(TURN_S)
        if taken and not done:
            begun, used = before, before_cpu
        done += taken
        if watch._link.up and not said:
            said = True
            print("ready", flush=True)
    seconds, cpu_s = time.perf_counter() - begun, time.process_time() - used
    watch.finish()
    return seconds, cpu_s, measured


class Bench:
    """A broker, and the listeners and the publisher as processes of their own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._trials = 0
        self.broker = Mosquitto(folder)
        settings = (ROOT / "fixtures/mosquitto/envmon.conf").read_text("utf-8").splitlines()
        ours = ("pid_file", "log_", "listener", "persistence", "autosave", "max_queued_messages")
        kept = [line for line in settings if line and not line.startswith((*ours, "#"))]
        kept += [f"listener {self.broker.port} 127.0.0.1", "max_queued_messages 0"]
        self.broker._config.write_text("\n".join([*kept, "persistence false"]), "utf-8")

    def open_session(self, which: str) -> None:
        """Make a listener's session, so that messages wait in it."""
        heard: list[object] = []
        client = Client(CallbackAPIVersion.VERSION2, LISTENERS[which], clean_session=False)
        client.on_subscribe = lambda *got: heard.append(got)
        client.connect("127.0.0.1", self.broker.port)
        client.subscribe(ingest_bare.TOPIC, 1)
        while not heard:
            client.loop(0.1)
        client.disconnect()
        client.loop(0.1)

    def start(self, *argv: object) -> subprocess.Popen[str]:
        command = [sys.executable, *(str(each) for each in argv)]
        return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)

    def feed(self, kind: str, count: int, per_s: float = 0) -> subprocess.Popen[str]:
        return self.start(__file__, "publish", self.broker.port, kind, count, per_s)

    def listener(
        self, which: str, count: int, how: str = "plain"
    ) -> tuple[subprocess.Popen[str], Path]:
        self._trials += 1
        folder = self._folder / f"{which[:5]}-{self._trials}"
        folder.mkdir()
        where = (self.broker.port, folder, count)
        if which == "watch":
            return self.start(__file__, "listen", *where, how), folder
        return self.start(ingest_bare.__file__, *where), folder


def result(process: subprocess.Popen[str]) -> Any:
    """Return what a process printed as JSON."""
    try:
        out, _ = process.communicate(timeout=120)
    finally:
        process.kill()
    assert process.returncode == 0, process.args
    return json.loads(out.splitlines()[-1]) if out else None


def stored(folder: Path) -> tuple[int, int]:
    """Return how many readings are in a listener's file and the sum of their thousandths."""
    file = folder / (ingest_bare.FILE if "bare" in folder.name else LIVE_FILE)
    database = sqlite3.connect(file)
    sql = "SELECT count(*), sum(cast(round(value * 1000) AS INTEGER)) FROM reading"
    count, total = database.execute(sql).fetchone()
    database.close()
    return count, total


def take_waiting(
    bench: Bench, which: str, kind: str, count: int, how: str = "plain"
) -> tuple[Any, Path]:
    """Let a listener take messages that wait for it in a fresh broker."""
    with bench.broker:
        bench.open_session(which)
        result(bench.feed(kind, count))
        process, folder = bench.listener(which, count, how)
        return result(process), folder


def compare(bench: Bench, kind: str, count: int, rounds: int) -> None:
    """Print messages a second of each, round by round, beside those of the bare one."""
    rates: dict[str, list[float]] = {which: [] for which in LISTENERS}
    costs: dict[str, list[float]] = {which: [] for which in LISTENERS}
    for number in range(rounds):
        found = set()
        for which in list(LISTENERS)[:: -1 if number % 2 else 1]:
            (seconds, cpu_s, _), folder = take_waiting(bench, which, kind, count)
            rates[which].append(count / seconds)
            costs[which].append(cpu_s / count * 1e6)
            found.add(stored(folder))
        assert found == {(count * len(KINDS[kind][0][1]), next(iter(found))[1])}, found
    for which, each in rates.items():
        ratio = statistics.median(a / b for a, b in zip(each, rates["bare"], strict=True))
        used = statistics.median(b / a for a, b in zip(costs[which], costs["bare"], strict=True))
        print(
            f"| {kind} | {which} | {statistics.median(each):.0f} | "
            f"{' '.join(f'{rate:.0f}' for rate in each)} | {ratio:.2f} | "
            f"{statistics.median(costs[which]):.1f} | {used:.2f} |",
            flush=True,
        )


def steady(bench: Bench, which: str, per_s: int, count: int) -> None:
    """Print how long readings take from their own time to the disk at a steady rate."""
    process, _ = bench.listener(which, count, "delays")
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    feed = bench.feed("one record", count, per_s)
    _, cpu_s, delays_us = result(process)
    result(feed)
    assert len(delays_us) == count
    cuts = statistics.quantiles(delays_us, n=1000)
    print(
        f"| {per_s} | {which} | {cuts[499] / 1e3:.2f} | {cuts[989] / 1e3:.2f} | "
        f"{max(delays_us) / 1e3:.2f} | {cpu_s / count * per_s:.1%} |",
        flush=True,
    )


def parts(bench: Bench, kind: str, count: int) -> None:
    """Print where the watch's time goes."""
    (seconds, _, spent), _ = take_waiting(bench, "watch", kind, count, "parts")
    for label, took in sorted(spent.items(), key=lambda item: -item[1]):
        print(f"| {kind} | {label} | {took / count * 1e6:.2f} | {took / seconds:.1%} |")


def report(count: int, rounds: int) -> None:
    """Print the tables."""
    with tempfile.TemporaryDirectory(prefix="envmon-ingest-") as name:
        bench = Bench(Path(name))
        print(
            f"\n{count} messages waiting in the broker, taken at so many a second; processor time"
        )
        print("of the listener for each. Ratios to the bare one: above 1 is better than it.\n")
        print("| packs | listener | messages/s | rounds | ratio | processor µs | ratio |")
        print("|---|---|---|---|---|---|---|")
        for kind in KINDS:
            compare(bench, kind, count, rounds)
        print("\nWhere the watch's time goes\n\n| packs | part | µs a message | share |")
        print("|---|---|---|---|")
        for kind in KINDS:
            parts(bench, kind, count)
        print("\nFrom a reading's own time to the disk, one record a message [ms]\n")
        print("| messages/s | listener | p50 | p99 | max | processor |")
        print("|---|---|---|---|---|---|")
        for per_s, messages in STEADY:
            for which in ("watch", "bare"):
                with bench.broker:
                    bench.open_session(which)
                    steady(bench, which, per_s, messages)


def main(argv: list[str]) -> None:
    """Run the report, or one of its processes."""
    match argv:
        case ["publish", port, kind, count, per_s]:
            publish(int(port), kind, int(count), float(per_s))
        case ["listen", port, folder, count, how]:
            print(json.dumps(listen(int(port), Path(folder), int(count), how)))
        case _:
            report(*[*map(int, argv), *(MESSAGES, ROUNDS)[len(argv) :]])


if __name__ == "__main__":
    main(sys.argv[1:])
