"""The condition record of a job over HTTP, as JSON, page or PDF."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from envmon.errors import ServiceError
from envmon.service.job.book import judged_until_us
from envmon.service.record.make import RecordDesk, is_job
from envmon.store.sqlite import SqliteStore
from envmon_boards.door import FRESH, answered, problem

if TYPE_CHECKING:
    from envmon.service.record.make import Form
    from envmon_boards.api import Boards

TYPES: dict[str, str] = {
    "json": "application/json",
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
}


def _answer(boards: Boards, job_id: str, form: Form) -> Response:
    with closing(SqliteStore(boards.folder)) as store:
        if not is_job(store, job_id):
            return problem(404, f"there is no job {job_id[:40]!r}")
        until_us = judged_until_us(store, boards.clock.now_us())
        desk = RecordDesk(boards.shop, store, boards.folder, until_us)
        try:
            content = desk.handed_out(job_id, form)
        except ServiceError as error:
            return problem(503, str(error))
    how = "attachment" if form == "json" else "inline"
    name = f'{how}; filename="record_{job_id}.{form}"'
    return Response(content, media_type=TYPES[form], headers={**FRESH, "Content-Disposition": name})


def record_router(boards: Boards) -> APIRouter:
    """Return ``/api/v1/jobs/<id>/record.json``, ``.html`` and ``.pdf``."""
    router = APIRouter(prefix="/api/v1/jobs")

    async def answer(request: Request, job_id: str, form: Form) -> Response:
        # Handing a record out enters it in the chain, so no foreign page may make a browser ask.
        if request.headers.get("sec-fetch-site") in {"cross-site", "same-site"}:
            return problem(403, "open the record from a board of the shop")
        return await run_in_threadpool(answered, lambda: _answer(boards, job_id, form))

    @router.get("/{job_id}/record.json")
    async def as_json(request: Request, job_id: str) -> Response:
        return await answer(request, job_id, "json")

    @router.get("/{job_id}/record.html")
    async def as_html(request: Request, job_id: str) -> Response:
        return await answer(request, job_id, "html")

    @router.get("/{job_id}/record.pdf")
    async def as_pdf(request: Request, job_id: str) -> Response:
        return await answer(request, job_id, "pdf")

    return router
