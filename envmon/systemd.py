"""What a service says to systemd: ready, still alive, how it stands, stopping.

Source: sd_notify(3) and sd_watchdog_enabled(3) of systemd. Where nobody listens nothing is said.
"""

from __future__ import annotations

import logging
import os
import socket
import time
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

log = logging.getLogger("envmon.supervisor")

AGAIN_S = 1.0
"""What was not well is looked at again after so long."""


class Notifier:
    """Says how the service stands, to the socket that the service manager named.

    A failure to say it is logged once and stops nothing.

    Args:
        address: Path of a datagram socket, or ``@`` and an abstract name; empty says nothing.
    """

    def __init__(self, address: str = "") -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        self._failed = False

    def say(self, *assignments: str) -> None:
        """Send assignments such as ``READY=1`` in one message."""
        if not self._address:
            return
        try:
            if self._socket is None:
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
                # Systemd may be slow, and the processes here must still be looked after.
                self._socket.settimeout(1.0)
            self._socket.sendto("\n".join(assignments).encode(), self._address)
        except OSError as error:
            if not self._failed:
                log.warning("cannot say %s to systemd: %s", assignments[0], error)
            self._failed = True

    def close(self) -> None:
        """Release the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


class Asked(NamedTuple):
    """What the service manager asked for: where to say it, and how often [s]; None is never."""

    address: str = ""
    watchdog_s: float | None = None

    @property
    def half_s(self) -> float:
        """Half of that time [s]: so often it is said, and so fresh must be what it is said of."""
        return float("inf") if self.watchdog_s is None else self.watchdog_s / 2


NOBODY = Asked()


def asked_of(environment: Mapping[str, str], pid: int) -> Asked:
    """Return what the service manager wrote into the environment.

    Args:
        environment: Variables of this process.
        pid: Its number; a watchdog may be meant for another process.
    """
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return NOBODY
    meant = environment.get("WATCHDOG_PID", str(pid)) == str(pid)
    text = environment.get("WATCHDOG_USEC", "")
    wanted = meant and text.isdecimal() and int(text) > 0
    return Asked(address, int(text) / 1e6 if wanted else None)


def asked_and_forgotten() -> Asked:
    """Return what was asked of this process, and take it out of what its children inherit."""
    asked = asked_of(os.environ, os.getpid())
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"):
        os.environ.pop(name, None)
    return asked


class Watchdog:
    """Tells the service manager that the service is alive, as long as every check finds it so.

    Alive is said at half of the time that was asked for.

    Args:
        asked: What the service manager asked for.
        checks: Each returns what is wrong, or nothing; asked only when it is time to speak.
        time_s: A time that passes evenly [s].
    """

    def __init__(
        self,
        asked: Asked,
        checks: Sequence[Callable[[], str]] = (),
        time_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._notifier = Notifier(asked.address)
        self._checks, self._time_s = checks, time_s
        self._every_s = asked.half_s
        self._next_at = 0.0 if asked.watchdog_s else float("inf")
        self._status = ""

    def ready(self, status: str) -> None:
        """Say that everything is started."""
        self._status = status
        self._notifier.say("READY=1", f"STATUS={status}")

    def look(self) -> None:
        """Say that the service is alive, when it is time and it is."""
        now = self._time_s()
        if now < self._next_at:
            return
        wrong = next(filter(None, (check() for check in self._checks)), "")
        if wrong:
            self._next_at = now + min(AGAIN_S, self._every_s)
            self._notifier.say(f"STATUS={wrong}")
            return
        self._next_at = now + self._every_s
        self._notifier.say("WATCHDOG=1", f"STATUS={self._status}")

    def stopping(self) -> None:
        """Say that the end has begun, and that nothing more will be said."""
        self._notifier.say("STOPPING=1")
        self._notifier.close()
