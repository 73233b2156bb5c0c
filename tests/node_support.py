"""Trees of /sys as the Linux kernel lays them out, and times that a test sets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from envmon.clock import us_from_iso

if TYPE_CHECKING:
    from pathlib import Path

NOW_US = us_from_iso("2026-01-14T07:00:00Z")
SCRATCHPAD = "72 01 4b 46 7f ff 0e 10 57"
"""Nine bytes of a thermometer at 23.125 °C (example of Documentation/w1/slaves/w1_therm.rst's
format; 0x0172 = 370 sixteenths of a degree)."""


@dataclass
class SetTimes:
    """Times that move only when told."""

    boot: str = "boot-1"
    now: int = NOW_US
    up: int = 60_000_000
    why: str = ""

    def now_us(self) -> int:
        return self.now

    def up_us(self) -> int:
        return self.up

    def doubt(self) -> str:
        return self.why

    def pass_s(self, seconds: float) -> None:
        self.now += round(seconds * 1e6)
        self.up += round(seconds * 1e6)


def write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="ascii")


def link(entry: Path, target: Path) -> None:
    entry.parent.mkdir(parents=True, exist_ok=True)
    entry.symlink_to(target)


def w1_device(
    root: Path, device: str, milli_c: int, crc: str = "YES", scratchpad: str = SCRATCHPAD
) -> Path:
    """A thermometer as drivers/w1/slaves/w1_therm.c writes it (w1_slave_show)."""
    real = root / "sys/devices/w1_bus_master1" / device
    last = scratchpad.rsplit(maxsplit=1)[-1]
    text = f"{scratchpad} : crc={last} {crc}\n{scratchpad} t={milli_c}\n"
    write(real / "w1_slave", text)
    write(real / "name", f"{device}\n")
    link(root / "sys/bus/w1/devices" / device, real)
    return real


def i2c_iio(root: Path, number: int, device: str, chip: str, attributes: dict[str, str]) -> Path:
    """An IIO device below its I2C device, linked from the bus (Documentation/ABI/testing/
    sysfs-bus-iio)."""
    real = root / f"sys/devices/platform/soc/fe804000.i2c/i2c-1/{device}/iio:device{number}"
    for name, text in {"name": chip, **attributes}.items():
        write(real / name, text + "\n")
    link(root / f"sys/bus/iio/devices/iio:device{number}", real)
    return real


def i2c_hwmon(root: Path, number: int, device: str, chip: str, attributes: dict[str, str]) -> Path:
    """A hwmon class device with its link ``device`` (Documentation/hwmon/sysfs-interface.rst)."""
    owner = root / f"sys/devices/platform/soc/fe804000.i2c/i2c-1/{device}"
    real = owner / f"hwmon/hwmon{number}"
    for name, text in {"name": chip, **attributes}.items():
        write(real / name, text + "\n")
    link(real / "device", owner)
    link(root / f"sys/class/hwmon/hwmon{number}", real)
    return real
