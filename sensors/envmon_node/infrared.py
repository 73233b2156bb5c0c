"""An infra-red thermometer of the MLX90614 kind, asked directly over I2C.

Source: data sheet of that chip (from memory): registers, 0.02 K a step, the top bit as error
flag, and the packet error code of SMBus 2.0: CRC-8 with polynomial x⁸+x²+x+1 over all bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from envmon.errors import PayloadError

if TYPE_CHECKING:
    from collections.abc import Callable

    from smbus2 import i2c_msg

    from envmon_node.said import Values

AMBIENT, OBJECT = 0x06, 0x07
STANDARD_ADDRESS = 0x5A
_STEP_K, _ZERO_C_K = 0.02, 273.15


class Bus(Protocol):
    """What is needed of ``smbus2.SMBus``."""

    def i2c_rdwr(self, *messages: i2c_msg) -> None:
        """Carry out messages as one transaction."""
        ...

    def close(self) -> None:
        """Release the bus."""
        ...


def packet_error_code(data: bytes) -> int:
    """Return the packet error code (CRC-8) of SMBus over bytes."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07 if crc & 0x80 else crc << 1) & 0xFF
    return crc


def open_bus(number: int) -> Bus:
    """Open ``/dev/i2c-N``.

    Raises:
        PayloadError: It is missing or not ours, or smbus2 is not installed.
    """
    try:
        from smbus2 import SMBus  # noqa: PLC0415 - only where such a sensor is used

        bus: Bus = SMBus(number)
    except ImportError:
        raise PayloadError(
            "smbus2 is not installed; install envmon with its extra: envmon[node]"
        ) from None
    except OSError as error:
        raise PayloadError(
            f"/dev/i2c-{number}: {error.strerror or error}; switch I2C on, and let the node's user "
            "into group i2c"
        ) from error
    return bus


class InfraRed:
    """One thermometer, known by bus and address.

    Args:
        bus: Number of the bus.
        address: Address on it.
        opened: Opens a bus.
    """

    def __init__(self, bus: int, address: int, opened: Callable[[int], Bus] = open_bus) -> None:
        self._bus, self._address, self._opened = bus, address, opened

    def read(self) -> Values:
        """Return the temperature of what it looks at, and its own.

        Raises:
            PayloadError: No answer, a wrong packet error code, or its error flag.
        """
        bus = self._opened(self._bus)
        try:
            surface_c = self._temp_c(bus, OBJECT)
            ambient_c = self._temp_c(bus, AMBIENT)
        finally:
            bus.close()
        return (("surface", "Cel", surface_c), ("ambient", "Cel", ambient_c))

    def _temp_c(self, bus: Bus, register: int) -> float:
        low, high, code = self._word(bus, register)
        frame = bytes([self._address << 1, register, self._address << 1 | 1, low, high])
        if packet_error_code(frame) != code:
            raise PayloadError(
                f"the packet error code is 0x{code:02x} and should be "
                f"0x{packet_error_code(frame):02x}; shorten the cable or lower the bus speed"
            )
        if high & 0x80:
            raise PayloadError("the thermometer sets its error flag instead of a temperature")
        return round((high << 8 | low) * _STEP_K - _ZERO_C_K, 2)

    def _word(self, bus: Bus, register: int) -> list[int]:
        from smbus2 import i2c_msg  # noqa: PLC0415 - only where such a sensor is used

        answer = i2c_msg.read(self._address, 3)
        try:
            bus.i2c_rdwr(i2c_msg.write(self._address, [register]), answer)
        except OSError as error:
            raise PayloadError(
                f"no answer from address 0x{self._address:02x} on bus {self._bus}: {error}; look "
                "at its cable"
            ) from error
        return list(bytes(answer.buf[: answer.len]))
