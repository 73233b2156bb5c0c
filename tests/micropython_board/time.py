"""The time of a board: counts from 2000, is wrong until it is set, wraps, and may run fast.

What is set stands in ``board.json`` in the working folder, beside when the power came on.
"""

import json

import umachine  # noqa: F401
import utime
from utime import *

with open("board.json") as _file:
    _set = json.load(_file)
_SPEED = _set["speed"]
_POWER_ON_NS = _set["power_on_ns"]
_ASLEEP_NS = _set["asleep_ms"] * 1_000_000
_PERIOD = 1 << 30
_EPOCH_2000_NS = 946_684_800 * 1_000_000_000
_FIRST_TICKS = _set["first_ticks"]
_process_ns = utime.time_ns()
known = _set["known"]


def true_ns():
    """Return the true time since 1970: true when the power came on, at a speed since."""
    return _POWER_ON_NS + (utime.time_ns() - _POWER_ON_NS) * _SPEED + _ASLEEP_NS


def time_ns():
    """Return the time since 2000; since power came on, where the clock is not set."""
    return true_ns() - (_EPOCH_2000_NS if known else _POWER_ON_NS)


def time():
    """Return the same in seconds."""
    return time_ns() // 1_000_000_000


def gmtime(seconds=None):
    """Return the parts of a time that is counted from 2000."""
    return utime.gmtime((time() if seconds is None else seconds) + 946_684_800)


def ticks_ms():
    """Return milliseconds since this start, which wrap as on a board of 32 bits."""
    return (_FIRST_TICKS + (utime.time_ns() - _process_ns) * _SPEED // 1_000_000) % _PERIOD


def ticks_diff(end, start):
    """Return a difference as MicroPython does (py/objint of ticks: signed, half a period)."""
    return (end - start + _PERIOD // 2) % _PERIOD - _PERIOD // 2


def sleep_ms(ms):
    """Sleep so long, at the speed."""
    utime.sleep_ms(max(1, ms // _SPEED))
