"""Measurements that wait for the broker, in memory of a fixed size: the oldest go first.

Each has a number that counts on, so that an acknowledgement names what may go, also when the
oldest had to make room meanwhile.
"""

import struct
from binascii import crc32

TYPE_CHECKING = False
if TYPE_CHECKING:
    from air_node.kinds import Pieces

_RECORD = "<qHHHH"
RECORD_BYTES = 16
_HEAD = "<4sIHHIIqqII"
HEAD_BYTES = 44
_MAGIC = b"air1"
_DATED, _BATTERY = 1, 2


class Measured:
    """One measurement.

    Attributes:
        at_ms: When [ms since 1970], or since power came on where it is not dated.
        temp_raw: The sensor's number for the temperature.
        hum_raw: The sensor's number for the humidity.
        battery_mv: The battery's voltage [mV]; None without one.
        dated: Whether ``at_ms`` is a time of day.
    """

    def __init__(
        self, at_ms: int, raw: tuple[int, int], battery_mv: int | None, *, dated: bool
    ) -> None:
        self.at_ms, self.dated, self.battery_mv = at_ms, dated, battery_mv
        self.temp_raw, self.hum_raw = raw


class Ring:
    """What waits, oldest first.

    Args:
        room: Most measurements that may wait.

    Attributes:
        first: Number of the oldest one that waits.
        waiting: How many wait.
        lost: How many made room for newer ones, since power came on first.
        undated: How many were given up since nobody can date them any more.
    """

    def __init__(self, room: int) -> None:
        self.room = room
        self._bytes = bytearray(room * RECORD_BYTES)
        self.first, self.waiting, self.lost, self.undated = 1, 0, 0, 0

    def push(self, measured: Measured) -> None:
        """Keep a measurement; the oldest makes room where there is none."""
        if self.waiting == self.room:
            self._forget(1)
            self.lost += 1
        self._put(self.first + self.waiting, measured)
        self.waiting += 1

    def dated(self, most: int) -> list[Measured]:
        """Return the oldest measurements, as far as they are dated, without taking them away."""
        found: list[Measured] = []
        for number in range(self.first, self.first + min(most, self.waiting)):
            measured = self._get(number)
            if not measured.dated:
                break
            found.append(measured)
        return found

    def forget_through(self, number: int) -> None:
        """Take away what the broker has acknowledged: everything up to a number."""
        self._forget(max(0, min(self.waiting, number + 1 - self.first)))

    def date(self, start_ms: int) -> int:
        """Date what is not, and return how many that were.

        Args:
            start_ms: Time of day at which power came on [ms since 1970].
        """
        count = 0
        for number in range(self.first + self.waiting - 1, self.first - 1, -1):
            measured = self._get(number)
            if measured.dated:
                break
            measured.at_ms += start_ms
            measured.dated = True
            self._put(number, measured)
            count += 1
        return count

    def give_up_undated(self) -> None:
        """Take away what is not dated: power was off since, and nobody knows how long."""
        while self.waiting and not self._get(self.first + self.waiting - 1).dated:
            self.waiting -= 1
            self.undated += 1

    def pieces(self, up_ms: int, clock_ms: int) -> "Pieces":
        """Return all of it as bytes, in pieces that need no further memory.

        Args:
            up_ms: Time since power came on [ms].
            clock_ms: The board's time of day, right or wrong [ms].
        """
        parts = self._parts(self.first, self.waiting)
        check = 0
        for part in parts:
            check = crc32(part, check)
        numbers = (self.first, self.waiting, 0, self.lost, self.undated, up_ms, clock_ms, check)
        head = struct.pack(_HEAD, _MAGIC, *numbers, 0)
        yield head[:-4] + struct.pack("<I", crc32(head[:-4]))
        yield from parts

    def take(self, data: bytes | bytearray) -> tuple[int, int] | None:
        """Take what ``pieces`` gave; return its two times, or None for what is no such thing.

        Of more than there is room for, the oldest are lost.
        """
        if len(data) < HEAD_BYTES:
            return None
        head = struct.unpack(_HEAD, data[:HEAD_BYTES])
        magic, first, waiting, _, lost, undated, up_ms, clock_ms, check, own = head
        body = memoryview(data)[HEAD_BYTES : HEAD_BYTES + waiting * RECORD_BYTES]
        if magic != _MAGIC or crc32(data[: HEAD_BYTES - 4]) != own or crc32(body) != check:
            return None
        over = max(0, waiting - self.room)
        self.first, self.waiting = first + over, waiting - over
        self.lost, self.undated = lost + over, undated
        place = over * RECORD_BYTES
        for part in self._parts(self.first, self.waiting):
            part[:] = body[place : place + len(part)]
            place += len(part)
        return up_ms, clock_ms

    def _parts(self, first: int, count: int) -> tuple[memoryview, memoryview]:
        """Return where measurements lie: one stretch, or two where they go round."""
        view, begin = memoryview(self._bytes), first % self.room
        straight = min(count, self.room - begin)
        return (
            view[begin * RECORD_BYTES : (begin + straight) * RECORD_BYTES],
            view[: (count - straight) * RECORD_BYTES],
        )

    def _forget(self, count: int) -> None:
        self.first += count
        self.waiting -= count

    def _get(self, number: int) -> Measured:
        place = number % self.room * RECORD_BYTES
        at_ms, temp, hum, battery, marks = struct.unpack_from(_RECORD, self._bytes, place)
        voltage = battery if marks & _BATTERY else None
        return Measured(at_ms, (temp, hum), voltage, dated=bool(marks & _DATED))

    def _put(self, number: int, measured: Measured) -> None:
        marks = (_DATED if measured.dated else 0) | (0 if measured.battery_mv is None else _BATTERY)
        struct.pack_into(
            _RECORD, self._bytes, number % self.room * RECORD_BYTES,
            measured.at_ms, measured.temp_raw, measured.hum_raw, measured.battery_mv or 0, marks,
        )  # fmt: skip
