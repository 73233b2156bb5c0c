"""What the alarm board asks the server, and what a person does to an alarm from it."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec
from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from envmon.clock import HOUR_US
from envmon.errors import InputError
from envmon.guard.occurrences import AlarmLog
from envmon.service.alarm_report import figures_document, figures_for, occurrence_document
from envmon.store.sqlite import SqliteStore
from envmon_boards.alarm_acts import ask_of, bay_of
from envmon_boards.door import answered, body_of, problem, refuse_foreign, signed

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.guard.live import ShopAlarms
    from envmon_boards.api import Boards

MOST_HOURS = 24.0 * 366
MOST_LINES = 500
"""So many of the past alarms are listed at most, the newest."""


class AlarmBook:
    """Everything the chain says of alarms; what was read once is kept. Shared by threads."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._log = AlarmLog()

    def ask(self, store: SqliteStore, answer: Callable[[AlarmLog], dict[str, Any]]) -> Any:
        """Read on from where the book ends and return the answer.

        Raises:
            StoreError: The events cannot be read.
        """
        with self._lock:
            self._log.update(store.events(self._log.seq))
            return answer(self._log)


class _Answers(NamedTuple):
    """The answers, apart from the addresses they stand at."""

    boards: Boards
    book: AlarmBook

    def live(self) -> tuple[ShopAlarms, float | None, bool] | None:
        """Return the alarms, their age [s], and whether they can be taken for the present."""
        feed = self.boards.feed
        known = feed.alarms_text()
        if known is None:
            return None
        said, age_s = known
        fresh = age_s is not None and age_s < self.boards.shop.shop.silence
        return said, age_s, fresh and feed.broker_up and feed.watch_text()["state"] != "down"

    def standing(self) -> JSONResponse:
        known = self.live()
        if known is None:
            return problem(503, "nothing heard of the alarms yet; is the watch running?")
        said, age_s, live = known
        return JSONResponse({**msgspec.to_builtins(said), "age_s": age_s, "live": live})

    def recent(self, hours: float) -> JSONResponse:
        if not 0 < hours <= MOST_HOURS:
            raise InputError(f"hours is {hours:g}; allowed is above 0 up to {MOST_HOURS:g}")
        now_us = self.boards.clock.now_us()
        from_us = now_us - round(hours * HOUR_US)
        return self._from_book(lambda log: _recent(log, from_us, now_us))

    def figures(self, days: float) -> JSONResponse:
        now_us = self.boards.clock.now_us()
        return self._from_book(lambda log: figures_document(figures_for(log, days, now_us)))

    def _from_book(self, answer: Callable[[AlarmLog], dict[str, Any]]) -> JSONResponse:
        store = SqliteStore(self.boards.folder)
        try:
            return JSONResponse(self.book.ask(store, answer))
        finally:
            store.close()

    def act(self, alarm: str, act: str, body: dict[str, Any] | None) -> JSONResponse:
        known = self.live()
        listed = {one.id: one for one in known[0].alarms} if known else {}
        now, shop = listed.get(alarm), self.boards.shop
        ask = ask_of(shop, alarm, act, body, now.bay if now else bay_of(shop, alarm))
        if known and known[2]:
            ask.ensure_makes_sense(now)
        store = SqliteStore(self.boards.folder)
        try:
            store.ask(ask.kind, ask.bay, ask.data, self.boards.clock.now_us())
        finally:
            store.close()
        return JSONResponse({"alarm": alarm, "asked": act})


def _recent(log: AlarmLog, from_us: int, now_us: int) -> dict[str, Any]:
    past = [one for one in log.past if one.ended_us is None or one.ended_us >= from_us]
    changed = log.first_us if log.changed_us is None else log.changed_us
    return {
        "from_ms": from_us // 1000,
        "now_ms": now_us // 1000,
        "changed_ms": None if changed is None else changed // 1000,
        "left_out": max(0, len(past) - MOST_LINES),
        "alarms": [occurrence_document(one) for one in reversed(past[-MOST_LINES:])],
    }


def alarms_router(boards: Boards) -> APIRouter:
    """Return the addresses of the alarm board."""
    router, answers = APIRouter(prefix="/api/v1/alarms"), _Answers(boards, AlarmBook())

    @router.get("")
    async def standing() -> JSONResponse:
        return answers.standing()

    @router.get("/recent")
    async def recent(hours: float = 24.0) -> Response:
        return await run_in_threadpool(answered, lambda: answers.recent(hours))

    @router.get("/figures")
    async def figures(days: float = 30.0) -> Response:
        return await run_in_threadpool(answered, lambda: answers.figures(days))

    @router.post("/{alarm}/{act}")
    async def do(alarm: str, act: str, request: Request) -> Response:
        refusal = refuse_foreign(request)
        if refusal is not None:
            return refusal
        body = signed(request, await body_of(request))
        return await run_in_threadpool(answered, lambda: answers.act(alarm, act, body))

    return router
