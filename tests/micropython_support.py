"""The node for microcontrollers under MicroPython's Unix port, on a board of which a test has all.

Its own code runs as on a board, from ``main.py``; the hardware, Wi-Fi, the time server and the
board's clock are those of ``tests/micropython_board``, the broker and the sockets are real.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import pytest

from envmon.intake.link import Account, BrokerLink
from tests.link_support import wait_up
from tests.mosquitto_support import NEEDS_MOSQUITTO, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[1]
CODE = ROOT / "sensors/micropython"
FAKES = ROOT / "tests/micropython_board"
_OURS = ROOT / ".venv/micropython/bin/micropython"
MICROPYTHON = str(_OURS) if _OURS.exists() else shutil.which("micropython")
NEEDS_MICROPYTHON = [
    *NEEDS_MOSQUITTO,
    pytest.mark.skipif(
        MICROPYTHON is None, reason="MicroPython is not here; `bash .ci/micropython` brings it"
    ),
]
TOPIC = "shop/hall"
AIR, STATUS, HEALTH = f"{TOPIC}/air", f"{TOPIC}/status", f"{TOPIC}/node"
HEAP = "160k"
"""All the memory it gets. Objects take twice the bytes here that they take on 32 bits."""
SLEPT = 77


class Heard(NamedTuple):
    """Number of a measurement, and the time it was measured [s]."""

    number: int
    at_s: float


def measured(payload: bytes) -> list[Heard]:
    """Return what a pack of the counting sensor says."""
    found, base_s = [], 0.0
    for record in json.loads(payload):
        base_s = record.get("bt", base_s)
        if record["n"] == "temp":
            # The sensor's n-th word is 8 n; data sheet of the SHT3x-DIS, conversion of signals.
            number = round((record["v"] + 45) / 175 * 65535 / 8)
            found.append(Heard(number, round(base_s + record.get("t", 0.0), 3)))
    return found


class Listener:
    """Hears all the node says, in a session that the broker keeps while it is away."""

    def __init__(self, port: int, account: Account | None = None) -> None:
        self._link = BrokerLink(
            "127.0.0.1", port, "listener", [f"{TOPIC}/#"], account=account or Account()
        )
        wait_up(self._link)
        self.messages: list[tuple[str, bytes]] = []

    def take(self) -> None:
        """Take what has come."""
        messages = self._link.take(0.05)
        self.messages += [(message.topic, message.payload) for message in messages]
        self._link.acknowledge(messages)

    def wait(self, condition: Callable[[], object], what: str, timeout_s: float = 60.0) -> None:
        """Listen until something holds."""
        wait_until(condition, what, timeout_s, meanwhile=self.take)

    def newest(self, topic: str) -> bytes:
        """Return the newest message of a topic, nothing where there is none."""
        found = [payload for heard, payload in self.messages if heard == topic]
        return found[-1] if found else b""

    def health(self) -> dict[str, Any]:
        """Return what the node said last of how things stand."""
        said: dict[str, Any] = json.loads(self.newest(HEALTH) or b'{"troubles": {}}')
        return said

    def heard(self) -> list[Heard]:
        """Return all measurements as they came; what came twice with the same time, once."""
        packs = [payload for topic, payload in self.messages if topic == AIR]
        return list(dict.fromkeys(one for pack in packs for one in measured(pack)))

    def numbers(self) -> list[int]:
        """Return the numbers as they came; fail where order or times are not right."""
        heard = self.heard()
        assert [one.number for one in heard] == sorted({one.number for one in heard})
        assert [one.at_s for one in heard] == sorted(one.at_s for one in heard)
        return [one.number for one in heard]

    def close(self) -> None:
        """End."""
        self._link.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Board:
    """A board in a folder.

    Args:
        folder: What is its flash.
        port: Port of the broker.
        speed: How much faster than ours its time passes.
        more: Settings other than usual; in ``broker``, what is to be added to it.
    """

    def __init__(self, folder: Path, port: int, speed: int = 5, **more: Any) -> None:
        self.folder = folder / "board"
        self.folder.mkdir()
        broker = {
            "host": "127.0.0.1",
            "port": port,
            "username": "hall",
            "password": "secret of hall",
            "plain": True,
            **more.pop("broker", {}),
        }
        self.write_settings(
            topic=TOPIC,
            every=more.pop("every", 1),
            time_host="localhost",
            wifi={"name": "shop", "password": "a secret"},
            broker=broker,
            battery={"pin": 35},
            **more,
        )
        self.power_on_ns = time.time_ns()
        self.set(speed=speed, power_on_ns=self.power_on_ns, asleep_ms=0, known=False, first_ticks=0)
        self._log = folder / "console.log"
        self.process: subprocess.Popen[bytes] | None = None

    def write_settings(self, **settings: Any) -> None:
        """Write the settings file."""
        text = json.dumps(settings)
        (self.folder / "node_settings.json").write_text(text, encoding="utf-8")

    def set(self, **values: Any) -> None:
        """Set what the board's clock goes by, from the next start on."""
        file = self.folder / "board.json"
        before = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
        file.write_text(json.dumps({**before, **values}), encoding="utf-8")

    def say(self, name: str, text: str = "") -> None:
        """Put a file into the folder: ``sensor``, ``battery``, ``no_wifi``, ``no_time``."""
        (self.folder / name).write_text(text, encoding="utf-8")

    def take_away(self, name: str) -> None:
        """Take such a file away."""
        (self.folder / name).unlink()

    @property
    def measured(self) -> int:
        """How often the sensor was read."""
        file = self.folder / "count"
        return int(file.read_text("ascii")) if file.exists() else 0

    def wait_for(self, more: int) -> None:
        """Return when the sensor was read so many times more."""
        before = self.measured
        wait_until(lambda: self.measured >= before + more, f"{more} measurements")

    def start(self) -> None:
        """Switch it on."""
        assert MICROPYTHON is not None
        path = f"{FAKES}:{CODE}:.frozen"
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [MICROPYTHON, "-X", f"heapsize={HEAP}", str(CODE / "main.py")],
                stdout=log,
                stderr=log,
                cwd=self.folder,
                env={**os.environ, "MICROPYPATH": path},
            )

    def cut_power(self) -> None:
        """End it without a word; its clock is no longer set, and its memory is gone."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(30)
        self.process = None
        (self.folder / "rtc.bin").unlink(missing_ok=True)

    def ended(self) -> int:
        """Wait until it ends by itself, and return its status."""
        assert self.process is not None
        return self.process.wait(60)

    @property
    def said(self) -> str:
        """What stands on the serial console."""
        return self._log.read_text(encoding="utf-8") if self._log.exists() else ""

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                self.process.kill()
            self.process.wait(30)
