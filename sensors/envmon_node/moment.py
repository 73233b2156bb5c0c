"""When something was measured, also where the machine does not know the time of day yet.

A small machine without a battery clock starts with a wrong time. What is measured is marked with
the time since boot, which is always right, and dated when the time of day is known.
"""

from __future__ import annotations

import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from envmon.clock import us_from_iso

if TYPE_CHECKING:
    from collections.abc import Callable

FLOOR_US = us_from_iso("2024-01-01T00:00:00Z")
"""No node was built before; a clock that shows less is not set [µs, UTC]."""
SYNCHRONISED_FILE = Path("run/systemd/timesync/synchronized")
ASK_S = 5.0
AGAIN_US = 5_000_000
"""A clock that was not set is asked for again after so long [µs]."""


class Times(Protocol):
    """What the node may know about time."""

    boot: str
    """Tells one start of the machine from another."""

    def now_us(self) -> int:
        """Return the time of day, right or wrong [µs, UTC]."""
        ...

    def up_us(self) -> int:
        """Return the time since boot [µs]."""
        ...

    def doubt(self) -> str:
        """Return why the time of day is not to be trusted, or nothing."""
        ...


def service_synchronised() -> bool:
    """Return whether systemd says that a time service keeps the clock, whichever it is.

    Source: timedatectl(1), property NTPSynchronized. The system call behind it (adjtimex) is one
    that a service locked down as ours may not make.
    """
    ask = ["/usr/bin/timedatectl", "show", "--property=NTPSynchronized", "--value"]
    try:
        done = subprocess.run(ask, capture_output=True, timeout=ASK_S, check=False)  # noqa: S603
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.stdout.strip() == b"yes"


class MachineTimes:
    """This machine's times.

    Once the time of day was known it is trusted until the node ends.

    Args:
        trusted: The machine has a clock with a battery and no time service: only a time before
            2024 is doubted.
        root: Where the file system begins.
        synchronised: Whether a time service keeps the clock.
    """

    def __init__(
        self,
        *,
        trusted: bool,
        root: Path = Path("/"),
        synchronised: Callable[[], bool] = service_synchronised,
    ) -> None:
        self.boot = (root / "proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        self._known = trusted
        self._file = root / SYNCHRONISED_FILE
        self._synchronised, self._ask_at_us = synchronised, 0

    def now_us(self) -> int:
        """Return the time of day [µs, UTC]."""
        return time.time_ns() // 1_000

    def up_us(self) -> int:
        """Return the time since boot, sleep included [µs]."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000

    def doubt(self) -> str:
        """Return why the time of day is not to be trusted, or nothing."""
        if self.now_us() < FLOOR_US:
            return "the clock shows a time before 2024"
        if self._known or self._set():
            return ""
        return "no time service has set the clock yet"

    def _set(self) -> bool:
        up_us = self.up_us()
        if up_us < self._ask_at_us:
            return False
        self._ask_at_us = up_us + AGAIN_US
        self._known = self._file.exists() or self._synchronised()
        return self._known
