"""Power cuts: broker, watch, keeper and boards killed with -9 at one moment, again and again.

``python tests/acceptance/power_cut.py [ROUNDS] [MESSAGES_A_SECOND]`` lets publishers with a buffer
of their own send numbered readings (dated weeks back, so that the keeper moves days all the while)
and readings of now for the guard, and a person ask for stages at the boards. SIGKILL ends
processes, not the machine: what the kernel had taken over is written all the same. So this proves
the order of things, and not that they reached the disk; tests/test_faults_power.py counts fsync.
"""

from __future__ import annotations

import json
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import msgspec
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import SECOND_US, us_from_iso  # noqa: E402 - run as a script
from envmon.errors import BrokerError  # noqa: E402
from envmon.guard.engine import step  # noqa: E402
from envmon.service.broker import LOOPBACK, wait_until_listening  # noqa: E402
from envmon.service.heartbeat import HEARTBEAT_TOPIC  # noqa: E402
from envmon.service.keeping.keeper import Keeper  # noqa: E402
from envmon.service.replay.feed import whole_moments  # noqa: E402
from envmon.service.replay.mark import KeptGuard  # noqa: E402
from envmon.service.restored import HEEDED, plan_fingerprint, restored  # noqa: E402
from envmon.store.chain import first_break  # noqa: E402
from envmon.store.chain_copy import copy_path, read_copy  # noqa: E402
from envmon.store.manifest import Manifest  # noqa: E402
from envmon.store.parquet import file_facts, sha256_of  # noqa: E402
from envmon.store.past import EVER, Past  # noqa: E402
from envmon.store.sqlite import SqliteStore  # noqa: E402
from tests.benchmarks.broker_trials import free_port  # noqa: E402
from tests.faults_support import beat_of  # noqa: E402
from tests.guard_support import SHOP, plan_from, shop_from  # noqa: E402
from tests.mosquitto_support import MOSQUITTO, Ear, shipped_config, wait_until  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType
    from typing import Self

    from envmon.guard.state import GuardState

SITE = "harbour_row"
WEEKS_BACK = 9
STEP_S = 60
"""Own time from one numbered reading to the next: 1440 are a day of the archive."""
WINDOW = 200
MOST = 65_000
"""So many messages of one publisher can be told apart by what the broker acknowledges."""
ROUND_S = (1.5, 4.5)
LONG_ROUND_S = (1.5, 15.0)
BROKER_WRITES_S = 7.0
"""Mosquitto acknowledges a message before it writes it down, every 5 s as our file has it and on
whole seconds; here it has done so at the latest."""
AGAIN_S = 8.0
"""A careful node sends again what was acknowledged so long before its connection broke."""
COUNTER = """
[[point]]
id = "counter"
bay = "two"
topic = "hall/counter"
stale_after = 300
reads = { particulate_ug_m3 = { name = "n", unit = "ug/m3" } }
"""
STAGES = ("polish", "coating", "decontamination", "early_cure")


class Machine:
    """All that runs on the shop's computer, in one process group that one signal ends."""

    def __init__(self, folder: Path, *, spare_broker: bool) -> None:
        self.folder, self.data = folder, folder / "data"
        self._spare_broker = spare_broker
        self.port, self.boards = free_port(), free_port()
        (folder / "mosquitto.conf").write_text(shipped_config(folder, self.port), "utf-8")
        where = f'[broker]\nkind = "external"\nport = {self.port}\n'
        (folder / "shop.toml").write_text(SHOP + COUNTER + where, encoding="utf-8")
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.fell: list[str] = []
        self.cut_at = 0.0

    def start(self) -> None:
        shop = [str(self.folder / "shop.toml"), "--data", str(self.data)]
        python = [sys.executable, "-m"]
        if "broker" not in self.processes:
            self._start("broker", [str(MOSQUITTO), "-c", str(self.folder / "mosquitto.conf")])
            wait_until_listening(LOOPBACK, self.port, 15)
        self._start("watch", [*python, "envmon.service.watch_process", *shop])
        self._start("keeper", [*python, "envmon.service.keeping.keeper_process", *shop])
        self._start("boards", [*python, "envmon_boards", *shop, "--port", str(self.boards)])

    @property
    def _leader(self) -> str:
        return "watch" if self._spare_broker else "broker"

    def _start(self, name: str, argv: list[str]) -> None:
        alone = name in {"broker", self._leader}
        group = 0 if alone else self.processes[self._leader].pid
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = subprocess.Popen(
                argv, stdout=log, stderr=log, cwd=ROOT, process_group=group
            )

    def save_broker(self) -> None:
        """Let the broker write down that the watch is its listener: SIGUSR1, mosquitto(8)."""
        self.processes["broker"].send_signal(signal.SIGUSR1)
        wait_until((self.folder / "envmon.db").exists, "the broker's file", 15)

    def cut(self) -> None:
        """Kill everything at one moment."""
        for name, process in self.processes.items():
            if process.poll() is not None:
                self.fell.append(f"{name} (exit {process.returncode})")
        self.cut_at = time.monotonic()
        os.killpg(self.processes[self._leader].pid, signal.SIGKILL)
        for name in list(self.processes):
            if name != "broker" or not self._spare_broker:
                self.processes.pop(name).wait()

    def stop(self) -> None:
        """Let everything end as it should."""
        for name in ("boards", "keeper", "watch", "broker"):
            process = self.processes.pop(name)
            process.terminate()
            process.wait(30)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        for process in self.processes.values():
            process.kill()
            process.wait()

    def ask(self, stage: str) -> bool:
        """Ask the boards for a stage as a person does; return whether they said it is done."""
        own = f"http://{LOOPBACK}:{self.boards}"
        request = urllib.request.Request(
            f"{own}/api/v1/bays/one/stage",
            json.dumps({"stage": stage}).encode(),
            {"Content-Type": "application/json", "Origin": own},
        )
        try:
            with urllib.request.urlopen(request, timeout=2) as answer:
                return bool(answer.status == 200)
        except (OSError, urllib.error.URLError):
            return False


class Publisher(threading.Thread):
    """Sends messages at QoS 1 at a steady rate; what is not acknowledged stays in its buffer.

    A careful one keeps a message for a while longer, and sends it again when the connection broke
    meanwhile: a reading with a time of its own is stored once however often it comes.
    """

    def __init__(self, port: int, name: str, per_s: float, make: Callable[[int], bytes]) -> None:
        super().__init__(daemon=True)
        self.topic, self._per_s, self._make = f"hall/{name}", per_s, make
        self.careful = False
        self._broke_at = 0.0
        self.sent: list[int] = []
        self._acknowledged: dict[int, float] = {}
        self._room, self._over = threading.Semaphore(WINDOW), threading.Event()
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id=f"node-{name}", clean_session=False
        )
        self._client.max_inflight_messages_set(WINDOW)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._on_publish
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.connect(LOOPBACK, port)
        self._client.loop_start()

    def _on_publish(self, _client: Client, _data: object, mid: int, *_rest: object) -> None:
        self._acknowledged[mid] = time.monotonic()
        self._room.release()

    def _on_disconnect(self, *_rest: object) -> None:
        self._broke_at = time.monotonic()

    def _on_connect(self, *_rest: object) -> None:
        if self.careful and self._broke_at:
            for number, at_s in self.acknowledged().items():
                if at_s > self._broke_at - AGAIN_S:
                    # The next cut can take it again: it counts from its newest acknowledgement.
                    again = self._client.publish(self.topic, self._make(number), qos=1)
                    self.sent[number] = again.mid

    def run(self) -> None:
        while not self._over.wait(1 / self._per_s) and len(self.sent) < MOST:
            self._room.acquire()
            payload = self._make(len(self.sent))
            self.sent.append(self._client.publish(self.topic, payload, qos=1).mid)

    def acknowledged(self) -> dict[int, float]:
        """Return the numbers of the messages the broker has acknowledged, and when [s]."""
        done = dict(self._acknowledged)
        return {number: done[mid] for number, mid in enumerate(list(self.sent)) if mid in done}

    def end(self) -> None:
        self._over.set()
        self.join()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Trial(NamedTuple):
    """How the power is cut.

    Attributes:
        rounds: How often.
        per_s: Numbered messages a second.
        every: After so many rounds the guard is compared with a replay of everything.
        spare_broker: Whether the broker runs on another machine, which goes on.
        careful: Whether the nodes send again what was acknowledged in the last seconds.
        round_s: Shortest and longest time from a start to the next cut [s].
    """

    rounds: int
    per_s: float = 150.0
    every: int = 10
    spare_broker: bool = False
    careful: bool = True
    round_s: tuple[float, float] = ROUND_S


@dataclass(slots=True)
class Outcome:
    """What came of it; the lists are empty when all is as promised.

    Attributes:
        trial: How the power was cut.
        published: Numbered readings published.
        acknowledged: So many of them were acknowledged by the broker.
        stored: So many different ones are kept, live and archived.
        lost: Acknowledged and not kept.
        lost_before_cut_s: The longest a lost one had been acknowledged before a cut [s].
        doubled: Rows more than different readings.
        archived: Readings in the archive at the end.
        cut_in_move: Cuts that left a file the manifest does not know.
        copies_torn: Cuts that left a torn end of the copy of the chain.
        stages_done: Stages that the boards said are set.
        faults: What was found wrong, in words.
        seconds: How long it took.
    """

    trial: Trial
    published: int = 0
    acknowledged: int = 0
    stored: int = 0
    lost: list[int] = field(default_factory=list)
    lost_before_cut_s: float = 0.0
    doubled: int = 0
    archived: int = 0
    cut_in_move: int = 0
    copies_torn: int = 0
    stages_done: int = 0
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def ok(self) -> bool:
        """Whether nothing is lost but what the broker loses, nothing doubled, and all agrees."""
        by_broker = not self.trial.spare_broker and not self.trial.careful
        lost = self.lost and not (by_broker and self.lost_before_cut_s < BROKER_WRITES_S)
        return not (lost or self.doubled or self.faults)


def run(folder: Path, trial: Trial) -> Outcome:
    """Cut the power again and again and return what came of it.

    Args:
        folder: Empty folder.
        trial: How.
    """
    with Machine(folder, spare_broker=trial.spare_broker) as machine:
        return cut_again_and_again(machine, trial)


def cut_again_and_again(machine: Machine, trial: Trial) -> Outcome:
    """Cut the power of a machine as the trial says."""
    begun, luck, outcome = time.monotonic(), random.Random(9), Outcome(trial)
    machine.start()
    # From then on the broker keeps for the watch what is sent.
    wait_until(lambda: listens(machine), "the watch to listen", 60)
    machine.save_broker()
    first_s = round(time.time() // STEP_S * STEP_S) - WEEKS_BACK * 7 * 86_400
    publishers = publishers_of(machine.port, trial.per_s, first_s)
    publishers[0].careful = trial.careful
    for publisher in publishers:
        publisher.start()
    asked: list[tuple[str, bool]] = []
    cuts: list[tuple[float, float]] = []
    for number in range(trial.rounds):
        until = time.monotonic() + luck.uniform(*trial.round_s)
        ask_once(machine, STAGES[number % len(STAGES)], until, asked)
        machine.cut()
        look(machine, outcome, whole=number % trial.every == 0)
        cuts.append((machine.cut_at, time.monotonic()))
        machine.start()
    for publisher in publishers:
        publisher.end()
    counter = publishers[0]
    wait_until(lambda: len(counter.acknowledged()) == len(counter.sent), "the last to be sent", 60)
    wait_until(lambda: listens(machine), "the watch to listen", 60)
    wait_until(lambda: settled(machine, counter), "all to be stored", 90)
    for publisher in publishers:
        publisher.close()
    machine.stop()
    outcome.seconds = time.monotonic() - begun
    finish(machine, outcome, counter, cuts, first_s)
    ensure_stages(machine, outcome, asked)
    outcome.faults += machine.fell
    return outcome


def publishers_of(port: int, per_s: float, first_s: int) -> list[Publisher]:
    swing = random.Random(3)

    def counter(number: int) -> bytes:
        at_s = first_s + number * STEP_S
        return json.dumps([{"n": "n", "v": number % 1000, "t": at_s}]).encode()

    def node(fields: dict[str, tuple[float, float]]) -> Callable[[int], bytes]:
        def make(_number: int) -> bytes:
            at_s = round(time.time(), 3)
            return json.dumps(
                [
                    {"n": n, "v": round(swing.uniform(*span), 2), "t": at_s}
                    for n, span in fields.items()
                ]
            ).encode()

        return make

    return [
        Publisher(port, "counter", per_s, counter),
        Publisher(port, "air-a", 5, node({"temp": (14, 28), "rh": (40, 70)})),
        Publisher(port, "panel", 5, node({"temp": (4, 40)})),
    ]


def ask_once(machine: Machine, stage: str, until: float, asked: list[tuple[str, bool]]) -> None:
    """Ask for a stage as soon as the boards answer, then wait for the end of the round."""
    pause = threading.Event()
    done = False
    while not done and time.monotonic() < until:
        try:
            wait_until_listening(LOOPBACK, machine.boards, 0.1)
        except BrokerError:
            continue
        done = machine.ask(stage)
        asked.append((stage, done))
    pause.wait(max(0.0, until - time.monotonic()))


def look(machine: Machine, outcome: Outcome, *, whole: bool) -> None:
    """Look at what a cut has left, before anything is started again."""
    if not (machine.data / "live.sqlite3").exists():
        return
    store = SqliteStore(machine.data)
    past = Past(store, machine.data)
    try:
        broken = first_break(store.events())
        if broken is not None:
            outcome.faults.append(f"chain breaks at {broken}")
        known = set()
        for file in Manifest(store, machine.data).files():
            known.add(file.path)
            if not file.path.exists() or sha256_of(file.path) != file.sha256:
                outcome.faults.append(f"{file.path.name} is not as the manifest says")
            elif whole and file_facts(past.duck, file.path)[0] != file.row_count:
                outcome.faults.append(f"{file.path.name} holds another number of readings")
        there = set((machine.data / "archive").glob("site=*/month=*/*"))
        outcome.cut_in_move += bool(there - known)
        outcome.copies_torn += copy_is_torn(machine, store, outcome)
        if whole and not same_guard(store, past):
            outcome.faults.append("the guard is not what a replay makes of the store")
    finally:
        past.close()
        store.close()


def copy_is_torn(machine: Machine, store: SqliteStore, outcome: Outcome) -> bool:
    copy = copy_path(machine.data, SITE)
    copied = read_copy(copy)
    if copied != list(store.events())[: len(copied)]:
        outcome.faults.append("the copy of the chain is not its beginning")
    return copy.exists() and not copy.read_bytes().endswith(b"\n")


def same_guard(store: SqliteStore, past: Past) -> bool:
    """Tell whether the guard that a start would take up is what its whole past leads to.

    The counter's readings are weeks old: the guard heeds none of them.
    """
    plan = plan_from(SHOP + COUNTER)
    live = restored(plan, plan_fingerprint(plan), store, 0).state
    other = replayed(store, past, live.now_us)
    return other == live


def replayed(store: SqliteStore, past: Past, to_us: int) -> GuardState:
    """Return the guard that the first checkpoint and everything after it lead to."""
    plan = plan_from(SHOP + COUNTER)
    first = store.checkpoints(*EVER)[0]
    state = msgspec.json.decode(first.state, type=KeptGuard).state
    events = [e for e in store.events(state.event_seq) if e.kind in HEEDED]
    for chunk in whole_moments(past.readings_seen(state.now_us + 1, to_us + 1)):
        until_us = chunk[-1].seen_us
        due = [e for e in events if e.at_us <= until_us]
        events = events[len(due) :]
        state, _ = step(plan, state, chunk, due, until_us)
    return step(plan, state, [], events, to_us)[0]


def kept_numbers(data: Path) -> tuple[dict[int, float], int, int]:
    """Return the counter's readings by time, and how many rows there are, live and archived."""
    store = SqliteStore(data)
    past = Past(store, data)
    try:
        name = [("counter", "particulate_ug_m3")]
        kept = {r.t_us: r.value for c in past.columns(*EVER, name) for r in c.readings()}
        live = store.run("SELECT count(*) FROM reading").fetchone()[0]
        archived = store.run("SELECT coalesce(sum(row_count), 0) FROM archive_file").fetchone()[0]
        return kept, live, archived
    finally:
        past.close()
        store.close()


def listens(machine: Machine) -> bool:
    """Tell whether the watch has spoken since the last cut."""
    with Ear(machine.port, HEARTBEAT_TOPIC) as ear:
        wait_until(lambda: beat_of(ear), "a word of the watch", 60)
        said = beat_of(ear)
    spoken_s = us_from_iso(said["at"] or "2000-01-01") / SECOND_US
    return said["state"] == "up" and time.time() - spoken_s < time.monotonic() - machine.cut_at


def settled(machine: Machine, counter: Publisher) -> bool:
    """Tell whether all is stored, or nothing more comes."""
    before = kept_numbers(machine.data)[0]
    threading.Event().wait(3)
    after = kept_numbers(machine.data)[0]
    return len(after) >= len(counter.sent) or len(after) == len(before) > 0


def finish(
    machine: Machine,
    outcome: Outcome,
    counter: Publisher,
    cuts: list[tuple[float, float]],
    first_s: int,
) -> None:
    """Let the keeper do what is due and take stock."""
    keeper = Keeper(shop_from(SHOP), machine.data)
    for _ in range(2):
        keeper.turn(time.time_ns() // 1000)
    keeper.close()
    look(machine, outcome, whole=True)
    kept, live, archived = kept_numbers(machine.data)
    by_number = {(t_us // SECOND_US - first_s) // STEP_S: value for t_us, value in kept.items()}
    outcome.published, outcome.acknowledged = len(counter.sent), len(counter.acknowledged())
    outcome.stored, outcome.archived = len(kept), archived
    acknowledged = counter.acknowledged()
    outcome.lost = sorted(acknowledged.keys() - by_number.keys())
    gaps = [before_cut_s(acknowledged[number], cuts) for number in outcome.lost]
    outcome.lost_before_cut_s = max(gaps, default=0.0)
    if any(value != number % 1000 for number, value in by_number.items()):
        outcome.faults.append("a value is not the one that was sent")
    outcome.doubled = live + archived - distinct_rows(machine.data)
    files = {p.name for p in (machine.data / "archive").glob("site=*/month=*/*")}
    store = SqliteStore(machine.data)
    known = {file.path.name for file in Manifest(store, machine.data).files()}
    store.close()
    if files != known:
        outcome.faults.append(f"left over in the archive: {sorted(files - known)}")


def before_cut_s(at_s: float, cuts: list[tuple[float, float]]) -> float:
    """Return how long before a cut an acknowledgement came; one read after it was sent before."""
    return next((max(0.0, cut - at_s) for cut, over in cuts if at_s <= over), math.inf)


def distinct_rows(data: Path) -> int:
    store = SqliteStore(data)
    past = Past(store, data)
    try:
        return sum(len(columns.t_us) for columns in past.columns(*EVER))
    finally:
        past.close()
        store.close()


def ensure_stages(machine: Machine, outcome: Outcome, asked: list[tuple[str, bool]]) -> None:
    """Hold the stages in the chain against what the boards had said is done, in order."""
    store = SqliteStore(machine.data)
    chain = [e.data["stage"] for e in store.events() if e.kind == "stage_started"]
    store.close()
    outcome.stages_done = sum(done for _, done in asked)
    left = iter(chain)
    if not all(stage in left for stage, done in asked if done):
        outcome.faults.append("a stage that was set is not in the chain")
    if len(chain) > len(asked):
        outcome.faults.append(f"{len(chain)} stages in the chain, {len(asked)} were asked for")


def report(outcome: Outcome) -> str:
    """Return all of it as lines."""
    return (
        f"{outcome.trial.rounds} power cuts; {outcome.published} numbered readings published, "
        f"{outcome.acknowledged} acknowledged, {outcome.stored} stored once; lost "
        f"{len(outcome.lost)} {outcome.lost[:10]}"
        + (
            f" (acknowledged at most {outcome.lost_before_cut_s:.3f} s before a cut)"
            if outcome.lost
            else ""
        )
        + f", doubled rows {outcome.doubled}; {outcome.archived} readings in the archive at the "
        f"end, {outcome.cut_in_move} cuts in the middle of a move, {outcome.copies_torn} with a "
        f"torn copy of the chain; {outcome.stages_done} stages set at the boards, all in the "
        f"chain; faults: {outcome.faults or 'none'}; {outcome.seconds:.0f} s: "
        f"{'PASS' if outcome.ok else 'FAIL'}"
    )


def main() -> int:
    """Run it and print the report; return 0 when all is as promised."""
    rounds = int(sys.argv[1]) if sys.argv[1:] else 100
    per_s = float(sys.argv[2]) if sys.argv[2:] else 150.0
    good = True
    for name, trial in (
        ("all cut, plain nodes", Trial(rounds, per_s, careful=False, round_s=LONG_ROUND_S)),
        ("all cut, careful nodes", Trial(rounds, per_s)),
        ("broker spared, plain nodes", Trial(rounds, per_s, spare_broker=True, careful=False)),
    ):
        with tempfile.TemporaryDirectory(prefix="envmon-power-") as folder:
            outcome = run(Path(folder), trial)
        print(f"{name}: {report(outcome)}", flush=True)
        good = good and outcome.ok
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
