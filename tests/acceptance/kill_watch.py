"""Kill -9 of the watch in a loop while numbered messages are published: all stored exactly once.

``python tests/acceptance/kill_watch.py [MESSAGES] [MESSAGES_A_SECOND]`` starts a Mosquitto,
publishes 10 000 SenML messages at QoS 1 with times of their own, and more where the machine is too
slow for the kills meant, and kills and restarts ``python -m envmon.service.watch_process`` all the
while, every second time with messages taken but held up on their way to the disk. Number n is the
value and the time.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402 - run as a script
from tests.mosquitto_support import Mosquitto, wait_until  # noqa: E402

FIRST_S = 1_769_500_800
WINDOW = 100
"""So many messages are under way to the broker at once."""
DONE_S = 90.0
KILLS_BETWEEN = 12
"""Messages keep coming until so many kills fell between stored and coming ones."""

SHOP = """
[shop]
name = "Harbour Row Surface Care"
site = "harbour_row"
timezone = "Europe/Oslo"
[broker]
kind = "external"
port = {port}
[[bay]]
id = "one"
name = "Bay one"
[[point]]
id = "counter"
bay = "one"
topic = "hall/counter"
reads = {{ particulate_ug_m3 = {{ name = "n", unit = "ug/m3" }} }}
"""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it.

    Attributes:
        published: Messages the broker acknowledged.
        stored: Rows in the store.
        lost: Numbers published and not stored.
        doubled: Numbers stored more than once.
        kills: How often the watch was killed with -9 while it ran.
        kills_between: Kills after which something new had been stored and more was to come.
        seconds: How long it took.
    """

    published: int
    stored: int
    lost: tuple[int, ...]
    doubled: tuple[int, ...]
    kills: int
    kills_between: int
    seconds: float

    @property
    def ok(self) -> bool:
        return self.stored == self.published and not self.lost and not self.doubled


def payload(number: int) -> bytes:
    return json.dumps([{"n": "n", "v": number, "t": FIRST_S + number}]).encode()


class Publisher:
    """Publishes the numbers at QoS 1, never more than a window ahead of the broker.

    Told to go on, it does so beyond the messages asked for until it hears of kills enough.
    """

    def __init__(self, port: int, messages: int, per_s: float, *, goes_on: bool = False) -> None:
        self.acknowledged = self.published = 0
        self.enough = not goes_on
        self._messages, self._per_s = messages, per_s
        self._room = threading.Semaphore(WINDOW)
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(WINDOW)
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _on_publish(self, *_rest: object) -> None:
        self.acknowledged += 1
        self._room.release()

    def _run(self) -> None:
        pace, begun = threading.Event(), time.monotonic()
        for number in itertools.takewhile(self._goes_on, itertools.count()):
            self._room.acquire()
            self._client.publish("hall/counter", payload(number), qos=1)
            self.published = number + 1
            # Spread over time, so that every kill falls among messages.
            pace.wait(max(0.0, begun + number / self._per_s - time.monotonic()))

    def _goes_on(self, number: int) -> bool:
        return number < self._messages or not self.enough

    @property
    def done(self) -> bool:
        return not self._thread.is_alive() and self.acknowledged == self.published

    def close(self) -> None:
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


class WatchProcess:
    """The watch as a process of its own."""

    def __init__(self, shop_file: Path) -> None:
        self._argv = [sys.executable, "-m", "envmon.service.watch_process", str(shop_file)]
        self.process = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(self._argv, cwd=ROOT, stderr=subprocess.DEVNULL)

    def kill_and_restart(self) -> None:
        self.process.kill()
        assert self.process.wait() == -signal.SIGKILL, "the watch ended by itself"
        self.process = self._start()

    def stop(self) -> None:
        self.process.terminate()
        # Started a moment ago it may not have taken over SIGTERM yet.
        assert self.process.wait(15) in {0, -signal.SIGTERM}


def stored_count(folder: Path) -> int:
    """Return how many readings are committed, without taking part in writing."""
    file = folder / "data" / LIVE_FILE
    if not file.exists():
        return 0
    with sqlite3.connect(f"file:{file}?mode=ro", uri=True) as connection:
        try:
            (count,) = connection.execute("SELECT count(*) FROM reading").fetchone()
        except sqlite3.OperationalError:
            return 0  # killed before it had made its tables
    connection.close()
    return int(count)


@contextlib.contextmanager
def write_held_up(folder: Path, publisher: Publisher) -> Iterator[None]:
    """Hold the store's write lock until messages lie with the watch that it cannot commit.

    Whoever acknowledges before the commit loses them when it is killed now.
    """
    connection = sqlite3.connect(folder / "data" / LIVE_FILE, timeout=30, isolation_level=None)
    connection.execute("BEGIN IMMEDIATE")
    aim = publisher.acknowledged + 40
    wait_until(lambda: publisher.acknowledged >= aim or publisher.done, "more messages")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")
        connection.close()


def kill_rounds(watch: WatchProcess, publisher: Publisher, folder: Path) -> tuple[int, int]:
    """Kill the watch as soon as it has stored something new, until all is published."""
    luck, pause = random.Random(4), threading.Event()
    kills = between = 0
    while not publisher.done:
        before = stored_count(folder)
        wait_until(
            lambda: stored_count(folder) > before or publisher.done,  # noqa: B023 - used at once
            "the watch to store something",
            60,
        )
        between += not publisher.done and stored_count(folder) > before
        publisher.enough = between >= KILLS_BETWEEN
        if kills % 2:
            with write_held_up(folder, publisher):
                watch.kill_and_restart()
        else:
            pause.wait(luck.uniform(0, 0.3))
            watch.kill_and_restart()
        kills += 1
    return kills, between


def numbers_stored(folder: Path) -> list[int]:
    store = SqliteStore(folder / "data")
    readings = list(store.readings(0, 2**62))
    store.close()
    assert all(r.t_us == (FIRST_S + r.value) * 1_000_000 for r in readings)
    return [round(r.value) for r in readings]


def run(folder: Path, messages: int, per_s: float) -> Outcome:
    """Put a watch through it and return what came of it.

    Args:
        folder: Empty folder for broker and data.
        messages: How many numbered messages at least.
        per_s: Messages a second at most.
    """
    begun = time.monotonic()
    # Only the watch is killed; a broker that saves at every message would be the brake.
    with Mosquitto(folder, on_disk=False) as broker:
        shop_file = folder / "shop.toml"
        shop_file.write_text(SHOP.format(port=broker.port), encoding="utf-8")
        watch = WatchProcess(shop_file)
        wait_until(lambda: session_is_there(broker, folder), "the watch's session", 60)
        publisher = Publisher(broker.port, messages, per_s, goes_on=True)
        kills, between = kill_rounds(watch, publisher, folder)
        publisher.close()
        wanted = publisher.published
        wait_until(lambda: stored_count(folder) >= wanted + 1, "all to be stored", DONE_S)
        watch.stop()
    numbers = numbers_stored(folder)
    assert numbers.pop(0) == -1
    return Outcome(
        publisher.acknowledged,
        len(numbers),
        tuple(sorted(set(range(wanted)) - set(numbers))),
        tuple(sorted(n for n, times in Counter(numbers).items() if times > 1)),
        kills,
        between,
        time.monotonic() - begun,
    )


def session_is_there(broker: Mosquitto, folder: Path) -> bool:
    """Tell whether the watch has subscribed: what is sent now reaches the store."""
    broker.publish("hall/counter", payload(-1).decode())
    return stored_count(folder) > 0


def report(outcome: Outcome) -> str:
    return (
        f"published {outcome.published}, stored {outcome.stored} rows; lost {len(outcome.lost)} "
        f"{list(outcome.lost[:10])}, doubled {len(outcome.doubled)} {list(outcome.doubled[:10])}; "
        f"{outcome.kills} kills with -9, {outcome.kills_between} of them between stored and "
        f"coming messages; {outcome.seconds:.1f} s: {'PASS' if outcome.ok else 'FAIL'}"
    )


def main() -> int:
    """Run it and print the report; return 0 when all are stored exactly once."""
    messages = int(sys.argv[1]) if sys.argv[1:] else 10_000
    per_s = float(sys.argv[2]) if sys.argv[2:] else 500.0
    with tempfile.TemporaryDirectory(prefix="envmon-kill-") as folder:
        outcome = run(Path(folder), messages, per_s)
    print(report(outcome))
    return 0 if outcome.ok else 1


if __name__ == "__main__":
    sys.exit(main())
