"""How long the boards wait for a request, and how many connections one address may hold.

Nothing of the web server's own ends a connection that sends its request byte by byte, or never
reads its answer; a thousand of them and no screen gets through.
"""

from __future__ import annotations

import resource
from typing import TYPE_CHECKING

from uvicorn.protocols.http.h11_impl import H11Protocol

from envmon.shop.boards import is_loopback

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterable

LOOK_EVERY_S = 2.0
ASKING_S = 10.0
"""So long a request may take to arrive, head and body each [s]."""
READING_S = 30.0
"""So long nothing of an answer need be read [s]."""
MOST_OF_ONE = 48
"""Connections of one address: eight browsers at six each."""
MOST = 256
"""Connections from elsewhere, and as many again from this machine, where a proxy may sit."""
FILES = 4_096
_FULL = (
    b"HTTP/1.1 503 Service Unavailable\r\nconnection: close\r\nretry-after: 10\r\n"
    b"content-length: 0\r\n\r\n"
)


def ensure_files() -> None:
    """Allow as many open files as the connections need, as far as the system lets us."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = FILES if hard == resource.RLIM_INFINITY else min(FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def has_room(address: str, others: Iterable[str]) -> bool:
    """Return whether one more connection of an address is let in.

    Args:
        address: Where it comes from.
        others: Where those come from that there are.
    """
    known = [other for other in others if is_loopback(other) == is_loopback(address)]
    if len(known) >= MOST:
        return False
    return is_loopback(address) or known.count(address) < MOST_OF_ONE


class PatientProtocol(H11Protocol):
    """A connection that is closed when it keeps the boards waiting.

    ``h11`` is also what limits the head of a request, to 64 KiB.
    """

    _since = 0.0
    _state: object = None
    _stuck_since: float | None = None
    _look_task: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, or refuse it where there are enough."""
        others = [_address(one) for one in self.connections]
        super().connection_made(transport)
        if not has_room(_address(self), others):
            transport.write(_FULL)
            transport.close()
            return
        self._since = self.loop.time()
        self._look_task = self.loop.call_later(LOOK_EVERY_S, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Let it go."""
        if self._look_task is not None:
            self._look_task.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what was sent; behind a refusal nothing is read."""
        if not self.transport.is_closing():
            super().data_received(data)

    def _waits_for(self) -> object:
        """Return what of a request is still to come; None while it is being answered."""
        if self.cycle is None or self.cycle.response_complete:
            return ("head", self.cycle)
        return ("body", self.cycle) if self.cycle.more_body else None

    def _look(self) -> None:
        now, state = self.loop.time(), self._waits_for()
        if state != self._state:
            self._state, self._since = state, now
        # An answer nobody reads: the writer waits until its buffer is taken.
        if self.flow.write_paused:
            self._stuck_since = now if self._stuck_since is None else self._stuck_since
        else:
            self._stuck_since = None
        stuck = self._stuck_since is not None and now - self._stuck_since > READING_S
        if stuck or (state is not None and now - self._since > ASKING_S):
            self.transport.abort()
            return
        self._look_task = self.loop.call_later(LOOK_EVERY_S, self._look)


def _address(one: object) -> str:
    client = getattr(one, "client", None)
    return client[0] if client else ""
