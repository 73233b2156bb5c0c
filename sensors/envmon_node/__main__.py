"""The command ``envmon-node``: run a node, find sensors, read them once."""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import logging
import os
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.errors import BrokerError, EnvmonError, InputError, PayloadError, ServiceError
from envmon.systemd import Watchdog, asked_and_forgotten
from envmon_node.config import ButtonInfo, PulseInfo
from envmon_node.find import node_file
from envmon_node.gpio import open_line
from envmon_node.link import NodeLink
from envmon_node.load import account_of, load_node
from envmon_node.moment import MachineTimes
from envmon_node.node import Node
from envmon_node.outbox import Outbox
from envmon_node.sources import sensor_from, wire_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon_node.config import AnySensor, NodeFile

_HELP = """\
envmon-node NODE.toml         read the sensors of a node file and send what they say
envmon-node read NODE.toml    read each sensor once and print it
envmon-node check NODE.toml   name every fault of a node file
envmon-node find [--probe]    print the sensors of this machine as a node file; --probe also asks
                              the I2C buses for an infra-red thermometer
"""


def _out(text: str) -> None:
    sys.stdout.write(text + "\n")


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="envmon-node", usage=_HELP, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("what", nargs="+", help=argparse.SUPPRESS)
    parser.add_argument("--probe", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> int:
    """Run a command; return 0 done, 1 the answer is no, 2 bad input or use."""
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(message)s")
    options = _options(arguments)
    try:
        return _command(options.what, probe=options.probe)
    except (BrokerError, InputError, ServiceError, EnvmonError) as error:
        sys.stderr.write(f"{error}\n")
        return 2


def _command(what: list[str], *, probe: bool) -> int:
    if what == ["find"]:
        _out(node_file(probe=probe))
        return 0
    verb, path = (what[0], Path(what[1])) if len(what) == 2 else ("run", Path(what[0]))
    work = {"run": _run, "read": _read, "check": _check}.get(verb)
    if work is None or len(what) > 2:
        raise InputError(f"envmon-node {' '.join(what)}: no such command; there are:\n{_HELP}")
    return work(load_node(path), path)


def _check(file: NodeFile, path: Path) -> int:
    account_of(file, path)
    _out(f"{path}: no faults, {len(file.sensor)} sensors")
    return 0


def _read(file: NodeFile, _path: Path) -> int:
    answers = [_read_one(info) for info in file.sensor]
    return 0 if all(answers) else 1


def _read_one(info: AnySensor) -> bool:
    try:
        if isinstance(info, PulseInfo | ButtonInfo):
            open_line(wire_of(info)).close()
            _out(f"{info.called}: line {info.line} can be listened to")
        else:
            for name, unit, value in sensor_from(info).read():
                _out(f"{info.called}: {name} {value:g} {unit}")
    except PayloadError as error:
        _out(f"{info.called}: {error}")
        return False
    return True


def _run(file: NodeFile, path: Path) -> int:
    asked = asked_and_forgotten()
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    times = MachineTimes(trusted=file.node.clock == "trusted")
    with _alone(path.parent / file.node.folder) as folder:
        outbox = Outbox(folder, times, file.node.keep)
        link = NodeLink(account_of(file, path), f"{file.node.topic}/status", outbox)
        Node(file, outbox, link, times).run(stop, Watchdog(asked))
        outbox.close()
    return 0


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[Path]:
    """Hold the folder against a second node."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder / "lock", os.O_CREAT | os.O_RDWR, 0o600)
    except OSError as error:
        raise ServiceError(f"node.folder: {folder} cannot be used: {error}") from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield folder
    except BlockingIOError:
        raise ServiceError(f"node.folder: {folder} is used by another node that runs") from None
    finally:
        os.close(handle)


if __name__ == "__main__":
    raise SystemExit(main())
