"""A topic claimed over HTTP while ``envmon run`` watches: it counts in seconds, and all goes on.

No message is lost; an alarm, a job and the clock of a panel stand as they stood, and the chain
tells of each once.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.error
import urllib.request
from typing import TYPE_CHECKING, Any

from envmon.guard.alarm_acts import CLEARED, RAISED
from envmon.store.chain import first_break
from envmon.store.sqlite import SqliteStore
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until
from tests.points_support import shop_file

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.facts import Event

pytestmark = NEEDS_MOSQUITTO
WORK = """
[[product]]
id = "hard_coat"
name = "Hard coat (invented)"
sheet = 2025-06-01
source = "invented"
flash = [600, 900]
flash_at = 20
[[product.limit]]
stage = "coating"
quantity = "air_temp_c"
low = 16
high = 28
on_delay = 0
[[procedure]]
id = "coat"
name = "Coat"
step = [{ stage = "coating", product = "hard_coat" }, { stage = "hand_over" }]
[[body]]
id = "trike"
name = "Trike"
panels = ["Tank", "Seat cowl"]
"""
CLAIM: dict[str, Any] = {
    "topic": "fjord/hall/panel", "bay": "north", "point": "north-panel", "format": "number",
    "takes": [{"quantity": "panel_temp_c"}],
}  # fmt: skip
STANDS = ("since", "life", "active", "priority", "stage")


class Run:
    """``envmon run`` over a real broker."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.file, self.folder, self.broker = shop_file(folder, broker.port), folder, broker
        self.url = f"http://127.0.0.1:{(port := free_port())}"
        text = self.file.read_text(encoding="utf-8")
        text = text.replace("[broker]", f"boards_port = {port}\n\n[broker]")
        self.file.write_text(text + WORK, encoding="utf-8")
        argv = [sys.executable, "-m", "envmon.cli", "run", str(self.file)]
        with (folder / "said").open("w") as said:
            self.process = subprocess.Popen(argv, stderr=said)

    def said(self) -> str:
        return (self.folder / "said").read_text(encoding="utf-8")

    def ask(self, path: str, body: object = None) -> Any:
        """Return what the boards answer; None while they do not."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json", "Origin": self.url}
        try:
            with urllib.request.urlopen(
                urllib.request.Request(self.url + path, data, headers), timeout=30
            ) as answer:
                return json.load(answer)
        except (urllib.error.URLError, ConnectionError):
            return None

    def act(self, act: str, **more: object) -> None:
        answer = self.ask("/api/v1/bays/north/acts", {"act": act, **more})
        assert answer["ok"], answer

    def air(self, celsius: float) -> None:
        pack = [{"n": "temp", "u": "Cel", "v": celsius, "t": time.time()}]
        self.broker.publish("fjord/north/air", json.dumps(pack))

    def alarms(self) -> dict[str, Any]:
        known = self.ask("/api/v1/alarms") or {"live": False, "alarms": []}
        return {one["id"]: one for one in known["alarms"]} if known["live"] else {}

    def job(self) -> Any:
        listed = self.ask("/api/v1/jobs")["jobs"]
        assert len(listed) == 1
        return self.ask(f"/api/v1/jobs/{listed[0]['job']}")

    def events(self) -> list[Event]:
        store = SqliteStore(self.folder / "data")
        try:
            return list(store.events())
        finally:
            store.close()

    def values(self, point: str, quantity: str) -> list[float]:
        store = SqliteStore(self.folder / "data")
        try:
            number = store.series().get((point, quantity))
            rows = store.run("SELECT value FROM reading WHERE series_id = ?", (number,))
            return [row[0] for row in rows]
        finally:
            store.close()

    def stop(self) -> int:
        self.process.terminate()
        return self.process.wait(60)


def begin_work(run: Run) -> tuple[Any, Any]:
    """Coat a panel in air that is too warm; return the alarm and the job."""
    run.act("open", procedure="coat", body="trike")
    run.act("start", step=0, reason="only a test")
    wait_until(lambda: "north-window" in run.alarms(), "the alarm", meanwhile=lambda: run.air(35))
    run.act("apply", panel=run.job()["panels"][0]["id"])
    return run.alarms()["north-window"], run.job()


def panel_on_screens(broker: Mosquitto) -> Any:
    """Return the panel whose clock runs, as the watch says it to every screen."""
    with Ear(broker.port, "envmon/north/job") as ear:
        wait_until(lambda: ear.newest("envmon/north/job"), "the job's state")
        state = json.loads(ear.newest("envmon/north/job") or b"")
    return state["job"]["panels"][0]


def test_a_claim_counts_in_the_running_shop_and_all_else_goes_on(tmp_path: Path) -> None:
    """Between claim and new start the old point's messages wait at the broker: none is lost."""
    with Mosquitto(tmp_path) as broker:
        run = Run(tmp_path, broker)
        try:
            wait_until(lambda: "look at" in run.said() and run.ask("/healthz"), "the shop")
            alarm, job = begin_work(run)
            clock = panel_on_screens(broker)
            assert (clock["phase"], bool(clock["level_by"])) == ("flashing", True)
            broker.publish("fjord/hall/panel", "9.5", "-r")
            shown = run.ask("/api/v1/points/claim", CLAIM)
            done = run.ask("/api/v1/points/claim", CLAIM | {"write": True, "seen": shown["seen"]})
            assert "takes it in within seconds" in done["done"]
            run.air(34.5)
            wait_until(lambda: run.said().count("watching") == 2, "the watch, anew")
            wait_until(
                lambda: 10.5 in run.values("north-panel", "panel_temp_c"),
                "the claimed reading",
                meanwhile=lambda: broker.publish("fjord/hall/panel", "10.5"),
            )
            assert 34.5 in run.values("north-air", "air_temp_c")
            wait_until(lambda: "north-window" in run.alarms(), "the alarm, still there")
            now = run.alarms()["north-window"]  # its words tell the present value
            assert [now[key] for key in STANDS] == [alarm[key] for key in STANDS]
            assert run.job() == job
            assert panel_on_screens(broker) == clock
        finally:
            code = run.stop()
        assert code == 0
        assert "is taken in" in run.said()
        events = run.events()
    assert first_break(events) is None
    told = [event.kind for event in events if event.data.get("alarm") == "north-window"]
    assert told.count(RAISED) == 1
    assert CLEARED not in told
    assert sum(event.kind == "job_opened" for event in events) == 1
