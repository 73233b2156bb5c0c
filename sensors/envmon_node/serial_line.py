"""A thermometer or meter that writes lines of text on a serial line.

What its lines look like is told by a regular expression with a named group for each number.
"""

from __future__ import annotations

import math
import os
import termios
import time
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError, PayloadError
from envmon.units import convert

if TYPE_CHECKING:
    import re
    from collections.abc import Mapping

    from serial import Serial

    from envmon.units import Dimension
    from envmon_node.said import Values

LINE_MAX = 200
"""Longer lines are no lines of a sensor [bytes]."""
_DIMENSIONS: dict[Dimension, str] = {
    "temperature": "Cel",
    "percent": "%RH",
    "pressure": "Pa",
    "fraction_ppm": "ppm",
    "power": "W",
}
"""What a serial sensor may measure, and the SenML unit it is sent in."""


class Talk(NamedTuple):
    """How a device on a serial line is spoken with.

    Attributes:
        port: Such as ``/dev/serial/by-id/usb-…``, a name that stays.
        baud: Speed.
        pattern: What a whole line looks like.
        units: Group of the pattern -> unit of its number.
        ask: Text that makes it write a line, or None where it writes by itself.
        wait_s: Longest wait for a line [s].
    """

    port: str
    baud: int
    pattern: re.Pattern[str]
    units: Mapping[str, str]
    ask: bytes | None
    wait_s: float


def ensure_unit(unit: str) -> None:
    """Pass a unit that can be sent.

    Raises:
        InputError: It measures nothing a serial sensor may measure.
    """
    _in_senml(0.0, unit)


def _in_senml(value: float, unit: str) -> tuple[str, float]:
    for dimension, symbol in _DIMENSIONS.items():
        try:
            return symbol, round(convert(value, unit, dimension), 4)
        except InputError:
            continue
    raise InputError(f"unit is {unit!r}; allowed are °C, °F, K, %, Pa, hPa, kPa, inHg, ppm, W, kW")


class SerialSensor:
    """Reads one line at a time; opens the port again after it was unplugged.

    Args:
        talk: How it is spoken with.
    """

    def __init__(self, talk: Talk) -> None:
        self._talk = talk
        self._port: Serial | None = None

    def read(self) -> Values:
        """Return the numbers of the next whole line that looks as it should.

        Raises:
            PayloadError: The port is away, or no such line came in time.
        """
        try:
            if self._port is None:
                self._port = self._open()
            return self._next(self._port)
        except (OSError, termios.error) as error:  # pyserial's own error is an OSError
            self.close()
            number = error.errno if isinstance(error, OSError) else None
            what = os.strerror(number) if number else str(error)
            raise PayloadError(f"{self._talk.port}: {what}; look at its plug") from error

    def close(self) -> None:
        """Release the port."""
        if self._port is not None:
            self._port.close()
            self._port = None

    def _open(self) -> Serial:
        try:
            from serial import Serial  # noqa: PLC0415 - only where such a sensor is used
        except ImportError:
            raise PayloadError(
                "pyserial is not installed; install envmon with its extra: envmon[node]"
            ) from None
        return Serial(self._talk.port, self._talk.baud, timeout=0.2, exclusive=True)

    def _next(self, port: Serial) -> Values:
        """Throw away what is old, ask, and read on to a line that fits."""
        talk, deadline = self._talk, time.monotonic() + self._talk.wait_s
        port.reset_input_buffer()
        if talk.ask is not None:
            port.write(talk.ask)
        # Where it writes by itself the rest of the line under way comes first: 23.4 of 123.4.
        whole, seen, buffer = talk.ask is not None, b"", b""
        while time.monotonic() < deadline:
            buffer += port.read_until(b"\n", LINE_MAX)
            if not buffer.endswith(b"\n") and len(buffer) < LINE_MAX:
                continue
            line, buffer = buffer, b""
            if whole and (values := self._values(line)):
                return values
            seen = line if whole or not seen else seen
            whole = line.endswith(b"\n")
        raise PayloadError(_nothing(talk, seen or buffer))

    def _values(self, line: bytes) -> Values:
        found = self._talk.pattern.fullmatch(line.decode("utf-8", "replace").strip())
        if found is None:
            return ()
        return tuple(self._value(name, found[name]) for name in self._talk.units)

    def _value(self, name: str, text: str | None) -> tuple[str, str, float]:
        try:
            number = float((text or "").replace(",", "."))
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise PayloadError(f"{name} is {text!r}, which is no number; correct pattern")
        symbol, value = _in_senml(number, self._talk.units[name])
        return name, symbol, value


def _nothing(talk: Talk, seen: bytes) -> str:
    if not seen:
        return f"{talk.port}: not one line within {talk.wait_s:g} s; is baud right, does it write?"
    return (
        f"{talk.port}: no line like pattern within {talk.wait_s:g} s; the last one was "
        f"{seen[:60]!r}; correct pattern or baud"
    )
