"""The broker gone for an hour while the sensors go on measuring: what is known, kept and said.

``python tests/acceptance/broker_hour.py [SECONDS_GONE] [SPEED]`` lets an hour of the shop's clock
pass in a minute. Three nodes keep what they cannot send, and after the break send the newest first,
as some do, so that the rest comes late.
"""

from __future__ import annotations

import json
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import SECOND_US, ScaledClock, us_from_iso  # noqa: E402 - run as a script
from envmon.facts import Flag, Reading  # noqa: E402
from envmon.intake.link import BACKOFF_CAP_S  # noqa: E402
from envmon.service.now import shop_now  # noqa: E402
from envmon.store.chain import first_break  # noqa: E402
from envmon.store.sqlite import SqliteStore  # noqa: E402
from tests.faults_support import WatchRun, beat_of  # noqa: E402
from tests.guard_support import START_US  # noqa: E402
from tests.mosquitto_support import Ear, Mosquitto, wait_until  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Event

EVERY_S = 10.0
"""Clock seconds between two readings of a node."""
STALE_S = 60
"""The humidity of the shop has one sensor, which is stale after so long [clock s]."""
NODES = (("air-a", ("temp", "rh")), ("air-b", ("temp",)), ("panel", ("temp",)))
QUANTITIES = {
    ("air-a", "temp"): "air_temp_c", ("air-a", "rh"): "rel_hum_pct",
    ("air-b", "temp"): "air_temp_c", ("panel", "temp"): "panel_temp_c",
}  # fmt: skip
VALUES = {"temp": 20.0, "rh": 45.0}
Key = tuple[str, str, int]


class Node(threading.Thread):
    """A sensor with a buffer of its own: what it cannot send waits, the newest goes first.

    Args:
        port: Port of the broker.
        name: Name of the point, and last level of its topic.
        fields: What it measures.
        clock: What time it is.
    """

    def __init__(self, port: int, name: str, fields: Sequence[str], clock: ScaledClock) -> None:
        super().__init__(daemon=True)
        self.name, self._fields, self._clock = name, fields, clock
        self.measured: dict[Key, float] = {}
        self._waiting: deque[bytes] = deque()
        self._ended, self._connected = threading.Event(), threading.Event()
        self._sent = self._acknowledged = 0
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id=f"node-{name}", clean_session=False
        )
        self._client.on_connect = lambda *_rest: self._connected.set()
        self._client.on_disconnect = lambda *_rest: self._connected.clear()
        self._client.on_publish = self._on_publish
        self._client.reconnect_delay_set(1, 2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _on_publish(self, *_rest: object) -> None:
        self._acknowledged += 1

    def run(self) -> None:
        number = 0
        while not self._ended.wait(EVERY_S / self._clock.speed):
            number += 1
            self._waiting.append(self._measure(number))
            self._send_waiting()
        while self._waiting and self._connected.wait(60):
            self._send_waiting()

    def _send_waiting(self) -> None:
        while self._waiting and self._connected.is_set():
            self._send(self._waiting.pop())

    def _measure(self, number: int) -> bytes:
        at_us = self._clock.now_us() // 1000 * 1000
        records: list[dict[str, Any]] = []
        for field in self._fields:
            value = VALUES[field] + number % 50 / 100
            self.measured[self.name, QUANTITIES[self.name, field], at_us] = value
            records.append({"n": field, "v": value, "t": at_us / SECOND_US})
        return json.dumps(records).encode()

    def _send(self, payload: bytes) -> None:
        self._sent += 1
        self._client.publish(f"hall/{self.name}", payload, qos=1)

    @property
    def done(self) -> bool:
        """Whether the broker has acknowledged everything measured."""
        return not self._waiting and self._sent == self._acknowledged

    def end(self) -> None:
        """Measure no more, and send what waits."""
        self._ended.set()
        self.join()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it.

    Attributes:
        measured: Readings the nodes made.
        stored: Readings in the store.
        lost: How many are missing.
        doubled: How many are there twice or with another value.
        late: How many are flagged late.
        wrongly_late: Readings whose flag does not follow from the order in which they came.
        unknown_after_us: When the stage turned unknown, from the last word of its sensor [µs].
        why: What was said for the unknown.
        back_s: Real seconds from the broker's return to the watch's first word.
        chain_whole: Whether the chain verifies.
        seconds: How long it all took.
    """

    measured: int
    stored: int
    lost: int
    doubled: int
    late: int
    wrongly_late: int
    unknown_after_us: int
    why: str
    back_s: float
    chain_whole: bool
    seconds: float

    @property
    def ok(self) -> bool:
        """Whether everything is as promised."""
        return (
            self.measured == self.stored
            and not self.lost + self.doubled + self.wrongly_late
            and self.unknown_after_us == STALE_S * SECOND_US + 1
            and self.back_s <= BACKOFF_CAP_S + 2
            and self.chain_whole
        )


def run(folder: Path, gone_s: float, speed: float) -> Outcome:
    """Take the broker away and bring it back.

    Args:
        folder: Empty folder.
        gone_s: For how long [clock s].
        speed: Clock seconds a real second.
    """
    begun = time.monotonic()
    clock = ScaledClock(time.time_ns() // 1000, START_US, speed)
    with Mosquitto(folder) as broker:
        watch = WatchRun(folder, broker.port, folder / "data", clock)
        watch.start()
        with Ear(broker.port, "envmon/#") as ear:
            wait_until(lambda: beat_of(ear).get("state") == "up", "the watch", 60)
            nodes = [Node(broker.port, name, fields, clock) for name, fields in NODES]
            for node in nodes:
                node.start()
            ask_for_polish(folder, clock)
            wait_until(lambda: fitness(ear) in {"fit", "marginal"}, "the bay to be known", 60)
        gone_us = clock.now_us()
        broker.stop()
        wait_until(
            lambda: clock.now_us() >= gone_us + gone_s * SECOND_US, "the broker's return", 3600
        )
        why = reason(watch.shop_file, clock)
        broker.start()
        back, back_us = time.monotonic(), clock.now_us()
        with Ear(broker.port, "envmon/#") as ear:
            wait_until(lambda: word_since(ear, clock, back_us), "the watch's word", 60)
            back_s = time.monotonic() - back
            for node in nodes:
                node.end()
            wait_until(lambda: all(node.done for node in nodes), "the nodes to have sent all", 120)
            made = {key: value for node in nodes for key, value in node.measured.items()}
            wait_until(lambda: len(watch.values()) >= len(made), "all to be stored", 120)
            for node in nodes:
                node.close()
            assert watch.end(15) == 0
    store = SqliteStore(folder / "data")
    rows, events = list(store.readings(0, 2**62)), list(store.events())
    store.close()
    kept = {row[:3]: row.value for row in rows}
    return Outcome(
        len(made),
        len(rows),
        len(made.keys() - kept.keys()),
        len(rows) - sum(made.get(row[:3]) == row.value for row in rows),
        sum(bool(row.flag & Flag.LATE) for row in rows),
        len(wrongly_late(rows)),
        unknown_after_us(rows, events, gone_us),
        why,
        back_s,
        first_break(events) is None,
        time.monotonic() - begun,
    )


def ask_for_polish(folder: Path, clock: ScaledClock) -> None:
    store = SqliteStore(folder / "data")
    store.ask("stage_started", "one", {"stage": "polish"}, clock.now_us())
    store.close()


def fitness(ear: Ear) -> str:
    state = json.loads(ear.newest("envmon/one/state") or "{}")
    found = [s["fitness"] for s in state.get("stages", ()) if s["id"] == "polish"]
    return str(found[0]) if found and state["stage"] == "polish" else ""


def reason(shop_file: Path, clock: ScaledClock) -> str:
    """Return what ``envmon now`` says of the stage."""
    stages = shop_now(shop_file, clock).bays[0].stages
    (stage,) = (stage for stage in stages if stage.id == "polish")
    return f"{stage.fitness}: {stage.summary}"


def word_since(ear: Ear, clock: ScaledClock, at_us: int) -> bool:
    """Tell whether the watch has spoken since a time."""
    said = beat_of(ear)
    # Its word is cut to the millisecond, which at speed is nothing.
    return said.get("state") == "up" and us_from_iso(said["at"]) >= at_us - clock.speed * 1000


def unknown_after_us(rows: Sequence[Reading], events: Sequence[Event], gone_us: int) -> int:
    """Return how long after the last word of the humidity's sensor the stage turned unknown."""
    lost = [e.at_us for e in events if e.kind == "stage_fitness" and e.at_us >= gone_us]
    heard = [
        min(r.t_us, r.seen_us) for r in rows if r.quantity == "rel_hum_pct" and r.seen_us <= lost[0]
    ]
    return lost[0] - max(heard)


def wrongly_late(rows: Sequence[Reading]) -> list[Reading]:
    """Return the readings whose flag does not say whether a newer one had come before."""
    wrong = []
    for row in rows:
        same = [r for r in rows if r[:2] == row[:2] and r.t_us > row.t_us]
        surely = any(r.seen_us < row.seen_us for r in same)
        perhaps = any(r.seen_us <= row.seen_us for r in same)
        late = bool(row.flag & Flag.LATE)
        if (surely and not late) or (late and not perhaps):
            wrong.append(row)
    return wrong


def report(outcome: Outcome) -> str:
    return (
        f"{outcome.measured} readings measured, {outcome.stored} stored; lost {outcome.lost}, "
        f"doubled {outcome.doubled}; {outcome.late} flagged late, {outcome.wrongly_late} wrongly; "
        f"unknown {outcome.unknown_after_us} µs after the sensor's last word ({outcome.why}); "
        f"the watch spoke again {outcome.back_s:.1f} s after the broker's return; chain "
        f"{'whole' if outcome.chain_whole else 'BROKEN'}; {outcome.seconds:.0f} s: "
        f"{'PASS' if outcome.ok else 'FAIL'}"
    )


def main() -> int:
    """Run it and print the report; return 0 when all is as promised."""
    gone_s = float(sys.argv[1]) if sys.argv[1:] else 3600.0
    speed = float(sys.argv[2]) if sys.argv[2:] else 60.0
    with tempfile.TemporaryDirectory(prefix="envmon-broker-") as folder:
        outcome = run(Path(folder), gone_s, speed)
    print(report(outcome))
    return 0 if outcome.ok else 1


if __name__ == "__main__":
    sys.exit(main())
