"""The door of the boards: who may come in, and what no answer goes out without."""

from __future__ import annotations

import json
import logging
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import msgspec
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from envmon.errors import InputError, ServiceError, StoreError
from envmon.service.people.book import ROLES
from envmon_boards.door_measure import PER_MINUTE
from envmon_boards.door_porter import Visitor, came_through
from envmon_boards.door_roles import READING, needed_for

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractAsyncContextManager

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from envmon_boards.door_headers import Headers
    from envmon_boards.door_porter import Porter

log = logging.getLogger("envmon.boards")

MAX_BODY = 4_096
MOST_SENT = 65_536
"""The longest body anything here is sent; Dash's own question is the longest [bytes]."""
FRESH = {"Cache-Control": "no-store"}
"""Headers of an answer that is true only now."""
_VISITOR = "envmon_visitor"
_STREAM, _LINKS = "/api/v1/stream", "/ack/"
_KEPT_FOR = frozenset({"work", "manage"})
"""What takes one of these roles leaves an entry in the chain, a record handed out too."""
_ASKED = ("/api/", "/_")
"""Beginnings of what pages ask for, not persons."""


def problem(status: int, what: str) -> JSONResponse:
    """Return an error that a person and a program can read."""
    return JSONResponse({"error": what}, status_code=status)


def fresh_json(document: dict[str, Any]) -> Response:
    """Return a document as JSON that no browser keeps."""
    content = msgspec.json.encode(document)
    return Response(content, media_type="application/json", headers=FRESH)


def answered(answer: Callable[[], Response]) -> Response:
    """Return the answer, or what is wrong in words."""
    try:
        return answer()
    except InputError as error:
        return problem(422, str(error))
    except StoreError as error:
        return problem(503, str(error))


def visitor_of(request: Request) -> Visitor | None:
    """Return who asks; None for a stranger, who gets little."""
    visitor: Visitor | None = request.scope.get(_VISITOR)
    return visitor


def signed(request: Request, body: dict[str, Any] | None) -> dict[str, Any] | None:
    """Return what was sent with the name of who is logged in as ``by``, whatever it said there."""
    visitor = visitor_of(request)
    if body is None or visitor is None or not visitor.name:
        return body
    return {**body, "by": visitor.name}


def wait(left_s: float, why: str) -> Response:
    """Return the answer to who must wait before the same is asked again.

    Args:
        left_s: For how long [s].
        why: What there was too much of.
    """
    whole_s = max(1, round(left_s))
    answer = problem(429, f"{why}: wait {whole_s} s, then try again")
    answer.headers["Retry-After"] = str(whole_s)
    return answer


class _EndedError(OSError):
    """The session behind a long answer has ended."""


class _TooLongError(Exception):
    """More was sent than anything here takes."""


class Door:
    """Lets in who may come in, and sends nothing out without its headers.

    Args:
        app: The application behind it.
        porter: Knows who asks.
        headers: What every answer goes out with.
    """

    def __init__(self, app: ASGIApp, porter: Porter, headers: Headers) -> None:
        self._app, self._porter, self._headers = app, porter, headers

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "http":
            await self._answer(scope, receive, send)
        else:
            await send({"type": "websocket.close", "code": 1008})

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope = self._porter.without_foreign_cookies(scope)
        if self._porter.behind_proxy:
            scope = {**scope, "scheme": "https"}
        coming = _Coming(receive)
        going = _Going(self, scope, send, coming)
        try:
            app = self._refusal(scope) or self._app
            await self._note(scope)
            async with self._place(scope):
                await app(scope, coming, going)
        except (ClientDisconnect, _EndedError):
            return
        except _TooLongError:
            if not going.begun:
                await problem(413, f"allowed are {MOST_SENT} bytes")(scope, receive, going)
        except Exception:
            # The address stays out of it: it may be an acknowledge link.
            log.exception("a request failed: %s", scope["method"])
            if going.begun:
                raise
            await problem(500, "this failed on the server; its log says more")(
                scope, receive, going
            )

    def _refusal(self, scope: Scope) -> Response | None:
        """Return why a request goes no further; None lets it in and says who asks."""
        headers = dict(scope["headers"])
        host = headers.get(b"host", b"").decode("latin-1")
        if not self._porter.knows(host):
            known = ", ".join(sorted(self._porter.hosts))
            return problem(421, f"host is {host!r:.200}; allowed is {known} (names in [boards])")
        if not self._porter.behind_proxy and came_through(headers):
            return problem(421, "this came through a proxy; say behind_proxy = true in [boards]")
        try:
            visitor = self._porter.visitor(scope, headers)
        except (StoreError, ServiceError):
            return problem(503, "who is logged in cannot be read now; the server's log says why")
        scope[_VISITOR] = visitor
        request = Request(scope)
        writes = scope["method"] not in READING and not scope["path"].startswith(_LINKS)
        unfit = (refuse_foreign(request) if writes else None) or _unfit(request, visitor)
        return unfit or self._too_much(request, visitor)

    def _too_much(self, request: Request, visitor: Visitor | None) -> Response | None:
        """Return a refusal for who has more kept than any hand can press, else None."""
        kept = needed_for(request.method, request.scope["path"]) in _KEPT_FOR
        # What a foreign page makes a browser ask is refused further on, and counts for nobody.
        foreign = request.headers.get("sec-fetch-site") in {"cross-site", "same-site"}
        if visitor is None or not kept or foreign:
            return None
        if self._porter.measure.takes(visitor):
            return None
        return wait(1.0, f"more was asked for than {PER_MINUTE:g} things a minute")

    def _place(self, scope: Scope) -> AbstractAsyncContextManager[None]:
        """Return one of a person's places; a stream does not take one.

        Strangers have some together at the links they are sent: these read the store.
        """
        visitor: Visitor | None = scope.get(_VISITOR)
        if visitor is not None and scope["path"] != _STREAM:
            return self._porter.measure.turn(visitor.name)
        if visitor is None and scope["path"].startswith(_LINKS):
            return self._porter.measure.turn(_LINKS)
        return nullcontext()

    def with_headers(self, scope: Scope, message: Message) -> Message:
        """Return the beginning of an answer with what none goes out without."""
        there = message.get("headers", [])
        return {**message, "headers": self._headers.added(scope["path"], there)}

    def still_in(self, scope: Scope) -> bool:
        """Return whether who asked may still be answered: a stream outlasts sessions."""
        visitor: Visitor | None = scope.get(_VISITOR)
        if visitor is None or not visitor.token:
            return True
        try:
            return self._porter.person(visitor.token) is not None
        except (StoreError, ServiceError):
            return False

    async def _note(self, scope: Scope) -> None:
        """Note that somebody does something; only a screen that may but look is busy by looking."""
        visitor: Visitor | None = scope.get(_VISITOR)
        sessions = self._porter.sessions
        if visitor is None or not visitor.token or sessions is None:
            return
        acts = scope["method"] not in READING or not scope["path"].startswith("/api/")
        if (acts or visitor.role == "look") and sessions.due(visitor.token):
            await run_in_threadpool(sessions.touch, visitor.token)


class _Coming:
    """What a request is read by, up to the longest body.

    Attributes:
        too_long: More was sent.
    """

    def __init__(self, receive: Receive) -> None:
        self._receive, self._read, self.too_long = receive, 0, False

    async def __call__(self) -> Message:
        message = await self._receive()
        self._read += len(message.get("body", b""))
        self.too_long = self._read > MOST_SENT
        if self.too_long:
            raise _TooLongError
        return message


class _Going:
    """What an answer is sent by.

    Attributes:
        begun: The beginning of one was sent.
    """

    def __init__(self, door: Door, scope: Scope, send: Send, coming: _Coming) -> None:
        self._door, self._scope, self._send, self._coming = door, scope, send, coming
        self.begun = self._replaced = False

    async def __call__(self, message: Message) -> None:
        if self._replaced:
            return
        if message["type"] == "http.response.start":
            await self._begin(message)
            return
        if message.get("more_body") and not self._door.still_in(self._scope):
            await self._send({"type": "http.response.body", "body": b""})
            raise _EndedError
        await self._send(message)

    async def _begin(self, message: Message) -> None:
        instead = _instead(self._scope["path"], message["status"], self._coming)
        self.begun = True
        if instead is None:
            await self._send(self._door.with_headers(self._scope, message))
            return
        await instead(self._scope, self._coming, self)
        self._replaced = True


def _instead(path: str, status: int, coming: _Coming) -> Response | None:
    """Return the answer in place of one that blames the server for what was asked, else None.

    Dash makes 500 of everything that is no question of its own pages.
    """
    if status != 500:
        return None
    if coming.too_long:
        return problem(413, f"allowed are {MOST_SENT} bytes")
    if not path.startswith("/_dash-"):
        return None
    if path.startswith("/_dash-update"):  # which no stranger asks
        log.warning("a question of a page could not be answered")
    return problem(400, "no page here asks this; load the page anew")


def _unfit(request: Request, visitor: Visitor | None) -> Response | None:
    """Return a refusal for who may not do this, else None."""
    path = request.scope["path"]  # as routes are found by it; request.url ends at a decoded "?"
    needed = needed_for(request.method, path)
    if needed == "nobody":
        return None
    if visitor is not None and ROLES.index(visitor.role) >= ROLES.index(needed):
        return None
    if visitor is not None and visitor.name:
        return problem(
            403,
            f"{visitor.name} has the role {visitor.role}; this takes {needed}: log in as "
            "somebody who has it",
        )
    opens = request.headers.get("sec-fetch-mode") == "navigate" or not path.startswith(_ASKED)
    if request.method in READING and opens:
        return RedirectResponse(f"/login?next={quote(path, safe='/')}", 303)
    return problem(401, "log in first")


def refuse_foreign(request: Request) -> JSONResponse | None:
    """Return a refusal for a write that does not come from our own page, else None.

    The content type keeps plain forms out; the browser itself vouches for where it comes from, and
    no page can forge that. A request that says nothing of it is refused, so no token is needed.
    """
    headers = request.headers
    if headers.get("content-type", "").split(";")[0].strip() != "application/json":
        return problem(415, "content type must be application/json")
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    own = f"{request.url.scheme}://{headers.get('host')}"
    same = (origin is None or origin == own) and (site is None or site == "same-origin")
    if not same or (origin is None and site is None):
        return problem(403, f"origin is {origin!r:.200}; only {own} may do this: send it as Origin")
    return None


async def body_of(request: Request) -> dict[str, Any] | None:
    """Return the JSON object that was sent; None when it is none or too long.

    Where it says who did something, that is who is logged in.
    """
    raw = b""
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > MAX_BODY:
            return None
    try:
        # A text cut off within an emoji ends in half a character, which is left out.
        whole = json.dumps(json.loads(raw), ensure_ascii=False).encode(errors="ignore")
        document = msgspec.json.decode(whole)  # unlike json it knows no NaN
    except (ValueError, RecursionError):
        return None
    if not isinstance(document, dict):
        return None
    return signed(request, document) if "by" in document else document
