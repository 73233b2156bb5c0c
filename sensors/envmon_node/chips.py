"""Chips that the kernel drives: industrial I/O (iio) and hardware monitoring (hwmon).

Source: Documentation/ABI/testing/sysfs-bus-iio (``_input`` is processed: milli degrees Celsius,
milli percent, kilopascal; ``_raw`` becomes the same by ``(raw + offset) * scale``, both of the
channel or shared by its kind) and Documentation/hwmon/sysfs-interface.rst (``temp1_input`` in
milli degrees Celsius, ``humidity1_input`` in milli percent, ``temp1_fault``) of the Linux kernel.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import PayloadError
from envmon_node.sysfs import device_of, number_of, text_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon_node.said import Values

IIO, HWMON = Path("sys/bus/iio/devices"), Path("sys/class/hwmon")

_IIO_CHANNEL = re.compile(
    r"in_(?P<kind>temp|humidityrelative|pressure)(?P<index>\d*)"
    r"(?:_(?P<of>ambient|object))?_(?P<form>input|raw)"
)
_HWMON_CHANNEL = re.compile(r"(?P<kind>temp|humidity)(?P<index>\d+)_input")


class _Kind(NamedTuple):
    name: str
    unit: str
    factor: float


_KINDS = {
    "temp": _Kind("temp", "Cel", 1e-3),
    "humidityrelative": _Kind("rh", "%RH", 1e-3),
    "humidity": _Kind("rh", "%RH", 1e-3),
    "pressure": _Kind("pressure", "Pa", 1e3),
}
_OTHERWISE = {("bme680", "rh"): 1.0, ("bme680", "pressure"): 100.0}
"""A driver that wrote percent and hectopascal, and in newer kernels partly what the kernel's papers
ask for; what is believable in one of the two units never is in the other."""
_BELIEVABLE = {"rh": (0.5, 110.0), "pressure": (30_000.0, 120_000.0), "temp": (-100.0, 1_000.0)}
_OF = {"object": "surface", "ambient": "ambient"}
"""An infra-red thermometer's two temperatures: what it looks at, and its own."""


class Chip(NamedTuple):
    """A chip as the kernel shows it.

    Attributes:
        chip: Name its driver gives it, such as ``sht3x``.
        device: Name that stays, such as ``1-0044``.
        folder: Where its attributes are just now.
    """

    chip: str
    device: str
    folder: Path


def iio_chips(root: Path = Path("/")) -> list[Chip]:
    """Return the industrial-I/O chips that measure temperature, humidity or pressure."""
    return [chip for chip in _chips(root / IIO, "iio:device*") if any(_iio_channels(chip.folder))]


def hwmon_chips(root: Path = Path("/")) -> list[Chip]:
    """Return the hardware-monitoring chips that measure humidity or temperature."""
    return [c for c in _chips(root / HWMON, "hwmon*") if any(_hwmon_channels(c.folder))]


def measures_humidity(chip: Chip) -> bool:
    """Return whether a chip measures humidity, which the inside of a computer never does."""
    return any(chip.folder.glob("*humidity*"))


def _chips(folder: Path, pattern: str) -> Iterator[Chip]:
    for entry in sorted(folder.glob(pattern)) if folder.is_dir() else ():
        name = entry / "name"
        if name.exists():
            yield Chip(text_of(name), device_of(entry), entry)


class KernelChip:
    """One chip, found anew at each reading, since its number may change when it is plugged.

    Args:
        kind: ``iio`` or ``hwmon``.
        device: Name that stays, such as ``1-0044``.
        chip: Name its driver must give it, or None for any.
        root: Where the file system begins.
    """

    def __init__(
        self, kind: str, device: str, chip: str | None = None, root: Path = Path("/")
    ) -> None:
        self._kind, self._device, self._chip, self._root = kind, device, chip, root

    def read(self) -> Values:
        """Return what the chip measures.

        Raises:
            PayloadError: The chip is away, another one, or cannot be read.
        """
        try:
            chip = self._found()
            values = _iio_values(chip) if self._kind == "iio" else _hwmon_values(chip)
        except OSError as error:
            raise PayloadError(f"{self._device} went away while it was read: {error}") from error
        if not values:
            raise PayloadError(f"{self._device} measures no temperature, humidity or pressure")
        return values

    def _found(self) -> Chip:
        chips = iio_chips(self._root) if self._kind == "iio" else hwmon_chips(self._root)
        here = [chip for chip in chips if chip.device == self._device]
        right = [chip for chip in here if self._chip in {None, chip.chip}]
        if right:
            return right[0]
        if here:
            raise PayloadError(
                f"{self._device} is a {here[0].chip}, not a {self._chip}; correct the node file"
            )
        there = ", ".join(chip.device for chip in chips) or "none"
        raise PayloadError(
            f"no {self._kind} device {self._device}; there are: {there}; look at its cable, and "
            "that its driver is loaded"
        )


def _iio_channels(folder: Path) -> Iterator[tuple[str, re.Match[str]]]:
    """Yield each channel once, by its stem; processed wins over raw."""
    stems: dict[str, re.Match[str]] = {}
    for path in sorted(folder.iterdir()):
        found = _IIO_CHANNEL.fullmatch(path.name)
        if found:
            stems.setdefault(path.name.rpartition("_")[0], found)
    yield from stems.items()


def _iio_values(chip: Chip) -> Values:
    values = []
    for stem, found in _iio_channels(chip.folder):
        number = (
            number_of(chip.folder / f"{stem}_input")
            if found["form"] == "input"
            else _scaled(chip.folder, stem, f"in_{found['kind']}")
        )
        kind = _KINDS[found["kind"]]
        name = _OF.get(found["of"] or "", kind.name) + found["index"]
        values.append((name, kind.unit, _in_unit(chip.chip, kind, number)))
    return tuple(values)


def _in_unit(chip: str, kind: _Kind, number: float) -> float:
    low, high = _BELIEVABLE[kind.name]
    factors = (kind.factor, _OTHERWISE.get((chip, kind.name), kind.factor))
    value, *_ = values = [round(number * factor, 4) for factor in factors]
    for one in values:
        if low <= one <= high:
            return one
    raise PayloadError(
        f"{chip} says {number:g}, which would be {value:g} {kind.unit}; believable is {low:g} to "
        f"{high:g}: the chip is broken, or its driver writes another unit"
    )


def _scaled(folder: Path, stem: str, shared: str) -> float:
    raw = number_of(folder / f"{stem}_raw")
    offset = _either(folder, stem, shared, "offset")
    scale = _either(folder, stem, shared, "scale")
    if scale is None:
        raise PayloadError(f"{folder / stem}_scale is missing; the raw number says nothing alone")
    return (raw + (offset or 0.0)) * scale


def _either(folder: Path, stem: str, shared: str, what: str) -> float | None:
    """Return a number of the channel itself, else the one shared by its kind, else None."""
    for name in (f"{stem}_{what}", f"{shared}_{what}"):
        if (folder / name).exists():
            return number_of(folder / name)
    return None


def _hwmon_channels(folder: Path) -> Iterator[re.Match[str]]:
    for path in sorted(folder.iterdir()):
        found = _HWMON_CHANNEL.fullmatch(path.name)
        if found:
            yield found


def _hwmon_values(chip: Chip) -> Values:
    values = []
    for found in _hwmon_channels(chip.folder):
        fault = chip.folder / f"{found['kind']}{found['index']}_fault"
        if fault.exists() and number_of(fault):
            raise PayloadError(f"{fault} is set: the driver says that its sensor is broken")
        kind = _KINDS[found["kind"]]
        name = kind.name + ("" if found["index"] == "1" else found["index"])
        number = number_of(chip.folder / found[0])
        values.append((name, kind.unit, _in_unit(chip.chip, kind, number)))
    return tuple(values)
