"""Logging in and out, and saying who is logged in."""

from __future__ import annotations

import logging
from pathlib import Path
from threading import BoundedSemaphore, Lock
from typing import TYPE_CHECKING, Any, NamedTuple

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from envmon.errors import ServiceError, StoreError
from envmon.intake.allowance import Purse
from envmon.service.people.book import LONGEST_NAME
from envmon.service.people.secret import LONGEST, NOBODY, fits
from envmon_boards.door import body_of, fresh_json, problem, visitor_of, wait
from envmon_boards.door_page import login_page
from envmon_boards.door_session import seconds_of
from envmon_boards.door_tries import place_of

if TYPE_CHECKING:
    from envmon.service.people.book import Person
    from envmon_boards.door_porter import Porter

log = logging.getLogger("envmon.door")

FILES = Path(__file__).parent / "door_assets"
WRONG = "name and PIN do not fit together"
_JUDGED_PER_S, _JUDGED_SAVED = 0.5, 30.0
"""So many log-ins of one address are judged for as long as it likes, and at once: a proxy that
tells no addresses, or a shop behind one, has all its people there."""
_AT_ONCE = 8
"""So many log-ins are judged or wait for it; more would only use up the machine."""


class _Asked(NamedTuple):
    """A try to log in."""

    name: str
    secret: str
    address: str
    old: str


class LoginDesk:
    """Judges log-ins.

    Args:
        porter: Has people, sessions and what was tried.
    """

    def __init__(self, porter: Porter) -> None:
        self._porter = porter
        self._room = BoundedSemaphore(_AT_ONCE)
        self._lock = Lock()
        self._judging: Purse[str] = Purse(_JUDGED_PER_S, _JUDGED_SAVED)

    def log_in(self, asked: _Asked) -> Response:
        """Return the answer to a try, with the session's cookie when it was good."""
        if not self._room.acquire(blocking=False):
            return wait(2.0, "many log in at this moment")
        try:
            return self._judged(asked)
        except (StoreError, ServiceError) as error:
            log.warning("nobody can log in: %s", error)
            return problem(503, "nobody can log in now; the server's log says why")
        finally:
            self._room.release()

    def _judged(self, asked: _Asked) -> Response:
        porter = self._porter
        assert porter.people is not None
        assert porter.sessions is not None
        assert porter.tries is not None
        if not self._may_be_judged(asked.address):
            return wait(1 / _JUDGED_PER_S, "too many log-ins from there")
        left_s = porter.tries.begin(asked.name, asked.address)
        if left_s > 0:
            return wait(left_s, "too many tries")
        person = porter.people.find(asked.name)
        good = fits(person.kept if person else NOBODY, asked.secret)
        if person is None or not good:
            # A name nobody has is not shown: it may be a PIN in the wrong field.
            log.warning("wrong log-in as %s from %s", _known(person), asked.address)
            return problem(401, WRONG)
        porter.tries.good(asked.name, asked.address)
        if asked.old:
            porter.sessions.end(asked.old)
        log.info("%s logged in from %s", person.name, asked.address)
        return self._let_in(person, porter.sessions.begin(person))

    def _may_be_judged(self, address: str) -> bool:
        """Return whether an address may have one more judged, good ones too: each takes work."""
        now_us = self._porter.clock.now_us()
        with self._lock:
            granted = self._judging.take(place_of(address), 1, now_us)
            self._judging.kept()
            self._judging.forget_full(now_us)
        return granted == 1

    def _let_in(self, person: Person, token: str) -> Response:
        answer = fresh_json({"name": person.name, "role": person.role})
        answer.set_cookie(
            self._porter.cookie, token, max_age=seconds_of(person.role), path="/",
            secure=self._porter.encrypted, httponly=True, samesite="strict",
        )  # fmt: skip
        return answer

    def log_out(self, token: str) -> Response:
        """End a session at once and take its cookie away."""
        try:
            if self._porter.sessions is not None and token:
                self._porter.sessions.end(token)
        except StoreError as error:
            return problem(503, f"not logged out: {error}")
        answer = fresh_json({"ok": True})
        answer.delete_cookie(
            self._porter.cookie, path="/", secure=self._porter.encrypted, httponly=True,
            samesite="strict",
        )  # fmt: skip
        return answer


def _known(person: Person | None) -> str:
    return person.name if person else "nobody known"


def _text(body: dict[str, Any], key: str, most: int) -> str | None:
    text = body.get(key)
    return text if isinstance(text, str) and 0 < len(text) <= most else None


def login_router(porter: Porter, shop_name: str) -> APIRouter:
    """Return the addresses of the log-in."""
    router, desk = APIRouter(), LoginDesk(porter)

    def token_of(request: Request) -> str:
        return porter.token(dict(request.scope["headers"]))

    @router.get("/login")
    async def page() -> Response:
        if porter.people is None:
            return RedirectResponse("/", 303)
        return HTMLResponse(login_page(shop_name))

    @router.get("/api/v1/who")
    async def who(request: Request) -> Response:
        visitor = visitor_of(request)
        name, role = (visitor.name, visitor.role) if visitor else ("", "")
        return fresh_json({"people": porter.people is not None, "name": name, "role": role})

    @router.post("/api/v1/login")
    async def log_in(request: Request) -> Response:
        if porter.people is None:
            return problem(404, "these screens have no log-in: there is no people_file in [boards]")
        body = await body_of(request) or {}
        name, secret = _text(body, "name", LONGEST_NAME), _text(body, "secret", LONGEST)
        if name is None or secret is None or set(body) != {"name", "secret"}:
            return problem(422, 'send {"name": "…", "secret": "PIN or password"}')
        address = porter.address(request.scope, dict(request.scope["headers"]))
        asked = _Asked(name, secret, address, token_of(request))
        return await run_in_threadpool(desk.log_in, asked)

    @router.post("/api/v1/logout")
    async def log_out(request: Request) -> Response:
        return await run_in_threadpool(desk.log_out, token_of(request))

    _add_files(router)
    return router


def _add_files(router: APIRouter) -> None:
    def add(name: str, kind: str) -> None:
        @router.get(f"/static/{name}")
        async def file() -> FileResponse:
            return FileResponse(
                FILES / name, media_type=kind, headers={"Cache-Control": "no-cache"}
            )

    add("login.css", "text/css")
    add("login.js", "text/javascript")
    add("ack.css", "text/css")
