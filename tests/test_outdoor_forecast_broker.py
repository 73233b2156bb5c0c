"""A forecast from a real broker through the watch to what the outlook says, end to end.

Source of the message: RFC 8428, section 4.5.3: times below 2**28 s count from now.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import closing
from typing import TYPE_CHECKING

from envmon.clock import ScaledClock
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until
from tests.outlook_live_support import TEXT, fill
from tests.test_outlook_process import heard

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.service.outlook.live import OutlookState

pytestmark = NEEDS_MOSQUITTO
SPEED = 10.0
LONG_S = 120.0
POINT = """
[[point]]
id = "weather"
topic = "shop/weather"
reads = { outdoor_forecast_c = { name = "t" } }
"""


def pack(*temps_c: float | str, every_h: float = 1.0) -> str:
    """Return a forecast that begins with now."""
    return json.dumps(
        [{"n": "t", "u": "Cel", "v": c, "t": h * every_h * 3600} for h, c in enumerate(temps_c)]
    )


def kept(folder: Path) -> tuple[list[float], int, int]:
    """Return what is foretold, how many readings there are of it, and how much was refused."""
    with closing(SqliteStore(folder)) as store:
        of_it = [name for name in store.series() if name[1] == "outdoor_forecast_c"]
        return [one.temp_c for one in store.foretold()], len(of_it), store.reject_total()


def test_from_the_broker_to_the_words(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        path = tmp_path / "shop.toml"
        path.write_text(TEXT.replace("port = 1883", f"port = {broker.port}") + POINT, "utf-8")
        fill(tmp_path, 8, NOW_US)
        clock = ScaledClock(time.time_ns() // 1_000, NOW_US, SPEED).as_text()
        running = [
            subprocess.Popen(
                [sys.executable, "-m", f"envmon.service.{name}", str(path), "--data",
                 str(tmp_path), "--clock", clock]
            )
            for name in ("watch_process", "outlook.process")
        ]  # fmt: skip
        air = json.dumps([{"n": n, "v": v} for n, v in (("t", 20.0), ("h", 52.0), ("p", 17.5))])

        def said(ear: Ear) -> OutlookState | None:
            broker.publish("shop/north/all", air)
            state = heard(ear)
            return state if state is not None and state.outdoor is not None else None

        def by(ear: Ear) -> str:
            state = said(ear)
            assert state is None or state.outdoor is not None
            return state.outdoor.by if state and state.outdoor else ""

        try:
            with Ear(broker.port, "envmon/+/outlook") as ear:
                wait_until(lambda: by(ear) == "guess", "an outlook without a forecast", LONG_S)
                broker.publish("shop/weather", pack(*(-4.0 - h for h in range(25))))
                wait_until(lambda: by(ear) == "forecast", "one by the forecast", LONG_S)
                state = said(ear)
                assert state is not None
                assert state.outdoor is not None
                assert state.outdoor.text.startswith("outdoors by the forecast of just now")
                assert kept(tmp_path) == ([-4.0 - h for h in range(25)], 0, 0)
                # A later one, every three hours and kept by the broker, takes its place.
                broker.publish("shop/weather", pack(*range(9), every_h=3))
                wait_until(lambda: 8.0 in kept(tmp_path)[0], "the later one", LONG_S)
                told = kept(tmp_path)[0]
                assert [c for c in told if c > -4.0] == list(range(9))
                assert len([c for c in told if c <= -4.0]) <= 1, "only what lay before its span"
                broker.publish("shop/weather", pack(1.0, "mild"))
                wait_until(lambda: kept(tmp_path)[2] == 1, "the refusal", LONG_S)
                assert kept(tmp_path)[0] == told
        finally:
            for process in running:
                process.kill()
                process.wait(20)
