"""The hardware of a board, as far as the node uses it.

The sensor counts: its n-th measurement says 8 n as temperature, so that one that is lost leaves a
gap. ``sensor`` in the working folder says ``crc`` or ``missing`` where it is to fail.
"""

import json
import os
import sys

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5
SLEPT = 77


def _read(name):
    try:
        with open(name) as file:
            return file.read().strip()
    except OSError:
        return ""


def _write(name, text):
    # Whole or not at all: a test ends this without a word.
    with open(name + ".new", "w") as file:
        file.write(text)
    os.rename(name + ".new", name)


def reset_cause():
    """Return why it started."""
    return int(_read("cause") or PWRON_RESET)


class Pin:
    """A pin."""

    def __init__(self, number):
        self.number = number


class ADC:
    """A battery of 3.9 V behind a divider by two, or what stands in ``battery`` [V]."""

    ATTN_11DB = 3

    def __init__(self, pin, atten=0):
        pass

    def read_uv(self):
        """Return the voltage at the pin [µV]."""
        return int(float(_read("battery") or "3.9") * 500_000)


class WDT:
    """A watchdog that notes when it was fed."""

    def __init__(self, timeout):
        self.timeout, self._fed = timeout, 0

    def feed(self):
        """Note it."""
        self._fed += 1
        if self._fed % 20 == 1:
            _write("fed", str(self._fed))


class RTC:
    """The memory that stays on."""

    def memory(self, data=None):
        """Return or set it; it has 2048 bytes."""
        if data is None:
            try:
                with open("rtc.bin", "rb") as file:
                    return file.read()
            except OSError:
                return b""
        if len(data) > 2048:
            raise ValueError("buffer too long")
        with open("rtc.bin", "wb") as file:
            file.write(data)
        return None


def deepsleep(ms):
    """Let the time pass, and end; whoever runs this starts it again."""
    import time

    with open("board.json") as file:
        board = json.load(file)
    board["asleep_ms"] += ms
    board["known"] = time.known
    _write("board.json", json.dumps(board))
    _write("cause", str(DEEPSLEEP_RESET))
    sys.exit(SLEPT)


def _checksum(high, low):
    """Return the remainder of the two bytes, the first 8 bits inverted, by x^8+x^5+x^4+1."""
    value = ((high << 8 | low) ^ 0xFF00) << 8
    for bit in range(23, 7, -1):
        if value >> bit & 1:
            value ^= 0x131 << (bit - 8)
    return value


class I2C:
    """A bus with one sensor at 0x44."""

    def __init__(self, number, sda, scl, freq):
        self._asked = False

    def writeto(self, address, data):
        """Take a command."""
        if address != 0x44 or _read("sensor") == "missing":
            raise OSError(19)
        if data != b"\x24\x00":
            raise OSError(5)
        self._asked = True

    def readfrom(self, address, count):
        """Return the next measurement; half of 100 % as humidity."""
        if not self._asked or count != 6:
            raise OSError(5)
        self._asked = False
        number = int(_read("count") or "0") + 1
        _write("count", str(number))
        answer = bytearray()
        for word in (8 * number, 0x8000):
            high, low = word >> 8, word & 0xFF
            answer += bytes([high, low, _checksum(high, low)])
        if _read("sensor") == "crc":
            answer[1] ^= 0x10
        return bytes(answer)
