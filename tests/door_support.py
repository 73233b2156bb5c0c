"""Boards with people who log in: asked as from another machine, without a network between."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from argon2 import PasswordHasher

from envmon.clock import ManualClock
from envmon.service.people.book import PeopleFile, Person, Role
from envmon_boards.app import build_app
from tests.bench_support import PROCEDURES
from tests.boards_support import Stand, live_state, shop_text, stand_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from fastapi import FastAPI

    from envmon_boards.api import Boards

STRANGER, HERE = "192.0.2.7", "127.0.0.1"  # RFC 5737: an address of nobody
SECRETS: dict[str, tuple[Role, str]] = {
    "Liv": ("look", "482913"),
    "Kari": ("work", "739158"),
    "Ola Nordahl": ("manage", "four words of nothing"),
}
NAME = "air.shop.example"
BOARDS = f"""
[boards]
people_file = "people.toml"
names = ["{NAME}"]
"""

_CHEAP = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
"""So that a test's log-ins cost little; what is kept names its own parameters."""


@cache
def everybody() -> tuple[Person, ...]:
    return tuple(Person(name, role, _CHEAP.hash(pin)) for name, (role, pin) in SECRETS.items())


def people_in(folder: Path) -> PeopleFile:
    file = PeopleFile(folder / "people.toml")
    file.save(everybody(), folder)
    return file


def door_text(boards: str = BOARDS) -> str:
    return shop_text() + boards + PROCEDURES


def door_stand(folder: Path, boards: str = BOARDS) -> Stand:
    """Return boards whose people may log in; their door has a clock of its own."""
    stand = stand_of(folder, door_text(boards))
    stand.boards = replace(
        stand.boards, people=people_in(folder), door_clock=ManualClock(stand.boards.clock.now_us())
    )
    stand.feed.set_broker(up=True)
    for bay in ("north", "south"):
        state = live_state(stand.plan, bay)
        stand.say(state)
    return stand


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def document(self) -> Any:
        return json.loads(self.body)

    @property
    def cookie(self) -> str:
        """The session's cookie as a browser would send it; empty when none is set."""
        return self.headers.get("set-cookie", "").partition(";")[0]


class Asker:
    """Asks an application without a network: so it can be asked from any address.

    Args:
        boards: What it works with.
    """

    def __init__(self, boards: Boards) -> None:
        self.boards, self.app = boards, build_app(boards)
        self.origin = f"https://{NAME}" if boards.shop.boards.encrypted else f"http://{NAME}"
        asyncio.run(_started(self.app))

    @property
    def clock(self) -> ManualClock:
        assert isinstance(self.boards.door_clock, ManualClock)
        return self.boards.door_clock

    def ask(
        self, method: str, path: str, body: Any = None, *, cookie: str = "",
        client: str = STRANGER, headers: Mapping[str, str] | None = None,
    ) -> Answer:  # fmt: skip
        """Ask as a browser on one of our pages does; one of this machine asks for localhost."""
        own = client == HERE and not self.boards.shop.boards.behind_proxy
        name = "localhost" if own else NAME
        origin = self.origin.replace(NAME, name)
        sent = {"host": name, "origin": origin, "content-type": "application/json"}
        if cookie:
            sent["cookie"] = cookie
        sent |= headers or {}
        text = (
            body if isinstance(body, bytes) else b"" if body is None else json.dumps(body).encode()
        )
        return asyncio.run(answer_of(self.app, scope_of(method, path, sent, client), text))

    def log_in(self, name: str, secret: str = "", **more: Any) -> Answer:
        asked = {"name": name, "secret": secret or SECRETS[name][1]}
        return self.ask("POST", "/api/v1/login", asked, **more)

    def cookies(self) -> dict[str, str]:
        """Return a session of everybody, by role."""
        found: dict[str, str] = {}
        for name, (role, _) in SECRETS.items():
            answer = self.log_in(name)
            assert answer.status == 200, answer.body
            found[role] = answer.cookie
        return found


def scope_of(method: str, path: str, headers: Mapping[str, str], client: str) -> dict[str, Any]:
    bare, _, query = path.partition("?")
    pairs = [(key.lower().encode(), value.encode("latin-1")) for key, value in headers.items()]
    return {
        "type": "http", "asgi": {"version": "3.0", "spec_version": "2.4"}, "http_version": "1.1",
        "method": method, "scheme": "http", "path": unquote(bare), "raw_path": bare.encode(),
        "query_string": query.encode(), "root_path": "", "headers": pairs,
        "client": (client, 50_000), "server": ("127.0.0.1", 8050), "state": {},
    }  # fmt: skip


async def _started(app: FastAPI) -> None:
    """Tell the application that it starts: Dash adds its pages then."""
    told = [{"type": "lifespan.startup"}, {"type": "lifespan.shutdown"}]

    async def receive() -> Any:
        return told.pop(0)

    async def send(_message: Any) -> None:
        return

    await app({"type": "lifespan", "asgi": {"version": "3.0"}, "state": {}}, receive, send)


class _EnoughError(OSError):
    """The first part of an answer that never ends."""


async def answer_of(app: FastAPI, scope: dict[str, Any], body: bytes) -> Answer:
    start: dict[str, Any] = {}
    parts: list[bytes] = []

    async def receive() -> Any:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            start.update(message)
            return
        parts.append(message.get("body", b""))
        if message.get("more_body") and b"event: bays" in parts[-1]:
            raise _EnoughError

    await app(scope, receive, send)
    headers = {key.decode("latin-1"): value.decode("latin-1") for key, value in start["headers"]}
    return Answer(start["status"], headers, b"".join(parts))
