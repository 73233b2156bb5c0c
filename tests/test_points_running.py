"""A topic claimed while ``envmon run`` watches: it counts within seconds, no message is lost."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from typing import TYPE_CHECKING

from envmon.store.sqlite import SqliteStore
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto, wait_until
from tests.points_support import shop_file

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


class Run:
    """``envmon run`` over a real broker."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.file, self.folder, self.broker = shop_file(folder, broker.port), folder, broker
        text = self.file.read_text(encoding="utf-8")
        text = text.replace("[broker]", f"boards_port = {free_port()}\n\n[broker]")
        self.file.write_text(text, encoding="utf-8")
        argv = [sys.executable, "-m", "envmon.cli", "run", str(self.file)]
        with (folder / "said").open("w") as said:
            self.process = subprocess.Popen(argv, stderr=said)

    def said(self) -> str:
        return (self.folder / "said").read_text(encoding="utf-8")

    def claim(self, *words: str) -> subprocess.CompletedProcess[str]:
        argv = [sys.executable, "-m", "envmon.cli", "claim", str(self.file), *words]
        return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)

    def values(self, point: str) -> list[float]:
        store = SqliteStore(self.folder / "data")
        try:
            number = store.series().get((point, "panel_temp_c"))
            rows = store.run("SELECT value FROM reading WHERE series_id = ?", (number,))
            return [row[0] for row in rows]
        finally:
            store.close()

    def stop(self) -> int:
        self.process.terminate()
        return self.process.wait(60)


def test_a_claim_counts_in_the_running_shop_and_no_message_is_lost(tmp_path: Path) -> None:
    """Between claim and new start the old point's messages wait at the broker: none is lost."""
    with Mosquitto(tmp_path) as broker:
        run = Run(tmp_path, broker)
        try:
            wait_until(lambda: "look at" in run.said(), "the shop")
            broker.publish("fjord/hall/panel", "9.5", "-r")
            done = run.claim("fjord/hall/panel", "--bay", "north", "--as", "panel_temp_c=")
            assert done.returncode == 0, done.stderr
            assert "takes it in within seconds" in done.stdout
            pack = json.dumps([{"n": "temp", "u": "Cel", "v": 21, "t": time.time()}])
            broker.publish("fjord/north/air", pack)
            wait_until(lambda: run.said().count("watching") == 2, "the watch, anew")
            wait_until(
                lambda: 10.5 in run.values("north-panel"),
                "the claimed reading",
                meanwhile=lambda: broker.publish("fjord/hall/panel", "10.5"),
            )
            store = SqliteStore(tmp_path / "data")
            assert ("north-air", "air_temp_c") in store.series()
            store.close()
        finally:
            code = run.stop()
        assert code == 0
        assert "is taken in" in run.said()
