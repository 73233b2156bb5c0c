"""A humidity and temperature sensor of the SHT3x kind on I2C, measured once when asked.

Source: data sheet of the SHT3x-DIS, sections "Measurement Commands for Single Shot Data
Acquisition Mode", "Checksum Calculation" and "Conversion of Signal Output" (from memory; the
example of the checksum, 0xBEEF -> 0x92, is held by a test).
"""

from air_node.errors import SensorError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from air_node.kinds import Pause, Wires

SINGLE_SHOT = b"\x24\x00"
"""High repeatability, without clock stretching: not every board's I2C waits for a sensor."""
MEASURING_MS = 16
"""Longest time of a measurement, 15 ms, and a bit [ms]."""


def crc8(data: bytes) -> int:
    """Return the checksum of the sensor: polynomial 0x31, begun with 0xFF."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def temp_c_from_raw(raw: int) -> float:
    """Return the temperature [°C] of a 16-bit number."""
    return -45 + 175 * raw / 65535


def rel_hum_pct_from_raw(raw: int) -> float:
    """Return the relative humidity over liquid water [%] of a 16-bit number."""
    return 100 * raw / 65535


class Sht3x:
    """The sensor at one address.

    Args:
        wires: The I2C bus.
        address: 0x44 or 0x45.
        pause: Waits.
    """

    def __init__(self, wires: "Wires", address: int, pause: "Pause") -> None:
        self._wires, self._address, self._pause = wires, address, pause

    def read(self) -> tuple[int, int]:
        """Measure; return the raw numbers of temperature and humidity.

        Raises:
            SensorError: It does not answer, or its answer arrived damaged.
        """
        try:
            self._wires.writeto(self._address, SINGLE_SHOT)
            self._pause(MEASURING_MS)
            answer = self._wires.readfrom(self._address, 6)
        except OSError as error:
            raise SensorError(
                f"no answer at address 0x{self._address:02x} ({error}); check its four wires, the "
                "pins and the address in the settings"
            ) from None
        return self._word(answer[:3], "temperature"), self._word(answer[3:], "humidity")

    def _word(self, part: bytes, what: str) -> int:
        if len(part) != 3 or crc8(part[:2]) != part[2]:
            raise SensorError(
                f"{what} arrived damaged (its checksum is wrong); shorten the wires, and check "
                "that they are tight"
            )
        return part[0] << 8 | part[1]
