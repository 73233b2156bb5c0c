"""An infra-red thermometer asked directly over I2C, with the packet error code checked.

The bus is an object that answers the real messages of smbus2; there is no I2C bus here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.errors import PayloadError
from envmon_node.find import node_file
from envmon_node.infrared import AMBIENT, OBJECT, InfraRed, packet_error_code
from tests.node_support import write

if TYPE_CHECKING:
    from smbus2 import i2c_msg


class Bus:
    """A bus with one chip: register -> low byte, high byte, packet error code."""

    def __init__(self, registers: dict[int, tuple[int, int, int]], address: int = 0x5A) -> None:
        self.registers, self.address, self.closed = registers, address, False

    def i2c_rdwr(self, *messages: i2c_msg) -> None:
        ask, answer = messages
        assert not ask.flags & 1, "the first message writes"
        assert answer.flags & 1, "the second one reads"
        if ask.addr != self.address:
            raise OSError(121, "Remote I/O error")
        for place, byte in enumerate(self.registers[bytes(ask.buf[: ask.len])[0]]):
            answer.buf[place] = bytes([byte])

    def close(self) -> None:
        self.closed = True


def with_code(register: int, low: int, high: int) -> tuple[int, int, int]:
    frame = bytes([0xB4, register, 0xB5, low, high])
    return low, high, packet_error_code(frame)


def test_the_packet_error_code_is_that_of_smbus() -> None:
    # Check value of CRC-8/SMBUS in the catalogue of parametrised CRC algorithms (from memory).
    assert packet_error_code(b"123456789") == 0xF4
    # Data sheet of the MLX90614, example of reading RAM 07h (from memory): 3AD2h, PEC 30h.
    assert packet_error_code(bytes([0xB4, 0x07, 0xB5, 0xD2, 0x3A])) == 0x30


def test_surface_and_its_own_temperature_are_read() -> None:
    # 3AD2h is 301.16 K (the same example); 3A00h are 14848 steps of 0.02 K.
    bus = Bus({OBJECT: (0xD2, 0x3A, 0x30), AMBIENT: with_code(AMBIENT, 0x00, 0x3A)})
    values = InfraRed(1, 0x5A, lambda number: bus if number == 1 else Bus({})).read()
    assert values == (("surface", "Cel", 28.01), ("ambient", "Cel", 23.81))
    assert bus.closed


@pytest.mark.parametrize("bit", range(24))
def test_any_bit_that_flips_on_the_way_is_noticed(bit: int) -> None:
    answer = list(with_code(OBJECT, 0xD2, 0x3A))
    answer[bit // 8] ^= 1 << bit % 8
    low, high, code = answer
    bus = Bus({OBJECT: (low, high, code), AMBIENT: with_code(AMBIENT, 0, 0x3A)})
    with pytest.raises(PayloadError, match="packet error code"):
        InfraRed(1, 0x5A, lambda _: bus).read()
    assert bus.closed


def test_its_error_flag_and_a_chip_that_is_away_are_said() -> None:
    flagged = Bus({OBJECT: with_code(OBJECT, 0x00, 0x80), AMBIENT: with_code(AMBIENT, 0, 0x3A)})
    with pytest.raises(PayloadError, match="error flag"):
        InfraRed(1, 0x5A, lambda _: flagged).read()
    with pytest.raises(PayloadError, match="no answer from address 0x5b on bus 1"):
        InfraRed(1, 0x5B, lambda _: flagged).read()


def test_a_bus_that_this_machine_has_not_is_said() -> None:
    with pytest.raises(PayloadError, match=r"/dev/i2c-250: .*switch I2C on"):
        InfraRed(250, 0x5A).read()


def test_find_asks_for_one_only_when_told(tmp_path: object) -> None:
    from pathlib import Path

    root = Path(str(tmp_path))
    write(root / "dev/i2c-1", "")
    write(root / "dev/i2c-2", "")
    good = Bus({OBJECT: (0xD2, 0x3A, 0x30), AMBIENT: with_code(AMBIENT, 0, 0x3A)})

    def opened(number: int) -> Bus:
        return good if number == 1 else Bus({}, address=0x10)

    assert 'kind = "infrared"' not in node_file(root, opened=opened)
    text = node_file(root, probe=True, opened=opened)
    assert text.count('kind = "infrared"') == 1
    assert "bus = 1\naddress = 90" in text
