"""1-wire thermometers through the kernel's w1 bus.

Source: Documentation/w1/slaves/w1_therm.rst of the Linux kernel: families, ``w1_slave`` with
``YES`` or ``NO`` behind the checksum and ``t=`` in thousandths of a degree, ``temperature`` in the
same unit (Documentation/ABI/testing/sysfs-driver-w1_therm).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.errors import PayloadError
from envmon_node.sysfs import number_of, text_of

if TYPE_CHECKING:
    from envmon_node.said import Values

FAMILIES = {"10", "22", "28", "3b", "42"}
DEVICES = Path("sys/bus/w1/devices")
_LINES = re.compile(
    r"(?P<bytes>(?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (?P<crc>YES|NO)\s+"
    r"(?:[0-9a-f]{2} ){9}t=(?P<milli_c>-?\d+)"
)
_POWER_ON_C = 85.0
_LOW_C, _HIGH_C = -55.0, 125.0


class W1Thermometer:
    """One thermometer, known by the number that is burnt into it.

    Args:
        device: Such as ``28-0316a2795caf``.
        root: Where the file system begins.
    """

    def __init__(self, device: str, root: Path = Path("/")) -> None:
        self._device, self._folder = device, root / DEVICES / device

    def read(self) -> Values:
        """Return the temperature; measuring takes the device up to 0.75 s.

        Raises:
            PayloadError: The device is away, the checksum is wrong, or the value is none: 85 °C,
                which it has after power-on before it has measured, or outside −55…125 °C.
        """
        if not self._folder.exists():
            raise PayloadError(
                f"no device {self._device} on the 1-wire bus; look at its plug and its cable"
            )
        both = self._folder / "w1_slave"
        temp_c = _from_lines(text_of(both)) if both.exists() else self._plain_c()
        return (("temp", "Cel", ensure_measured(temp_c)),)

    def _plain_c(self) -> float:
        return number_of(self._folder / "temperature") / 1000


def _from_lines(text: str) -> float:
    found = _LINES.search(text)
    if found is None:
        raise PayloadError(f"w1_slave says {text[:80]!r}, which is not what its driver writes")
    if found["crc"] == "NO":
        raise PayloadError("the checksum is wrong; look at the cable and its pull-up resistor")
    if not found["bytes"].strip("0 "):
        # Nine zeros have the checksum zero: a bus that is held down looks like 0 °C.
        raise PayloadError("all bytes are zero: the data wire has a short circuit to ground")
    return int(found["milli_c"]) / 1000


def ensure_measured(temp_c: float) -> float:
    """Return a temperature that was really measured [°C].

    Raises:
        PayloadError: It is the power-on value or outside what such a device can measure.
    """
    if temp_c == _POWER_ON_C:
        raise PayloadError(
            "85 °C is what the device holds after power-on, before it has measured; look at its "
            "supply if it stays so"
        )
    if not _LOW_C <= temp_c <= _HIGH_C:
        raise PayloadError(f"{temp_c:g} °C is outside what the device measures, −55…125 °C")
    return temp_c


def found(root: Path = Path("/")) -> list[str]:
    """Return the thermometers on the bus, by their number."""
    folder = root / DEVICES
    if not folder.is_dir():
        return []
    return sorted(entry.name for entry in folder.iterdir() if entry.name.split("-")[0] in FAMILIES)
