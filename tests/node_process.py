"""A node as a process of its own, with a device on a pseudo-terminal that answers when asked."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
import tty
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from envmon.intake.link import BrokerLink
from tests.link_support import wait_up
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.intake.link import Account

TOPIC = "shop/hall"
SENSOR = f"{TOPIC}/count"


class CountingDevice:
    """Answers each question with the next number, so that a reading that is lost leaves a gap."""

    def __init__(self) -> None:
        self._end, far = os.openpty()
        tty.setraw(self._end)
        tty.setraw(far)
        self._far, self.port = far, os.ttyname(far)
        self.answered = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work)

    def _work(self) -> None:
        while not self._stop.is_set():
            ready, _, _ = select.select([self._end], [], [], 0.1)
            if ready:
                for _ in range(os.read(self._end, 100).count(b"?")):
                    self.answered += 1
                    os.write(self._end, f"N={self.answered}\n".encode())

    def wait_for(self, more: int) -> None:
        """Return when it has answered so many times more."""
        before = self.answered
        wait_until(lambda: self.answered >= before + more, f"{more} readings")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._end)
        os.close(self._far)


class Heard(NamedTuple):
    """A number of the device and the time it was measured [s]."""

    number: int
    at_s: float


class Listener:
    """Hears all of the node's topics, in a session that the broker keeps while it is away."""

    def __init__(self, port: int, account: Account | None = None) -> None:
        more = {} if account is None else {"account": account}
        self._link = BrokerLink("127.0.0.1", port, "listener", [f"{TOPIC}/#"], **more)  # type: ignore[arg-type]
        wait_up(self._link)
        self.messages: list[tuple[str, bytes]] = []

    def take(self) -> None:
        messages = self._link.take(0.05)
        self.messages += [(message.topic, message.payload) for message in messages]
        self._link.acknowledge(messages)

    def newest(self, topic: str) -> bytes | None:
        found = [payload for heard, payload in self.messages if heard == topic]
        return found[-1] if found else None

    def heard(self) -> list[Heard]:
        """Return what the device counted, as it came."""
        packs = [json.loads(payload) for topic, payload in self.messages if topic == SENSOR]
        return [Heard(round(record["v"]), record["bt"]) for (record,) in packs]

    def wait(self, condition: Any, what: str, timeout_s: float = 60.0) -> None:
        wait_until(condition, what, timeout_s, meanwhile=self.take)

    def close(self) -> None:
        self._link.close()


class NodeProcess:
    """A node that can be ended gently or with kill -9, and started again."""

    def __init__(self, folder: Path, port: int, device: CountingDevice, broker: str = "") -> None:
        self.file = folder / "node.toml"
        self.file.write_text(
            f'[node]\ntopic = "{TOPIC}"\nevery = "0.1 s"\nclock = "trusted"\n'
            f"[broker]\nport = {port}\n{broker}\n"
            f'[[sensor]]\nkind = "serial"\nname = "count"\nport = "{device.port}"\n'
            'pattern = \'N=(?P<solids>\\d+)\'\nunits = { solids = "ppm" }\nask = "?"\n',
            encoding="utf-8",
        )
        self._log = folder / "node.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, **environment: str) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "envmon_node", str(self.file)],
                stderr=log,
                env={**os.environ, **environment},
            )

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        status = self.process.wait(30)
        self.process = None
        return status

    @property
    def said(self) -> str:
        return self._log.read_text(encoding="utf-8") if self._log.exists() else ""

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                self.process.kill()
            self.process.wait(30)
