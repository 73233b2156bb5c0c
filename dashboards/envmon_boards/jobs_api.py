"""The jobs over HTTP: all there were, one with its vehicle's reference, and erasing that."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec
from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response  # noqa: TC002 - FastAPI reads them
from starlette.concurrency import run_in_threadpool

from envmon.clock import iso_from_us
from envmon.errors import InputError
from envmon.service.job.book import book_from, ledger_from
from envmon.service.record.chain import history_of, job_from
from envmon.service.record.make import is_job
from envmon.store.sqlite import SqliteStore
from envmon_boards.acts_api import ask_and_wait
from envmon_boards.door import answered, body_of, fresh_json, problem, refuse_foreign, signed

if TYPE_CHECKING:
    from envmon.job.model import Job
    from envmon_boards.api import Boards

LONGEST_NAME = 60


def _line_of(job: Job) -> dict[str, Any]:
    """Return what a list says of a job; nothing of the vehicle's reference."""
    return {
        "job": job.id,
        "bay": job.bay,
        "procedure": job.procedure[1],
        "body": job.body,
        "opened_at": iso_from_us(job.opened_us),
        "closed_at": None if job.closed_us is None else iso_from_us(job.closed_us),
        "steps": [{"stage": step.stage, "status": step.status} for step in job.steps],
        "panels": len(job.panels),
        "erased": job.erased,
    }


class _Answers(NamedTuple):
    """The answers to single questions, apart from the addresses they stand at."""

    boards: Boards

    def all(self) -> Response:
        store = SqliteStore(self.boards.folder)
        try:
            jobs = book_from(store).jobs.values()
        finally:
            store.close()
        newest = sorted(jobs, key=lambda job: job.opened_us, reverse=True)
        return fresh_json({"jobs": [_line_of(job) for job in newest]})

    def one(self, job_id: str) -> Response:
        store = SqliteStore(self.boards.folder)
        try:
            if not is_job(store, job_id):
                return _unknown(job_id)
            job = job_from(history_of(store, job_id).events, job_id)
            kept = store.reference(job_id)
        finally:
            store.close()
        reference = kept.text if kept else None
        return fresh_json({**msgspec.to_builtins(job), "reference": reference})

    def erase(self, job_id: str, body: dict[str, Any] | None) -> Response:
        """Ask the watch to forget what the vehicle is called."""
        by = (body or {}).get("by", "")
        if body is None or set(body) - {"by"} or not isinstance(by, str):
            raise InputError('send {} or {"by": "who"} to erase the reference of a job')
        if len(by) > LONGEST_NAME:
            raise InputError(f"by has {len(by)} characters; allowed is up to {LONGEST_NAME}")
        store = SqliteStore(self.boards.folder)
        try:
            bay = ledger_from(store).bays.get(job_id)
        finally:
            store.close()
        if bay is None:
            return _unknown(job_id)
        data = {"act": "erase", "job": job_id, **({"by": by} if by else {})}
        return ask_and_wait(self.boards, bay, data)


def _unknown(job_id: str) -> JSONResponse:
    return problem(404, f"job is {job_id!r}; there is none of that id, see /api/v1/jobs")


def jobs_router(boards: Boards) -> APIRouter:
    """Return the addresses of the jobs."""
    router, answers = APIRouter(prefix="/api/v1/jobs"), _Answers(boards)

    @router.get("")
    async def every() -> Response:
        return await run_in_threadpool(answered, answers.all)

    @router.get("/{job_id}")
    async def one(job_id: str) -> Response:
        return await run_in_threadpool(answered, lambda: answers.one(job_id))

    @router.post("/{job_id}/erase")
    async def erase(job_id: str, request: Request) -> Response:
        refusal = refuse_foreign(request)
        if refusal is not None:
            return refusal
        body = signed(request, await body_of(request))
        return await run_in_threadpool(answered, lambda: answers.erase(job_id, body))

    return router
