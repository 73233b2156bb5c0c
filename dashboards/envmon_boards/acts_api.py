"""Acts on a bay's job over HTTP: kept for the watch, answered with what the watch says."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any, NamedTuple

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from envmon.clock import MINUTE_US
from envmon.job.events import JOB_ACT, REFUSED
from envmon.store.sqlite import SqliteStore
from envmon_boards.acts import act_of
from envmon_boards.door import answered, body_of, problem, refuse_foreign, signed

if TYPE_CHECKING:
    from envmon.facts import Event
    from envmon_boards.api import Boards

WAIT_S = 3.0
"""So long an answer of the watch is waited for [s, real time]."""
LOOK_EVERY_S = 0.03
KEPT = (
    "the watch does not answer; what you asked for is kept, and counts from when the watch "
    "takes it up"
)
_FAR_US = 2**62


class Kept(NamedTuple):
    """An act kept for the watch.

    Attributes:
        id: Of the request; the event it becomes names it.
        at_us: When it was asked for [µs].
    """

    id: int
    at_us: int


def keep_act(boards: Boards, store: SqliteStore, bay: str, data: dict[str, Any]) -> Kept:
    """Keep an act durably and return what its answer is found by."""
    at_us = boards.clock.now_us()
    return Kept(store.ask(JOB_ACT, bay, data, at_us), at_us)


def events_for(store: SqliteStore, kept: Kept) -> list[Event]:
    """Return what the watch made of an act, waiting for it a while; empty while it is silent."""
    until = time.monotonic() + WAIT_S
    while True:
        since_us = kept.at_us - MINUTE_US
        events = store.events_between(since_us, _FAR_US)
        found = [event for event in events if str(event.data.get("ask")) == str(kept.id)]
        if found or time.monotonic() > until:
            return found
        time.sleep(LOOK_EVERY_S)


def said_of(events: list[Event]) -> JSONResponse:
    """Return the answer to an act from the events it became."""
    if not events:
        return JSONResponse({"kept": True, "text": KEPT}, status_code=202)
    last = events[-1]
    if last.kind == REFUSED:
        refusal = {
            "error": last.data["why"],
            "hindrances": last.data.get("hindrances", []),
            "conflict": bool(last.data.get("conflict", False)),
        }
        return JSONResponse(refusal, status_code=409)
    return JSONResponse({"ok": True, "seq": last.seq, "job": last.data.get("job", "")})


def ask_and_wait(boards: Boards, bay: str, data: dict[str, Any]) -> JSONResponse:
    """Keep an act, wait for the watch, and return its answer.

    Raises:
        StoreError: It could not be kept.
    """
    store = SqliteStore(boards.folder)
    try:
        return said_of(events_for(store, keep_act(boards, store, bay, data)))
    finally:
        store.close()


def acts_router(boards: Boards) -> APIRouter:
    """Return the address acts are sent to."""
    router = APIRouter()
    bays = [bay.id for bay in boards.shop.bay]

    @router.post("/api/v1/bays/{bay_id}/acts")
    async def act(bay_id: str, request: Request) -> Response:
        refusal = refuse_foreign(request)
        if refusal is not None:
            return refusal
        if bay_id not in bays:
            return problem(404, f"bay is {bay_id!r}; allowed: {', '.join(bays)}")
        body = signed(request, await body_of(request))
        return await run_in_threadpool(answered, lambda: ask_and_wait(boards, bay_id, act_of(body)))

    return router
