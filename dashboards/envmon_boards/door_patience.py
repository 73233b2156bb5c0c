"""How long the boards wait for a request, and how many connections one address may hold.

Nothing of the web server's own ends a connection that sends its request byte by byte, or never
reads its answer; a thousand of them and no screen gets through.
"""

from __future__ import annotations

import resource
from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from envmon.shop.boards import is_loopback
from envmon_boards.door_tries import place_of

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
HEAD = 16_384
"""Longest head of a request [bytes]."""
HEADERS, TARGET = 100, 8_192
"""Most lines of a head, and longest address with its question [bytes]."""
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
    """Return whether one more connection of an address is let in; of IPv6, of a network.

    Args:
        address: Where it comes from.
        others: Where those come from that there are.
    """
    known = [other for other in others if is_loopback(other) == is_loopback(address)]
    if len(known) >= MOST:
        return False
    place = place_of(address)
    return is_loopback(address) or [*map(place_of, known)].count(place) < MOST_OF_ONE


def lines_of_head(data: bytes) -> int:
    """Return how many lines there are up to the first empty one."""
    return data.partition(b"\n\r\n")[0].count(b"\n")


class _Reader(h11.Connection):
    """Reads requests, but none that would cost much more work than it is long.

    A thousand headers, or a body in pieces of one byte, take seconds of the one loop that answers
    every screen. No browser sends a body in pieces; one that says its length takes no work.
    """

    def next_event(self) -> type[h11.NEED_DATA | h11.PAUSED] | h11.Event:
        """Return what comes next.

        Raises:
            RemoteProtocolError: It is no request, or one that is not taken.
        """
        event = super().next_event()
        if isinstance(event, h11.Request):
            names = [name for name, _ in event.headers]
            if len(names) > HEADERS or len(event.target) > TARGET or b"transfer-encoding" in names:
                raise h11.RemoteProtocolError("a request that nothing here sends")
        return event


class PatientProtocol(H11Protocol):
    """A connection that is closed when it keeps the boards waiting."""

    _since = 0.0
    _state: object = None
    _stuck_since: float | None = None
    _look_task: asyncio.TimerHandle | None = None

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.conn = _Reader(h11.SERVER, HEAD)

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no request; where one is being answered, that answer ends with it.

        Else the answer would fail later, with a page of the log for each.
        """
        if self.cycle is None or self.cycle.response_complete:
            super().send_400_response(msg)
            return
        self.cycle.disconnected = True
        self.cycle.message_event.set()
        self.transport.abort()

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
        if self.transport.is_closing():
            return
        # Counted before they are taken apart, which is what costs.
        if self.conn.their_state is h11.IDLE and lines_of_head(data) > HEADERS:
            self.send_400_response("the head of this request has too many lines")
            return
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
