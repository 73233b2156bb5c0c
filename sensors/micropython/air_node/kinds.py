"""What the parts need of each other, for whoever reads and for the type checker.

Not used on a board: MicroPython does not look at annotations, and has no ``typing``.
"""

from collections.abc import Iterator
from typing import Protocol

Pieces = Iterator[bytes | memoryview]


class Wires(Protocol):
    """What is needed of an I2C bus."""

    def writeto(self, address: int, data: bytes) -> object:
        """Send bytes."""

    def readfrom(self, address: int, count: int) -> bytes:
        """Receive bytes."""


class Pause(Protocol):
    """Waits."""

    def __call__(self, ms: int) -> object:
        """Wait so long [ms]."""


class Clock(Protocol):
    """A board's clock."""

    def ticks_ms(self) -> int:
        """Return a counter of milliseconds that wraps around."""

    def ticks_diff(self, end: int, start: int) -> int:
        """Return how much later ``end`` is than ``start`` [ms]."""

    def epoch_year(self) -> int:
        """Return from which year the time of day is counted: 1970 or 2000."""

    def time_ns(self) -> int:
        """Return the time of day since then, right or wrong [ns]."""


class Machine(Clock, Protocol):
    """What the loop needs of a board."""

    def feed(self) -> object:
        """Tell the watchdog that all is well."""

    def battery_mv(self) -> int | None:
        """Return the battery's voltage [mV], or None without one."""

    def ask_time(self) -> object:
        """Set the clock by the time server; may raise OSError."""

    def started_by(self) -> str:
        """Return what made the board start."""

    def sleep(self, ms: int, keep: bytes) -> object:
        """Sleep deeply and keep some bytes."""


class Stream(Protocol):
    """A connection that never waits, except when told."""

    def read(self, most: int) -> bytes | None:
        """Return what is there, None for nothing, no bytes for a connection that has ended."""

    def write_all(self, data: bytes) -> object:
        """Send all of it."""

    def wait(self, ms: int) -> object:
        """Return when something can be read, or after so long [ms]."""

    def close(self) -> object:
        """End it."""


class Network(Protocol):
    """The way to the broker."""

    def up(self) -> bool:
        """Return whether the network is there; work on it otherwise."""

    def why(self) -> str:
        """Return why it is not there."""

    def dial(self) -> Stream:
        """Return a connection to the broker; waits for it a few seconds at most."""

    def pause(self, ms: int) -> object:
        """Wait so long [ms]."""
