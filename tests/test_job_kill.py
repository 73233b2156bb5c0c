"""Kill -9 in the middle of a coating: clocks, stages and cure stand where they were.

A real broker and a real watch process that is killed (POSIX SIGKILL) between turns, with all
written and nothing committed, and with all committed and nothing acknowledged. Afterwards its
chain, its jobs, what it publishes and what the guard remembers are those of a watch that was not.
"""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Any, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.job.events import JOB_ACT
from envmon.service.broker import LOOPBACK
from envmon.service.job.book import book_from
from envmon.store.chain import first_break
from envmon.store.sqlite import SqliteStore
from tests.guard_support import START_US
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO
DEATHS = ("between turns", "before commit", "before acknowledging")
STEP_S = 15


class Step(NamedTuple):
    """What happens in a turn: an act asked for, presses of the pedal by number, air [°C]."""

    act: dict[str, Any] | None = None
    presses: tuple[int, ...] = ()
    air_c: float = 20.0


def script() -> list[Step]:
    """Return a coating from opening to early cure: by board, by pedal, with one undo."""
    calm = [Step()]
    steps = [*calm * 3, Step({"act": "open", "procedure": "coat", "body": "trike", "by": "Ada"})]
    steps += [Step({"act": "start", "step": 2, "reason": "dry and wiped"}), *calm]
    numbers = iter(range(1, 100))
    steps += [Step(presses=(next(numbers),)), *calm * 2]  # tank applied
    steps += [Step(presses=(next(numbers),)), *calm * 8]  # seat cowl applied, tank falls due
    steps += [Step(presses=(next(numbers),)), Step({"act": "undo"})]
    steps += [Step({"act": "level", "panel": "tank", "by": "Bo"}), *calm * 2]
    steps += [Step({"act": "level", "panel": "seat-cowl"})]
    steps += [Step({"act": "apply", "panel": "fairing"})]
    steps += [*calm * 9, Step({"act": "level", "panel": "fairing"}), Step(air_c=29.0), *calm]
    steps += [Step({"act": "finish", "step": 2}), *calm * 2, Step(air_c=30.0), *calm * 4]
    return [*steps, Step({"act": "note", "text": "shiny"}), *calm]


class Run:
    """One way through the script, with or without deaths."""

    def __init__(self, folder: Path, broker: Mosquitto, deaths: random.Random | None) -> None:
        self.folder, self.broker, self.deaths = folder, broker, deaths
        self.sender = Client(CallbackAPIVersion.VERSION2)
        self.sender.connect(LOOPBACK, broker.port)
        self.sender.loop_start()
        self.died: list[str] = []
        self.child = self._start()

    def _start(self) -> subprocess.Popen[str]:
        argv = [sys.executable, "-m", "tests.job_child", str(self.folder), str(self.broker.port)]
        child = subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        assert child.stdout.readline() == "up\n"
        return child

    def _say(self, asked: dict[str, Any]) -> str:
        assert self.child.stdin is not None
        assert self.child.stdout is not None
        self.child.stdin.write(json.dumps(asked) + "\n")
        self.child.stdin.flush()
        return self.child.stdout.readline()

    def _bury(self, how: str) -> None:
        self.child.wait(15)
        assert self.child.returncode == -signal.SIGKILL
        self.child.communicate()
        self.died.append(how)
        self.child = self._start()

    def send(self, step: Step, at_s: float) -> int:
        """Send what the sensors and the pedal say; return how many messages that is."""
        at = START_US / 1e6 + at_s
        air = [{"n": "temp", "v": step.air_c, "t": at}, {"n": "rh", "v": 45.0, "t": at}]
        panel = [{"n": "temp", "v": 20.0, "t": at}]
        sent: list[tuple[str, object]] = [
            ("hall/air-a", air), ("hall/air-b", air[:1]), ("hall/panel", panel),
            *(("hall/pedal", {"button": "press", "n": number}) for number in step.presses),
        ]  # fmt: skip
        for topic, document in sent:
            self.sender.publish(topic, json.dumps(document), qos=1).wait_for_publish(15)
        return len(sent)

    def go(self, steps: list[Step]) -> dict[str, Any]:
        """Walk through the script and return all the watch knows at its end."""
        again = 0
        for place, step in enumerate(steps, 1):
            at_us = START_US + place * STEP_S * 1_000_000
            if step.act is not None:
                store = SqliteStore(self.folder)
                store.ask(JOB_ACT, "one", step.act, at_us)
                store.close()
            count = self.send(step, place * STEP_S) + again
            asked = {"at_us": at_us, "messages": count, "dies": ""}
            again = 0
            last = place == len(steps)
            dies = self.deaths.choice([*[""] * 4, *DEATHS]) if self.deaths and not last else ""
            if not self._say({**asked, "dies": dies}) or dies == "between turns":
                if dies == "between turns":
                    self.child.kill()
                self._bury(dies)
                if dies == "before commit":  # the broker sends all of it again
                    assert self._say(asked)
                again = count if dies == "before acknowledging" else 0
        known: dict[str, Any] = json.loads(self._say({}))
        return known

    def end(self) -> None:
        self.child.kill()
        self.child.communicate()
        self.sender.disconnect()
        self.sender.loop_stop()


def lived(folder: Path, deaths: random.Random | None) -> tuple[Run, dict[str, Any]]:
    folder.mkdir()
    with Mosquitto(folder) as broker, Ear(broker.port, "envmon/one/job") as ear:
        run = Run(folder / "data", broker, deaths)
        try:
            known = run.go(script())
        finally:
            run.end()
        assert ear.newest("envmon/one/job")
    return run, known


def test_a_coating_killed_again_and_again_is_the_coating_that_was_not(tmp_path: Path) -> None:
    alive, expected = lived(tmp_path / "alive", None)
    run, known = lived(tmp_path / "killed", random.Random(5))
    assert set(run.died) == set(DEATHS)
    stores = [SqliteStore(each.folder) for each in (alive, run)]
    true, found = (list(store.events()) for store in stores)
    assert found == true
    assert first_break(iter(found)) is None
    book = book_from(stores[1])
    assert book == book_from(stores[0])
    for store in stores:
        store.close()
    job = book.jobs["260127-1"]
    assert job.cure is not None
    assert [step.status for step in job.steps[2:4]] == ["done", "active"]
    assert len(job.cure.breaks) == 2
    assert known["bench"] == expected["bench"]
    assert json.loads(known["guard"]) == json.loads(expected["guard"])
