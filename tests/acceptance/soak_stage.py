"""The stage of the soak: three networks, a broker, the shop's computer, the nodes.

The broker stands in a network namespace of its own, the nodes in another, the shop's computer in
that of the machine; a cable (a veth pair) joins each of them to the broker. A cut takes the
broker's end down: what is sent vanishes without a word, as with a pulled cable. Needs root and
iproute2.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tests.acceptance.soak_broker import BrokerFiles
from tests.acceptance.soak_person import let_in
from tests.acceptance.soak_story import STALE_REAL_S
from tests.acceptance.soak_text import shop_text
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import MOSQUITTO, wait_until

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

ROOT = Path(__file__).resolve().parent.parent.parent
HERE = Path(__file__).resolve().parent
PACKAGES = [str(ROOT), str(ROOT / "dashboards"), str(ROOT / "sensors")]
SILENCE_S = 5
MODULES = {
    "watch": "envmon.service.watch_process",
    "keeper": "envmon.service.keeping.keeper_process",
    "notice": "envmon.service.notice.process",
    "outlook": "envmon.service.outlook.process",
    "boards": "envmon_boards",
}
# A scaled clock goes by time.time_ns; a step of the machine's clock is an offset to it that all
# processes of the shop's computer see at once. Nobody may set the clock of the machine itself.
SHIM = """
import mmap, os, struct, time
_map = mmap.mmap(os.open(os.environ["SOAK_CLOCK"], os.O_RDONLY), 8, access=mmap.ACCESS_READ)
_real = time.time_ns
def _ns():
    return _real() + struct.unpack_from("=q", _map)[0]
time.time_ns = _ns
time.time = lambda: _ns() / 1e9
"""


def ip(*argv: str) -> None:
    """Run ``ip``, which must succeed."""
    subprocess.run(["ip", *argv], check=True, capture_output=True, text=True)


def may_cut() -> str:
    """Return why this machine permits no network namespaces; empty when it does."""
    name = f"soakt{os.getpid()}"
    try:
        ip("netns", "add", name)
        try:
            ip("-n", name, "link", "add", "ta", "type", "veth", "peer", "name", "tb")
        finally:
            ip("netns", "del", name)
    except (OSError, subprocess.CalledProcessError) as error:
        return f"network namespaces are not permitted here: {getattr(error, 'stderr', error)}"
    return "" if MOSQUITTO else "mosquitto is not installed"


class Stage:
    """All that runs, and the hands that cut, kill and step.

    Args:
        folder: Empty folder for everything.
        speed: Clock seconds a real second.
        sink_port: Where messages to people go on loopback.
    """

    def __init__(self, folder: Path, speed: float, sink_port: int) -> None:
        self.folder, self.data, self.speed = folder, folder / "data", speed
        self.boards_port = free_port()
        mark = os.getpid()
        # Two soaks on one machine keep out of each other's way.
        self._prefix = f"10.{192 + mark // 256 % 64}.{mark % 256}"
        self._net, self._node_net = f"soakb{mark}", f"soakn{mark}"
        self._cables = {"shop": f"sb{mark}", "nodes": f"sn{mark}"}
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.supervisor_starts = 0
        self._write_files(sink_port)

    def _write_files(self, sink_port: int) -> None:
        def text_of(broker: dict[str, str]) -> str:
            return shop_text(
                stale_s=round(STALE_REAL_S * self.speed), silence_s=SILENCE_S,
                boards=self.boards_port, data=str(self.data), broker=broker,
            )  # fmt: skip

        self.broker_files = BrokerFiles(
            self.folder / "shop", f"{self._prefix}.2", f"{self._prefix}.6"
        )
        (self.folder / "shop").mkdir()
        self.shop_path = self.broker_files.make(text_of, self.folder)
        let_in(self.shop_path)
        shim = self.folder / "shim"
        shim.mkdir()
        (shim / "sitecustomize.py").write_text(SHIM, encoding="utf-8")
        (self.folder / "clock").write_bytes(struct.pack("=q", 0))
        self._env = {
            **os.environ,
            "PYTHONPATH": ":".join([str(shim), *PACKAGES]),
            "SOAK_CLOCK": str(self.folder / "clock"),
            "ENVMON_CHANNEL_OLA_PHONE": f"json://127.0.0.1:{sink_port}/",
        }

    def build(self) -> None:
        """Make the networks."""
        for net in (self._net, self._node_net):
            ip("netns", "add", net)
            ip("-n", net, "link", "set", "lo", "up")
        for name, far, first in (("shop", None, 1), ("nodes", self._node_net, 5)):
            cable = self._cables[name]
            ip("link", "add", cable, "type", "veth", "peer", "name", f"{cable}b")
            ip("link", "set", f"{cable}b", "netns", self._net)
            ip("-n", self._net, "addr", "add", f"{self._prefix}.{first + 1}/30", "dev", f"{cable}b")
            ip("-n", self._net, "link", "set", f"{cable}b", "up")
            where = ["-n", far] if far else []
            if far:
                ip("link", "set", cable, "netns", far)
            ip(*where, "addr", "add", f"{self._prefix}.{first}/30", "dev", cable)
            ip(*where, "link", "set", cable, "up")

    def cut(self, cable: str, *, up: bool) -> None:
        """Pull a cable, ``shop`` or ``nodes``, or put it back."""
        ip("-n", self._net, "link", "set", f"{self._cables[cable]}b", "up" if up else "down")

    def step_clock(self, real_s: float) -> None:
        """Let the clock of the shop's computer be off by so many real seconds."""
        with (self.folder / "clock").open("r+b") as handle:
            handle.write(struct.pack("=q", round(real_s * 1e9)))

    def start_broker(self) -> None:
        """Start the broker with what it kept."""
        argv = ["ip", "netns", "exec", self._net, str(MOSQUITTO), "-c"]
        self._start("broker", [*argv, str(self.broker_files.config)])

    def start_shop(self, real_start_us: int, begin_us: int) -> None:
        """Start the shop's computer as a service manager does."""
        clock = f"{real_start_us}:{begin_us}:{self.speed!r}"
        argv = [sys.executable, str(HERE / "soak_shop.py")]
        self._start("supervisor", [*argv, str(self.shop_path), str(self.data), clock])
        self.supervisor_starts += 1

    def start_nodes(self, real_start_us: int, first_us: int, seed: int, days: float) -> None:
        """Start the nodes in their network."""
        argv = ["ip", "netns", "exec", self._node_net, sys.executable, str(HERE / "soak_nodes.py")]
        asked = [f"{self._prefix}.6", seed, self.speed, days, real_start_us, first_us]
        files = [self.folder / "truth.csv", self.broker_files.authority, self.broker_files.nodes]
        self._start("nodes", [*argv, *map(str, [*asked, *files])])

    def _start(self, name: str, argv: list[str]) -> None:
        # Only the clock of the shop's computer is set wrong; nodes and broker have their own.
        own = name == "supervisor"
        env = self._env if own else {**self._env, "PYTHONPATH": ":".join(PACKAGES)}
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = subprocess.Popen(argv, stdout=log, stderr=log, cwd=ROOT, env=env)

    def pids(self) -> dict[str, int]:
        """Return the processes that run now, by name."""
        found = {
            name: process.pid for name, process in self.processes.items() if process.poll() is None
        }
        for pid in children_of_pid(found.get("supervisor", 0)):
            line = command_line(pid)
            found |= {name: pid for name, module in MODULES.items() if module in line}
        return found

    def kill(self, name: str) -> bool:
        """Send SIGKILL; return whether there was something to kill."""
        pid = self.pids().get(name)
        if pid is None:
            return False
        others = children_of_pid(pid) if name == "supervisor" else []
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        if name in self.processes:
            self.processes.pop(name).wait()
        wait_until(lambda: not command_line(pid), f"{name} to be gone", 10)
        # A service manager leaves nothing of a service behind before it starts it anew.
        wait_until(lambda: not any(map(command_line, others)), "the rest of the shop to end", 40)
        return True

    def stop(self, name: str) -> int:
        """Let a process end as it should."""
        process = self.processes.pop(name)
        process.terminate()
        return process.wait(60)

    def __enter__(self) -> Self:
        self.build()
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        for process in self.processes.values():
            process.terminate()
        until = time.monotonic() + 20
        for process in self.processes.values():
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(max(0.1, until - time.monotonic()))
            process.kill()
            process.wait()
        for net in (self._net, self._node_net):
            subprocess.run(["ip", "netns", "del", net], check=False, capture_output=True)


def children_of_pid(pid: int) -> list[int]:
    """Return the children of a process."""
    found: list[int] = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            found += map(int, path.read_text(encoding="ascii").split())
    return found


def command_line(pid: int) -> str:
    """Return what a process was started with; empty when it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


def rss_kb(pid: int) -> int:
    """Return the memory a process holds now [kB]; 0 when it is gone."""
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0
    found = re.search(r"VmRSS:\s+(\d+) kB", text)
    return int(found[1]) if found else 0
