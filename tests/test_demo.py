"""The demo end to end: a stranger sees a wash, a coating window, a pulled sensor; and it ends."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest

from tests.benchmarks.broker_trials import free_port

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.broker, pytest.mark.long]
SPEED, HOURS = 120, 2.5
"""Two and a half hours of the simulated day in 75 real seconds: a busy machine keeps up."""
PATIENCE_S = 120


@dataclass
class Demo:
    """A running demo and its address."""

    process: subprocess.Popen[str]
    url: str

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(self.url + path, timeout=30) as answer:
            return json.load(answer)

    def post(self, path: str, body: dict[str, Any]) -> Any:
        request = urllib.request.Request(
            self.url + path,
            json.dumps(body).encode(),
            {"Content-Type": "application/json", "Origin": self.url},
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def until(self, what: str, seconds: float, true: Callable[[dict[str, Any]], bool]) -> None:
        """Look at the bays until something is true of them."""
        deadline = time.monotonic() + seconds
        seen: Any = None
        while time.monotonic() < deadline:
            try:
                seen = self.get("/api/v1/bays")["bays"]
                if true(seen):
                    return
            except (urllib.error.URLError, ConnectionError, TimeoutError, KeyError):
                seen = "no answer"
            assert self.process.poll() is None, "the demo has ended"
            time.sleep(0.05)
        pytest.fail(f"not within {seconds} s: {what}; last seen {str(seen)[:600]}")


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Demo]:
    port = free_port()
    argv = ["-m", "envmon.cli", "demo", "--speed", str(SPEED), "--hours", str(HOURS)]
    process = subprocess.Popen(
        [sys.executable, *argv, "--port", str(port), "--data", str(tmp_path / "demo")],
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    yield Demo(process, f"http://127.0.0.1:{port}")
    process.terminate()
    process.communicate(timeout=60)


def coating(state: dict[str, Any]) -> str:
    fitness: str = next(s["fitness"] for s in state["stages"] if s["id"] == "coating")
    return fitness


def value(state: dict[str, Any], quantity: str) -> float:
    found = state["conditions"][quantity]["value"]
    return -999.0 if found is None else float(found)


def rel_hum_says_no(state: dict[str, Any]) -> bool:
    stage = next(s for s in state["stages"] if s["id"] == "coating")
    return any(
        r["quantity"] == "rel_hum_pct" and r["fitness"] == "unfit" and r["value"] > r["high"] - 2
        for r in stage["reasons"]
    )


def test_first_light(demo: Demo) -> None:
    demo.until("two living bays", PATIENCE_S, lambda bays: all(
        value(bays[b], "air_temp_c") > 0 and value(bays[b], "rel_hum_pct") > 0
        for b in ("north", "south")
    ))  # fmt: skip
    assert demo.get("/healthz")["ok"] is True

    demo.until("the north bay is coating and fit", PATIENCE_S, lambda bays: (
        bays["north"]["stage"] == "coating" and coating(bays["north"]) == "fit"
    ))  # fmt: skip
    demo.until("a wash next door makes the coating unfit, with an alarm", PATIENCE_S, lambda bays: (
        value(bays["south"], "rel_hum_pct") > 75
        and coating(bays["north"]) == "unfit" and rel_hum_says_no(bays["north"])
        and any(a["what"] == "window" for a in bays["north"]["alarms"])
    ))  # fmt: skip
    demo.until("coating comes back", PATIENCE_S,
               lambda bays: coating(bays["north"]) in {"fit", "marginal"})  # fmt: skip
    demo.post("/api/v1/alarms/north-window/acknowledge", {"by": "Ada"})
    demo.until("its alarm is acknowledged, or over", PATIENCE_S, lambda bays: all(
        a["life"] == "ACKED" for a in bays["north"]["alarms"] if a["what"] == "window"
    ))  # fmt: skip

    demo.post("/api/v1/demo", {"node": "north/panel", "out": True})
    demo.until("the pulled panel sensor makes coating unknown", PATIENCE_S, lambda bays: (
        coating(bays["north"]) == "unknown"
        and bays["north"]["conditions"]["panel_temp_c"]["quality"] == "stale"
        and "no reading since" in bays["north"]["conditions"]["panel_temp_c"]["note"]
    ))  # fmt: skip
    demo.post("/api/v1/demo", {"node": "north/panel", "out": False})
    demo.until("plugged in again, coating is known", PATIENCE_S,
               lambda bays: coating(bays["north"]) in {"fit", "marginal", "unfit"})  # fmt: skip

    jobs = {job["bay"]: job["job"] for job in demo.get("/api/v1/jobs")["jobs"]}
    assert set(jobs) == {"north", "south"}
    panels = demo.get(f"/api/v1/jobs/{jobs['north']}")["panels"]
    assert any(mark["step"] == "levelled" for panel in panels for mark in panel["marks"])
    noted = demo.post("/api/v1/bays/south/acts", {"act": "note", "text": "hull is dry"})
    assert noted["job"] == jobs["south"]
    with pytest.raises(urllib.error.HTTPError) as refused:
        demo.post("/api/v1/bays/south/stage", {"stage": "decontamination"})
    assert refused.value.code == 409
    assert "/bench/south" in json.load(refused.value)["error"]

    assert demo.process.wait(timeout=120) == 0
    with pytest.raises(urllib.error.URLError):
        demo.get("/healthz")
