"""The same trials against each broker envmon could run; prints one table.

Run ``python tests/benchmarks/broker_choice.py [--messages N] [--path DIR ...]``, where DIR holds
the commands of a candidate installed in a virtual environment of its own. Needs Debian's
mosquitto-clients, whose C programs are the load. What a broker cannot do is written as it came
out; a candidate that is not on the machine is a row of its own.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.errors import BrokerError
from envmon.service.broker import wait_until_listening
from tests.benchmarks.broker_trials import VERSIONS, free_port, trials

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[2]
MOSQUITTO_CONF = ROOT / "fixtures" / "mosquitto" / "envmon.conf"
EMBEDDED = "envmon.service.embedded_broker"


def mosquitto_conf(folder: Path, port: int) -> Path:
    """Write the shipped configuration with folder and port replaced, and return its path."""
    text = MOSQUITTO_CONF.read_text(encoding="utf-8")
    for old, new in (
        (r"^listener 1883 .*$", f"listener {port} 127.0.0.1"),
        (r"^persistence_location .*$", f"persistence_location {folder}/"),
        (r"^pid_file .*$", f"pid_file {folder}/pid"),
        (r"^log_dest .*$", "log_dest stderr"),
    ):
        text, count = re.subn(old, new, text, flags=re.MULTILINE)
        if count != 1:
            raise ValueError(f"{old!r} stands {count} times in {MOSQUITTO_CONF.name}; 1 expected")
    file = folder / "mosquitto.conf"
    file.write_text(text + "user root\n", encoding="utf-8")  # or root's temp folder is refused
    return file


def _amqtt(exe: str, folder: Path, port: int, _port5: int) -> list[str]:
    file = folder / "amqtt.yaml"
    anonymous = "  amqtt.plugins.authentication.AnonymousAuthPlugin:\n    allow_anonymous: true\n"
    listener = f"listeners:\n  default:\n    type: tcp\n    bind: 127.0.0.1:{port}\n"
    file.write_text(f"{listener}plugins:\n{anonymous}", encoding="utf-8")
    return [exe, "-c", str(file)]


@dataclass(frozen=True)
class Candidate:
    """A broker to try: its command, licence and how to start it."""

    name: str
    executable: str
    licence: str
    argv: Callable[[str, Path, int, int], list[str]]
    own_port_for_5: bool = False


CANDIDATES = (
    Candidate(
        "embedded (iotcore, ours)",
        sys.executable,
        "MIT",
        lambda exe, _f, p, p5: ([exe, "-m", EMBEDDED, "--port", str(p), "--mqtt5-port", str(p5)]),
        own_port_for_5=True,
    ),
    Candidate(
        "iotcore, plain",
        sys.executable,
        "MIT",
        lambda exe, _f, p, _p5: [exe, "-m", "iotcore", "--port", str(p), "--log-level", "critical"],
    ),
    Candidate("amqtt", "amqtt", "MIT", _amqtt),
    Candidate(
        "mqttools",
        "mqttools",
        "MIT",
        lambda exe, _f, p, _p5: [exe, "broker", "--host", "127.0.0.1", "--port", str(p)],
    ),
    Candidate("pymqttd", "pymqttd", "not read", lambda exe, _f, p, _p5: [exe, "--port", str(p)]),
    Candidate(
        "Mosquitto, envmon.conf",
        "mosquitto",
        "EPL-2.0 or EDL-1.0",
        lambda exe, folder, p, _p5: [exe, "-c", str(mosquitto_conf(folder, p))],
    ),
)


def row(candidate: Candidate, messages: int, path: str) -> list[str]:
    """Start a candidate, try it, end it; return its row."""
    exe = shutil.which(candidate.executable, path=path)
    if exe is None:
        return [candidate.name, "not installed", *["-"] * 7, candidate.licence]
    ports = dict.fromkeys(VERSIONS, free_port())
    if candidate.own_port_for_5:
        ports["5"] = free_port()
    with tempfile.TemporaryDirectory() as folder:
        argv = candidate.argv(exe, Path(folder), ports["311"], ports["5"])
        start_s = time.monotonic()
        quiet = partial(subprocess.Popen, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        process = quiet(argv, cwd=ROOT)
        try:
            wait_until_listening("127.0.0.1", ports["311"], 15)
            started = f"{time.monotonic() - start_s:.2f}"
            cells = [started, *trials(process.pid, ports, messages)]
        except BrokerError as error:
            cells = [f"did not start: {error}", *["-"] * 7]
        finally:
            process.kill()
            process.wait()
    return [candidate.name, *cells, candidate.licence]


HEADERS = (
    "broker",
    "start [s]",
    "session kept 3.1.1 / 5",
    "redelivered after kill -9",
    "$share",
    "loopback only",
    "messages/s",
    "RSS [MiB] before + growth (B/message)",
    "of a flood received",
    "licence",
)


def main() -> None:
    """Print the table as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000, help="QoS 1, 60 bytes each")
    parser.add_argument("--path", action="append", default=[], help="more folders of commands")
    parser.add_argument("--only", default="", help="only candidates with this in their name")
    args = parser.parse_args()
    if shutil.which("mosquitto_sub") is None:
        sys.exit("mosquitto_sub is missing: install mosquitto-clients")
    path = os.pathsep.join([*args.path, os.environ["PATH"], "/usr/sbin"])
    print(f"{args.messages} consumed messages\n\n| " + " | ".join(HEADERS) + " |")
    print("|---" * len(HEADERS) + "|")
    for candidate in CANDIDATES:
        if args.only in candidate.name:
            print("| " + " | ".join(row(candidate, args.messages, path)) + " |", flush=True)


if __name__ == "__main__":
    main()
