"""Who may come in: requests to this machine's own name, writes from our own pages."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import msgspec
from fastapi.responses import JSONResponse, Response

from envmon.errors import InputError, StoreError
from envmon.shop.models import is_loopback

if TYPE_CHECKING:
    from collections.abc import Callable

    from fastapi import Request
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY = 4_096
FRESH = {"Cache-Control": "no-store"}
"""Headers of an answer that is true only now."""
_HEADERS = {
    b"content-security-policy": b"default-src 'self'; img-src 'self' data: blob:; "
    b"style-src 'self' 'unsafe-inline'; script-src 'self' 'unsafe-inline'; "
    b"frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
    b"referrer-policy": b"same-origin",
    b"x-content-type-options": b"nosniff",
}


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


def host_name(header: str) -> str:
    """Return the host of a Host header without its port."""
    if header.startswith("["):
        return header.partition("]")[0][1:]
    return header.partition(":")[0]


class LoopbackOnly:
    """Refuses a request that names another host: a foreign page that turned its name to us.

    Everything let through is answered with headers that keep foreign scripts and frames out.

    Args:
        app: The application behind it.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer 421."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        host = dict(scope["headers"]).get(b"host", b"").decode("latin-1")
        if not is_loopback(host_name(host)):
            refusal = problem(421, f"host is {host!r}; allowed is 127.0.0.1 or localhost")
            await refusal(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_HEADERS.items()]
            await send(message)

        await self._app(scope, receive, guarded)


def refuse_foreign(request: Request) -> JSONResponse | None:
    """Return a refusal for a write that does not come from our own page, else None.

    The content type keeps plain forms out; the browser itself vouches for where it comes from.
    """
    headers = request.headers
    if headers.get("content-type", "").split(";")[0].strip() != "application/json":
        return problem(415, "content type must be application/json")
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    own = f"{request.url.scheme}://{headers.get('host')}"
    same = (origin is None or origin == own) and (site is None or site == "same-origin")
    if not same or (origin is None and site is None):
        return problem(403, f"origin is {origin!r}; only {own} may do this: send it as Origin")
    return None


async def body_of(request: Request) -> dict[str, Any] | None:
    """Return the JSON object that was sent; None when it is none or too long."""
    raw = b""
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > MAX_BODY:
            return None
    try:
        document = json.loads(raw)
    except (ValueError, RecursionError):
        return None
    return document if isinstance(document, dict) else None
