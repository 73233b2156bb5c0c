"""A scripted person at the bench board: everything it does, it does on the screen.

The time it goes by is the shop's clock as the boards tell it, as from a clock on the wall.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from tests.benchmarks.broker_trials import free_port
from tests.boards_support import PATIENCE_MS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Page

ALASKA = ZoneInfo("America/Anchorage")
START_S = 120.0
NEXT = '[data-part="next"] button.next:not([aria-disabled="true"], [data-result="high_spot"])'
PHASE_AFTER = {
    "apply": "flashing due overdue", "level": "levelled", "wipe": "wiped", "inspect": "done",
}  # fmt: skip
"""Act on a panel -> phases it may show then."""


@dataclass
class HandDemo:
    """A running demo in which nobody works but the test.

    Attributes:
        process: The demo.
        url: Its boards.
        folder: Its data.
    """

    process: subprocess.Popen[bytes]
    url: str
    folder: Path

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(self.url + path, timeout=30) as answer:
            return json.load(answer)

    def post(self, path: str, body: dict[str, Any]) -> tuple[int, Any]:
        """Return status and document of a request, as a script of another device sends it."""
        request = urllib.request.Request(
            self.url + path,
            json.dumps(body).encode(),
            {"Content-Type": "application/json", "Origin": self.url},
        )
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            return error.code, json.load(error)

    def clock(self) -> str:
        """Return the shop's time of day, such as ``08:43``."""
        at = self.get("/api/v1/bays/south")["at"]
        return f"{datetime.fromisoformat(at).astimezone(ALASKA):%H:%M}"

    def wait_for(self, what: str, seconds: float, true: Callable[[], Any]) -> Any:
        """Look until something is so, and return it; the demo must go on meanwhile."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            assert self.process.poll() is None, "the demo has ended"
            try:
                found = true()
            except (urllib.error.URLError, ConnectionError, TimeoutError, KeyError):
                found = None
            if found:
                return found
            time.sleep(0.05)
        log = (self.folder.parent / "demo.txt").read_text("utf-8")
        raise AssertionError(f"not within {seconds} s: {what}; the demo said:\n{log[-2_000:]}")

    def wait_until_clock(self, clock: str, seconds: float = 180.0) -> None:
        self.wait_for(f"{clock} on the shop's clock", seconds, lambda: self.clock() >= clock)

    @property
    def shop_file(self) -> Path:
        return self.folder / "demo_shop.toml"


def envmon(*argv: object) -> subprocess.CompletedProcess[str]:
    """Run an envmon command and return what it said."""
    return subprocess.run(
        [sys.executable, "-m", "envmon.cli", *map(str, argv)],
        check=False, capture_output=True, text=True, timeout=120,
    )  # fmt: skip


@contextmanager
def hand_demo(folder: Path, begin: str, speed: float) -> Iterator[HandDemo]:
    """Run ``envmon demo --by-hand`` from a time of the scripted day."""
    port = free_port()
    argv = ["demo", "--speed", str(speed), "--from", begin, "--by-hand", "--port", str(port)]
    said = folder.parent / "demo.txt"
    with said.open("wb") as words:
        process = subprocess.Popen(
            [sys.executable, "-m", "envmon.cli", *argv, "--data", str(folder)],
            stderr=words,
        )  # fmt: skip
    demo = HandDemo(process, f"http://127.0.0.1:{port}", folder)
    try:
        demo.wait_for("the boards", START_S, demo.clock)
        yield demo
    finally:
        process.terminate()
        process.wait(timeout=60)


class BenchHand:
    """A person with one thumb on the bench page of a bay."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def wait(self, selector: str) -> None:
        self.page.wait_for_selector(selector, state="attached", timeout=PATIENCE_MS)

    def press(self, selector: str) -> None:
        """Press a button once it takes presses."""
        free = f'{selector}:not([aria-disabled="true"])'
        self.page.locator(free).first.click(timeout=PATIENCE_MS)

    def open_job(self, procedure: str, body: str, reference: str, batch: tuple[str, str]) -> str:
        """Open a job and return its id."""
        form = ".open-form"
        self.press(f'{form} [data-what="procedure"][data-value="{procedure}"]')
        self.press(f'{form} [data-what="body"][data-value="{body}"]')
        self.page.fill(f'{form} input[name="batch {batch[0]}"]', batch[1])
        self.page.fill(f'{form} input[name="reference"]', reference)
        self.press(f'{form} [data-act="open"]')
        self.wait("[data-row-step]")
        words = self.page.inner_text('[data-f="job"]')
        return words.split()[1]

    def status(self, step: int, status: str) -> None:
        self.wait(f'[data-row-step="{step}"][data-status="{status}"]')

    def start(self, step: int, reason: str) -> list[str]:
        """Start a step; where something stands against it, read it and type a reason.

        Returns:
            What stood against it.
        """
        active = f'[data-row-step="{step}"][data-status="active"]'
        self.press(f'[data-row-step="{step}"] [data-act="start"]')
        self.wait(f"{active}, .bench-ask")
        if self.page.locator(active).count():
            return []
        lines = self.page.locator(".bench-ask .ask-lines li").all_inner_texts()
        assert self.page.locator('[data-act="ask-yes"]').get_attribute("aria-disabled") == "true"
        self.page.fill('.bench-ask input[name="reason"]', reason)
        self.press('.bench-ask [data-act="ask-yes"]')
        self.status(step, "active")
        return lines

    def finish(self, step: int) -> None:
        self.press(f'[data-row-step="{step}"] [data-act="finish"]')
        self.status(step, "done")

    def panels(self) -> list[str]:
        """Return the ids of the panels in the order of work."""
        rows = self.page.locator("[data-row-panel]").all()
        return [str(row.get_attribute("data-row-panel")) for row in rows]

    def act_on(self, panel: str, act: str, more: str = "") -> None:
        """Press an act of a panel, and look until the panel shows that it is done."""
        self.press(f'[data-row-panel="{panel}"] [data-act="{act}"]{more}')
        self.phase(panel, *PHASE_AFTER[act].split())

    def phase(self, panel: str, *phases: str) -> None:
        """Wait until a panel is in one of some phases."""
        self.wait(", ".join(f'[data-row-panel="{panel}"][data-phase="{one}"]' for one in phases))

    def finish_panel(self, panel: str) -> None:
        """Level a panel once it is due, wipe it again and look at it."""
        self.phase(panel, "due", "overdue")
        self.act_on(panel, "level")
        self.act_on(panel, "wipe")
        self.act_on(panel, "inspect", '[data-result="clean"]')

    def follow(self) -> list[str]:
        """Press the large button for as long as it proposes something to do to a panel.

        Returns:
            The acts it proposed, in order.
        """
        done: list[str] = []
        while True:
            self.page.locator(NEXT).first.wait_for(timeout=PATIENCE_MS)
            # Read and pressed at once: a clock may change what the button proposes meanwhile.
            act, panel = self.page.evaluate(
                """([next, panelActs]) => {
                  const button = document.querySelector(next);
                  const { act, panel } = button?.dataset ?? {};
                  if (panelActs.includes(act)) button.click();
                  return [act ?? "", panel ?? ""];
                }""",
                [NEXT, list(PHASE_AFTER)],
            )
            if act in PHASE_AFTER:
                self.phase(panel, *PHASE_AFTER[act].split())
                done.append(act)
            elif act:
                return done
