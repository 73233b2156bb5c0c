"""Who stands at the door: a person who is logged in, somebody at this machine, or nobody known."""

from __future__ import annotations

import ipaddress
import logging
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SystemClock
from envmon.errors import ServiceError, StoreError
from envmon.shop.boards import EVERYWHERE, is_loopback
from envmon_boards.door_measure import Measure
from envmon_boards.door_session import Sessions
from envmon_boards.door_store import DoorStore
from envmon_boards.door_tries import Tries

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from starlette.types import Scope

    from envmon.clock import Clock
    from envmon.service.people.book import PeopleFile, Person, Role
    from envmon.shop.models import Shop

log = logging.getLogger("envmon.door")

_FORWARDED = (b"forwarded", b"x-forwarded-", b"x-real-ip", b"via")
"""Beginnings of what proxies add."""
LONGEST_ID = 100
"""Characters of a session's id, with room."""
_LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})


class Visitor(NamedTuple):
    """Who asks.

    Attributes:
        name: Of the person; empty where nobody is logged in.
        role: What may be done.
        token: Id of the session; empty without one.
    """

    name: str
    role: Role
    token: str = ""


class Porter:
    """Knows people by their session and neighbours by their address.

    Args:
        shop: The shop file.
        folder: Data folder.
        people: Who may log in; None where the screens are for this machine only.
        clock: What time it is, never the demo's.

    Raises:
        StoreError: The sessions cannot be kept.
    """

    def __init__(
        self, shop: Shop, folder: Path, people: PeopleFile | None, clock: Clock | None = None
    ) -> None:
        self.clock = clock = clock or SystemClock()
        self.people, self.encrypted = people, shop.boards.encrypted
        self.behind_proxy = shop.boards.behind_proxy
        host = shop.shop.boards_host
        self.hosts = frozenset({*shop.boards.names, *({host} - EVERYWHERE), *_LOOPBACK_NAMES})
        self.cookie = "__Host-envmon" if self.encrypted else "envmon"
        self._told = ""
        self.measure = Measure(folder, clock)
        self.sessions: Sessions | None = None
        self.tries: Tries | None = None
        if people is not None:
            store = DoorStore(folder)
            self.sessions = Sessions(store, people, clock)
            self.tries = Tries(store, clock)

    def knows(self, host: str) -> bool:
        """Return whether a Host header names this machine."""
        name = host_name(host).lower().rstrip(".")
        return name in self.hosts or is_loopback(name)

    def token(self, headers: Mapping[bytes, bytes]) -> str:
        """Return the session's id as a browser sent it; empty without one.

        Ids need no unquoting, and Python's own takes seconds for a head full of backslashes.
        """
        wanted = self.cookie.encode()
        for part in headers.get(b"cookie", b"").split(b";"):
            name, _, value = part.strip(b" \t").partition(b"=")
            if name == wanted:
                return value.decode("latin-1") if len(value) <= LONGEST_ID else ""
        return ""

    def without_foreign_cookies(self, scope: Scope) -> Scope:
        """Return a request with no cookie but the session's: nothing behind the door reads others.

        Args:
            scope: The request.
        """
        headers = [pair for pair in scope["headers"] if pair[0] != b"cookie"]
        token = self.token(dict(scope["headers"]))
        if token:
            headers.append((b"cookie", f"{self.cookie}={token}".encode("latin-1")))
        return {**scope, "headers": headers}

    def visitor(self, scope: Scope, headers: Mapping[bytes, bytes]) -> Visitor | None:
        """Return who asks; None for a stranger.

        Raises:
            StoreError: The sessions cannot be read, and it is nobody at this machine.
            ServiceError: The people file cannot be used, and it is nobody at this machine.
        """
        local = self.is_local(scope, headers)
        if self.sessions is None:
            return Visitor("", "manage") if local else None
        token = self.token(headers)
        try:
            person = self.sessions.person(token) if token else None
        except (StoreError, ServiceError) as error:
            self._tell(str(error))
            if not local:
                raise
            person = None  # the wall of this machine goes on, whatever became of the people file
        if person is not None:
            self._told = ""
            return Visitor(person.name, person.role, token)
        return Visitor("", "look") if local else None

    def _tell(self, trouble: str) -> None:
        """Say once what keeps people out, not with every request."""
        if trouble != self._told:
            self._told = trouble
            log.error("nobody can be let in: %s", trouble)

    def person(self, token: str) -> Person | None:
        """Return whose session it is now; None when it has ended."""
        return self.sessions.person(token) if self.sessions else None

    def is_local(self, scope: Scope, headers: Mapping[bytes, bytes]) -> bool:
        """Return whether a request comes from this machine, and not through a proxy on it.

        A proxy that says nothing of itself is known by the name it passes on: a screen of this
        machine asks for ``localhost``.
        """
        if self.behind_proxy or came_through(headers) or not is_loopback(_peer(scope)):
            return False
        host = host_name(headers.get(b"host", b"").decode("latin-1"))
        return self.people is None or is_loopback(host.lower().rstrip("."))

    def address(self, scope: Scope, headers: Mapping[bytes, bytes]) -> str:
        """Return where a request comes from, as a proxy on this machine tells it."""
        peer = _peer(scope)
        if not (self.behind_proxy and is_loopback(peer)):
            return peer
        told = headers.get(b"x-forwarded-for", b"").decode("latin-1").split(",")[-1].strip()
        try:
            return str(ipaddress.ip_address(told))
        except ValueError:
            return peer


def came_through(headers: Mapping[bytes, bytes]) -> bool:
    """Return whether a request came through a proxy: then it is not from this machine."""
    return any(name.startswith(_FORWARDED) for name in headers)


def host_name(header: str) -> str:
    """Return the host of a Host header without its port."""
    if header.startswith("["):
        return header.partition("]")[0][1:]
    return header.partition(":")[0]


def _peer(scope: Scope) -> str:
    client = scope.get("client")
    return client[0] if client else ""
