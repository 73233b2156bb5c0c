"""What sensors this machine offers, as a node file that can be used at once."""

from __future__ import annotations

import contextlib
import json
import socket
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.errors import PayloadError
from envmon_node.chips import Chip, hwmon_chips, iio_chips, measures_humidity
from envmon_node.infrared import STANDARD_ADDRESS, InfraRed, open_bus
from envmon_node.sysfs import slug
from envmon_node.w1 import found

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from envmon_node.infrared import Bus

ROOT = Path("/")
_HEAD = """\
# Sensors of this machine, for envmon-node. Look through it, then: envmon-node THIS_FILE
[node]
topic = "shop/{machine}"      # a sensor speaks below it: shop/{machine}/NAME
folder = "node-data"          # what waits for the broker is kept here

[broker]
host = "127.0.0.1"            # another machine needs username, password_file and ca_file
port = 1883
"""
_NOTHING = """\
# No thermometer and no humidity chip was found. Look at the cables; I2C and 1-wire must be switched
# on, and each chip needs its driver (on a Raspberry Pi: dtparam=i2c_arm=on, dtoverlay=w1-gpio and
# dtoverlay=i2c-sensor,… in config.txt, then start anew).
"""


def node_file(
    root: Path = ROOT, *, probe: bool = False, opened: Callable[[int], Bus] = open_bus
) -> str:
    """Return a node file with all sensors that were found, and hints for those that cannot be.

    Args:
        root: Where the file system begins.
        probe: Ask the standard address of an infra-red thermometer on each I2C bus.
        opened: Opens an I2C bus.
    """
    sensors = [*_found(root), *(_infrared(root, opened) if probe else ())]
    head = _HEAD.replace("{machine}", slug(socket.gethostname()) or "node")
    return "\n".join([head, *(sensors or [_NOTHING]), *_hints(root)])


def _found(root: Path) -> Iterator[str]:
    for device in found(root):
        yield _sensor("a 1-wire thermometer", kind="w1", device=device, name=slug(device))
    for chip in iio_chips(root):
        yield _chip("iio", chip)
    for chip in hwmon_chips(root):
        if measures_humidity(chip):
            yield _chip("hwmon", chip)


def _chip(kind: str, chip: Chip) -> str:
    # Some drivers name the chip after its device.
    name = slug(chip.device if chip.chip == chip.device else f"{chip.chip}-{chip.device}")
    return _sensor(
        f"a {slug(chip.chip)} chip", kind=kind, device=chip.device, chip=chip.chip, name=name
    )


def _infrared(root: Path, opened: Callable[[int], Bus]) -> Iterator[str]:
    for path in sorted((root / "dev").glob("i2c-*")):
        bus = int(path.name.removeprefix("i2c-"))
        with contextlib.suppress(PayloadError):
            InfraRed(bus, STANDARD_ADDRESS, opened).read()
            yield _sensor(
                "an infra-red thermometer",
                kind="infrared",
                bus=bus,
                address=STANDARD_ADDRESS,
                name=f"infrared-{bus}-{STANDARD_ADDRESS:04x}",
            )


def _hints(root: Path) -> Iterator[str]:
    for port in sorted((root / "dev/serial/by-id").glob("*")):
        example = _sensor(
            "a serial port: say what its lines look like",
            kind="serial",
            port=f"/dev/serial/by-id/{port.name}",
            pattern="T=(?P<surface>[-0-9.]+)",
        )
        yield _commented(example + 'units = { surface = "°C" }\n')
    if any((root / "dev").glob("gpiochip*")):
        yield _commented(
            _sensor("a meter with a pulse output", kind="pulse", line="GPIO17", pulse="1 Wh")
        )
        yield _commented(_sensor("a push button or foot switch", kind="button", line="GPIO27"))


def _sensor(what: str, **keys: str | int) -> str:
    # A JSON string is a TOML string too, as long as what is outside ASCII stays as it is.
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in keys.items()]
    return "\n".join([f"# {what}", "[[sensor]]", *lines]) + "\n"


def _commented(text: str) -> str:
    return "".join(f"#{line}" for line in text.splitlines(keepends=True))
