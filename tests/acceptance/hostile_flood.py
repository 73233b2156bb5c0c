"""Floods over a real Mosquitto against the real watch: is another bay's alarm late, what grows?

``python tests/acceptance/hostile_flood.py [SECONDS] [PER_SECOND] [FLOOD ...]`` puts the watch
under one flood after another: one sensor, one that leaps out of its limits and back, one whose
times lie anywhere, 100 000 topics that a ``+`` of the shop file claims, 100 000 that it hears and
refuses, and 100 000 that nobody claims (all of them in 100 s at 1 000 a second). All the while a
sensor of the other bay goes out of its limit and back, and the time until its alarm stands at the
broker is measured; that alarm has no delay of its own here, and ends with its stage.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.guard.alarm_acts import TROUBLE_BEGAN  # noqa: E402 - run as a script
from envmon.service.watch_process import READY_FILE  # noqa: E402
from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402
from tests.mosquitto_support import Mosquitto, wait_until  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

LIMIT_S = 1.0
"""So much later than at rest another bay's alarm may come."""
TOPICS = 100_000
FLOODED = " WHERE bay = 'one'"
WINDOW = 1_000
"""So many messages are on their way to the broker at once."""

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
procedure = "work"
by_hand = ["rel_hum_pct", "panel_temp_c"]
[[bay]]
id = "two"
name = "Bay two"
procedure = "work"
by_hand = ["rel_hum_pct", "panel_temp_c"]
[[point]]
id = "air-a"
bay = "one"
topic = "hall/air-a"
reads = {{ air_temp_c = {{ name = "temp" }} }}
[[point]]
id = "air-b"
bay = "two"
topic = "hall/air-b"
reads = {{ air_temp_c = {{ name = "temp", spike = 0, rate = 0 }} }}
[[point]]
id = "yard"
topic = "yard/+/temp"
reads = {{ outdoor_temp_c = {{ name = "temp" }} }}
[[point]]
id = "{{1}}-water"
bay = "{{1}}"
topic = "wash/+/water"
reads = {{ water_temp_c = {{ name = "temp" }} }}
[[product]]
id = "test_wax"
name = "Test wax"
sheet = 2025-11-03
source = "Test wax data sheet, edition 1"
[[product.limit]]
stage = "polish"
quantity = "air_temp_c"
low = 16
high = 26
margin = 0
deadband = 0
on_delay = 0
off_delay = 0
[[procedure]]
id = "work"
name = "Work"
step = [{{ stage = "polish", product = "test_wax" }}]
"""

LONG = "x" * 1_900


def one_sensor(number: int) -> tuple[str, bytes]:
    return "hall/air-a", b'[{"n":"temp","v":%.2f}]' % (20 + number % 7 / 100)


def jumping(number: int) -> tuple[str, bytes]:
    """Return leaps that the next reading confirms each time: in its limits, and out of them."""
    return "hall/air-a", b'[{"n":"temp","v":%d}]' % (20 if number % 4 < 2 else 35)


def any_time(number: int) -> tuple[str, bytes]:
    """Return readings of times that nobody had: no two fall together."""
    pack = [{"n": "temp", "v": 20.0, "t": 1_700_000_000 + number * 7}]
    return "hall/air-a", json.dumps(pack).encode()


def claimed(number: int) -> tuple[str, bytes]:
    return f"yard/s{number % TOPICS:06}/temp", b'[{"n":"temp","v":3.25}]'


def refused(number: int) -> tuple[str, bytes]:
    pack = [{"n": "temp", "v": 3.25}, {"n": "note", "vs": LONG}]
    return f"wash/b{number % TOPICS:06}{LONG}/water", json.dumps(pack).encode()


def unclaimed(number: int) -> tuple[str, bytes]:
    return f"junk/s{number % TOPICS:06}/temp", b"3.25"


FLOODS: dict[str, Callable[[int], tuple[str, bytes]] | None] = {
    "at rest": None,
    "one sensor": one_sensor,
    "one sensor, jumping": jumping,
    "one sensor, any time": any_time,
    "topics claimed by +": claimed,
    "topics refused": refused,
    "topics nobody claims": unclaimed,
}


@dataclass
class Outcome:
    """What a flood did.

    Attributes:
        sent: Messages the broker acknowledged.
        seconds: How long it lasted.
        delays_s: From publishing a value out of limits to the alarm at the broker.
        rss_mib: Memory of the watch before and after.
        stored: Rows of readings that came.
        events: Entries that the flooded bay put into the chain.
        grown: Growth of the live file [bytes].
        rejects: Bytes that rejected payloads take.
        cpu: Share of a processor that the watch took.
        told: What the watch told people of it.
    """

    sent: int = 0
    seconds: float = 0.0
    delays_s: list[float] = field(default_factory=list)
    rss_mib: tuple[float, float] = (0.0, 0.0)
    stored: int = 0
    events: int = 0
    grown: int = 0
    rejects: int = 0
    cpu: float = 0.0
    told: tuple[str, ...] = ()

    def line(self, name: str) -> str:
        hours = self.seconds / 3_600
        return (
            f"{name:22} {self.sent / self.seconds:6.0f} {statistics.median(self.delays_s):6.3f} "
            f"{max(self.delays_s):6.3f} {len(self.delays_s):4} {self.rss_mib[0]:5.0f} "
            f"{self.rss_mib[1]:5.0f} {self.stored / hours / 1e6:7.2f} "
            f"{self.events / hours:8.0f} {self.grown / hours / 1e6:7.1f} "
            f"{self.rejects / 1e6:7.2f} {self.cpu:5.0%}"
            + "".join(f"\n    told: {text}" for text in self.told)
        )


HEAD = (
    "flood                   msg/s  p50 s  max s    n  RSS before after Mrows/h events/h    MB/h "
    "refused  CPU"
)


class Flood:
    """Publishes at a rate until told to stop."""

    def __init__(self, port: int, make: Callable[[int], tuple[str, bytes]], per_s: float) -> None:
        self.acknowledged = 0
        self._make, self._per_s = make, per_s
        self._room, self._stop = threading.Semaphore(WINDOW), threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(WINDOW)
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", port)
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _on_publish(self, *_rest: object) -> None:
        self.acknowledged += 1
        self._room.release()

    def _run(self) -> None:
        begun, number = time.monotonic(), 0
        while not self._stop.is_set():
            self._room.acquire()
            self._client.publish(*self._make(number), qos=1)
            number += 1
            behind_s = begun + number / self._per_s - time.monotonic()
            if behind_s > 0:
                self._stop.wait(behind_s)

    def __enter__(self) -> Self:
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        self._stop.set()
        self._room.release()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


class Alarms:
    """The other bay: its sensor, and the alarm that follows from it."""

    def __init__(self, port: int) -> None:
        self._news = threading.Condition()
        self._stands = False
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._heard
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("envmon/two/alarm/+", 1)
        self._client.loop_start()

    def _heard(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        if not message.topic.endswith("-window"):
            return
        with self._news:
            self._stands = bool(message.payload)
            self._news.notify_all()

    def say(self, celsius: float) -> None:
        self._client.publish("hall/air-b", b'[{"n":"temp","v":%.2f}]' % celsius, qos=1)

    def wait(self, *, alarm: bool, timeout_s: float = 60.0) -> None:
        """Wait until the alarm stands, or does no more."""
        with self._news:
            came = self._news.wait_for(lambda: self._stands == alarm, timeout_s)
        assert came, f"alarm still {not alarm} after {timeout_s:g} s"

    def raised_s(self) -> float:
        """Send a value outside the limits and return how long it took until the alarm stood [s]."""
        begun = time.monotonic()
        self.say(35.0)
        self.wait(alarm=True)
        return time.monotonic() - begun

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Watched:
    """The watch as a process of its own, and what it takes."""

    def __init__(self, folder: Path, port: int) -> None:
        self.data = folder / "data"
        shop_file = folder / "shop.toml"
        shop_file.write_text(SHOP.format(port=port), encoding="utf-8")
        argv = [sys.executable, "-m", "envmon.service.watch_process", str(shop_file)]
        self.process = subprocess.Popen(argv, cwd=ROOT, stderr=subprocess.DEVNULL)
        wait_until((self.data / READY_FILE).exists, "the watch")
        store = SqliteStore(self.data)
        for bay in ("one", "two"):
            store.ask("stage_started", bay, {"stage": "polish"}, time.time_ns() // 1_000)
        wait_until(lambda: not store.requests(), "the stage")
        store.close()

    def newest(self, point: str) -> int:
        """Return the newest value stored of a point, whole."""
        sql = (
            "SELECT (SELECT value FROM reading JOIN series ON id = series_id "
            f"WHERE point = '{point}' ORDER BY t_us DESC LIMIT 1)"
        )
        return self.asked(sql)

    def begin_anew(self, bay: str) -> None:
        """End the stage of a bay and begin it again: what was worked before counts no more."""
        store = SqliteStore(self.data)
        for kind in ("stage_ended", "stage_started"):
            store.ask(kind, bay, {"stage": "polish"}, time.time_ns() // 1_000)
        wait_until(lambda: not store.requests(), "the stage")
        store.close()

    def rss_mib(self) -> float:
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def size(self) -> int:
        """Return what the live file takes, without room that is free in it [bytes]."""
        pages = self.asked("SELECT page_count FROM pragma_page_count")
        free = self.asked("SELECT freelist_count FROM pragma_freelist_count")
        return (pages - free) * self.asked("SELECT page_size FROM pragma_page_size")

    def asked(self, sql: str) -> int:
        connection = sqlite3.connect(f"file:{self.data / LIVE_FILE}?mode=ro", uri=True)
        try:
            return int(connection.execute(sql).fetchone()[0] or 0)
        finally:
            connection.close()

    def rejects(self) -> int:
        return self.asked(
            "SELECT sum(length(topic) + length(payload) + length(reason)) FROM reject"
        )

    def troubles(self, after: int) -> tuple[str, ...]:
        """Return what the watch found of its own troubles behind a place in the chain."""
        store = SqliteStore(self.data)
        found = [event.data["text"] for event in store.events_of(TROUBLE_BEGAN, after)]
        store.close()
        return tuple(found)

    def stop(self) -> None:
        self.process.terminate()
        assert self.process.wait(30) == 0


def end_alarm(alarms: Alarms, watch: Watched) -> None:
    """Let the other bay's alarm end with its stage: a value alone ends it once a minute only."""
    alarms.say(20.0)
    wait_until(lambda: watch.newest("air-b") == 20, "the value")
    watch.begin_anew("two")
    alarms.wait(alarm=False)


def cycles(alarms: Alarms, watch: Watched, outcome: Outcome, until: float) -> None:
    """Raise the other bay's alarm and let it return, again and again."""
    luck, pause = random.Random(8), threading.Event()
    while time.monotonic() < until or not outcome.delays_s:
        outcome.delays_s.append(alarms.raised_s())
        end_alarm(alarms, watch)
        pause.wait(luck.uniform(0.05, 0.2))


def flood(
    port: int, watch: Watched, make: Callable[[int], tuple[str, bytes]] | None, seconds: float,
    per_s: float,
) -> Outcome:  # fmt: skip
    """Flood for so long and return what it did."""
    outcome, alarms = Outcome(), Alarms(port)
    end_alarm(alarms, watch)
    before_mib, before = watch.rss_mib(), watch.size()
    cpu_s, rows = watch.cpu_s(), watch.asked("SELECT count(*) FROM reading")
    events, entries = (watch.asked(f"SELECT count(*) FROM event{of}") for of in ("", FLOODED))
    begun = time.monotonic()
    if make is None:
        cycles(alarms, watch, outcome, begun + seconds)
    else:
        with Flood(port, make, per_s) as source:
            cycles(alarms, watch, outcome, begun + seconds)
        outcome.sent = source.acknowledged
    alarms.raised_s()  # everything before it has been dealt with
    outcome.seconds = time.monotonic() - begun
    end_alarm(alarms, watch)
    outcome.cpu = (watch.cpu_s() - cpu_s) / outcome.seconds
    outcome.rss_mib = (before_mib, watch.rss_mib())
    outcome.stored = watch.asked("SELECT count(*) FROM reading") - rows
    outcome.told = watch.troubles(events)
    outcome.events = watch.asked(f"SELECT count(*) FROM event{FLOODED}") - entries
    outcome.grown, outcome.rejects = watch.size() - before, watch.rejects()
    alarms.close()
    return outcome


def run(
    folder: Path, seconds: float, per_s: float, names: tuple[str, ...] = ()
) -> dict[str, Outcome]:
    """Put a watch under each flood in turn.

    Args:
        folder: Empty folder for broker and data.
        seconds: How long each lasts [s].
        per_s: Messages a second.
        names: Which floods; none for all.
    """
    with Mosquitto(folder, on_disk=False) as broker:
        watch = Watched(folder, broker.port)
        found = {
            name: flood(broker.port, watch, FLOODS[name], seconds, per_s)
            for name in names or FLOODS
        }
        watch.stop()
    return found


def late(found: dict[str, Outcome]) -> list[str]:
    """Return the floods that held another bay's alarm up for too long."""
    rest_s = statistics.median(found["at rest"].delays_s)
    return [name for name, one in found.items() if max(one.delays_s) > rest_s + LIMIT_S]


def main() -> int:
    """Run it and print the report; return 0 when no alarm was late."""
    seconds = float(sys.argv[1]) if sys.argv[1:] else 100.0
    per_s = float(sys.argv[2]) if sys.argv[2:] else 1_000.0
    with tempfile.TemporaryDirectory(prefix="envmon-flood-") as folder:
        found = run(
            Path(folder), seconds, per_s, ("at rest", *sys.argv[3:]) if sys.argv[3:] else ()
        )
    print(HEAD)
    for name, outcome in found.items():
        print(outcome.line(name))
    too_late = late(found)
    print("PASS" if not too_late else f"FAIL: alarms too late under {', '.join(too_late)}")
    return 1 if too_late else 0


if __name__ == "__main__":
    sys.exit(main())
