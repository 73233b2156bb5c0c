"""What the boards answer over HTTP, and the stream every screen listens to."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

import msgspec
import plotly
from fastapi import APIRouter, Request
from fastapi.responses import (
    FileResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.concurrency import run_in_threadpool

from envmon.clock import HOUR_US, iso_from_us
from envmon.errors import StoreError
from envmon.shop.stages import STAGE_IDS
from envmon.store.sqlite import SqliteStore
from envmon_boards.ack_api import ack_router
from envmon_boards.acts_api import acts_router
from envmon_boards.alarms_api import alarms_router
from envmon_boards.door import body_of, problem, refuse_foreign, visitor_of
from envmon_boards.history_api import history_router
from envmon_boards.jobs_api import jobs_router
from envmon_boards.record_api import record_router
from envmon_boards.trend import trend_document, trend_points

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from envmon.clock import Clock
    from envmon.field.hearing_link import Hearing
    from envmon.guard.plan import GuardPlan
    from envmon.service.people.book import PeopleFile
    from envmon.shop.models import Shop
    from envmon_boards.feed import LiveFeed
    from envmon_boards.source import MqttSource

BEAT_S = 1.0
"""A screen hears at least so often, with or without news [s]."""
GAP_S = 0.02
"""Shortest time between two events to one screen; no screen draws faster [s]."""
TREND_HOURS = 24.0
_PLOTLY = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
_ORDERS = ({"node", "out"}, {"bay", "door"}, {"bay", "wash"})


@dataclass(frozen=True)
class Boards:
    """What the board process works with.

    Attributes:
        shop: The shop file.
        plan: The shop file compiled for the guard; says which points belong to a bay.
        feed: Live states.
        folder: Data folder.
        clock: What time it is.
        source: Connection to the broker for the demo's orders; None outside the demo.
        people: Who may log in; None where the screens are for this machine only.
        door_clock: What time it is for sessions; the machine's own when None.
        shop_path: Where the shop file is; None where nothing is claimed into it.
        hearing: Listens to everything on the broker while somebody looks at the points.
    """

    shop: Shop
    plan: GuardPlan
    feed: LiveFeed
    folder: Path
    clock: Clock
    source: MqttSource | None = None
    people: PeopleFile | None = None
    door_clock: Clock | None = None
    shop_path: Path | None = None
    hearing: Hearing | None = None

    @property
    def demo(self) -> bool:
        """Whether the demo's page is offered."""
        return self.source is not None

    def document(self, after: int = 0) -> dict[str, Any]:
        """Return what a screen needs that has seen ``after``, see ``LiveFeed.snapshot``."""
        return {"at": iso_from_us(self.clock.now_us()), **self.feed.snapshot(after)[1]}


class _Answers(NamedTuple):
    """The answers to single questions, apart from the addresses they stand at."""

    boards: Boards

    def health(self, *, briefly: bool) -> JSONResponse:
        """Say how all is; a stranger hears no more than whether it is well."""
        feed = self.boards.feed
        watch = feed.watch_text()
        age = watch["age_s"]
        fresh = age is not None and age < self.boards.shop.shop.silence
        good = feed.broker_up and watch["state"] == "up" and fresh
        document: dict[str, Any] = {"ok": good}
        if not briefly:
            document |= {"broker": feed.broker_up, "watch": watch, "screens": feed.screen_count}
        return JSONResponse(document, status_code=200 if good else 503)

    def bay(self, bay_id: str) -> Response:
        refusal = self.unknown(bay_id)
        if refusal is not None:
            return refusal
        document = self.boards.document()
        if bay_id not in document["bays"]:
            return problem(503, f"nothing heard of bay {bay_id!r} yet; is the watch running?")
        state = msgspec.json.decode(document["bays"][bay_id])
        return JSONResponse({**state, "age_s": document["ages_s"][bay_id]})

    def unknown(self, bay_id: str) -> JSONResponse | None:
        bays = [bay.id for bay in self.boards.shop.bay]
        if bay_id in bays:
            return None
        return problem(404, f"bay is {bay_id!r}; allowed: {', '.join(bays)}")

    def trend(self, bay_id: str, hours: float) -> JSONResponse:
        plan, to_us = self.boards.plan.bays[bay_id], self.boards.clock.now_us()
        from_us = to_us - round(hours * HOUR_US)
        try:
            store = SqliteStore(self.boards.folder)
        except StoreError as error:
            return problem(503, str(error))
        try:
            readings = store.readings(from_us, to_us, trend_points(plan))
            return JSONResponse(trend_document(plan, readings, from_us, to_us))
        except StoreError as error:
            return problem(503, str(error))
        finally:
            store.close()

    def set_stage(self, bay_id: str, body: dict[str, Any] | None, by: str) -> JSONResponse:
        refusal = self.unknown(bay_id)
        if refusal is not None:
            return refusal
        if body is None or set(body) != {"stage"}:
            return problem(422, 'send {"stage": "coating"}, or {"stage": null} for none')
        stage = body["stage"]
        if stage is not None and stage not in STAGE_IDS:
            return problem(422, f"stage is {stage!r}; allowed: {', '.join(STAGE_IDS)}, or null")
        refusal = self.in_job(bay_id)
        if refusal is not None:
            return refusal
        try:
            self._ask(bay_id, stage, by)
        except StoreError as error:
            return problem(503, str(error))
        return JSONResponse({"bay": bay_id, "stage": stage})

    def in_job(self, bay_id: str) -> JSONResponse | None:
        """Return a refusal when the bay has a job: its steps are started on the bench."""
        known = self.boards.feed.bench_of(bay_id)
        if known is None or known[0].job is None:
            return None
        what = f"job {known[0].job.job} is open in bay {bay_id}; start its steps on /bench/{bay_id}"
        return problem(409, what)

    def _ask(self, bay_id: str, stage: str | None, by: str) -> None:
        """Keep the request durably; the watch makes it an event within a tenth of a second."""
        kind = "stage_ended" if stage is None else "stage_started"
        store = SqliteStore(self.boards.folder)
        try:
            data = ({} if stage is None else {"stage": stage}) | ({"by": by} if by else {})
            store.ask(kind, bay_id, data, self.boards.clock.now_us())
        finally:
            store.close()


def router_of(boards: Boards) -> APIRouter:
    """Return the addresses of the board process."""
    router, answers = APIRouter(), _Answers(boards)

    @router.get("/healthz")
    async def healthz(request: Request) -> JSONResponse:
        return answers.health(briefly=visitor_of(request) is None)

    @router.get("/api/v1/bays")
    async def bays() -> Response:
        return Response(msgspec.json.encode(boards.document()), media_type="application/json")

    @router.get("/api/v1/bays/{bay_id}")
    async def bay(bay_id: str) -> Response:
        return answers.bay(bay_id)

    @router.get("/api/v1/stream")
    async def stream() -> StreamingResponse:
        headers = {"Cache-Control": "no-store"}
        return StreamingResponse(_events(boards), media_type="text/event-stream", headers=headers)

    @router.post("/api/v1/bays/{bay_id}/stage")
    async def stage(bay_id: str, request: Request) -> JSONResponse:
        refusal = refuse_foreign(request)
        if refusal is not None:
            return refusal
        visitor = visitor_of(request)
        by = visitor.name if visitor else ""
        return await run_in_threadpool(answers.set_stage, bay_id, await body_of(request), by)

    @router.get("/stages/{bay_id}")
    async def stages(bay_id: str) -> RedirectResponse:
        """Send bookmarks of the former page on to the bench."""
        return RedirectResponse(f"/bench/{quote(bay_id, safe='')}", status_code=308)

    _add_trend(router, answers)
    router.include_router(history_router(boards))
    router.include_router(alarms_router(boards))
    router.include_router(acts_router(boards))
    router.include_router(jobs_router(boards))
    router.include_router(record_router(boards))
    router.include_router(ack_router(boards))
    if boards.source is not None:
        _add_demo(router, boards.feed, boards.source)
    return router


def _add_trend(router: APIRouter, answers: _Answers) -> None:
    @router.get("/api/v1/bays/{bay_id}/trend")
    async def trend(bay_id: str, hours: float = 3.0) -> JSONResponse:
        if not 0 < hours <= TREND_HOURS:
            return problem(422, f"hours is {hours:g}; allowed is above 0 up to {TREND_HOURS:g}")
        refusal = answers.unknown(bay_id)
        if refusal is not None:
            return refusal
        return await run_in_threadpool(answers.trend, bay_id, hours)

    @router.get("/static/plotly.min.js")
    async def plotly_js() -> FileResponse:
        headers = {"Cache-Control": "max-age=86400"}
        return FileResponse(_PLOTLY, media_type="text/javascript", headers=headers)


def _add_demo(router: APIRouter, feed: LiveFeed, source: MqttSource) -> None:
    @router.get("/api/v1/demo")
    async def nodes() -> Response:
        return Response(feed.nodes, media_type="application/json")

    @router.post("/api/v1/demo")
    async def order(request: Request) -> JSONResponse:
        refusal = refuse_foreign(request)
        if refusal is not None:
            return refusal
        body = await body_of(request)
        if body is None or set(body) not in _ORDERS:
            return problem(422, 'send {"node": "north/panel", "out": true} or the like')
        if not source.order(body):
            return problem(503, "the broker is not there; nothing was sent")
        return JSONResponse({"sent": body})


async def _events(boards: Boards) -> AsyncIterator[bytes]:
    """Yield server-sent events: news at once, else a sign of life each second."""
    screen = boards.feed.open_screen()
    build = version("envmon")
    try:
        while True:
            news = await screen.next(BEAT_S)
            document = {"at": iso_from_us(boards.clock.now_us()), "build": build, **news}
            yield b"event: bays\ndata: " + msgspec.json.encode(document) + b"\n\n"
            await asyncio.sleep(GAP_S)
    finally:
        boards.feed.close_screen(screen)
