"""What the mixing board asks the server: the sums of ``envmon mix``, and each bay's resin."""

from __future__ import annotations

import time
from threading import Lock
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from fastapi.responses import Response  # noqa: TC002 - FastAPI reads the annotation
from starlette.concurrency import run_in_threadpool

from envmon.errors import InputError
from envmon.service.water.resin import ResinQuestion, resin_of_past
from envmon.service.water.resin_say import resin_answer
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from envmon.sums.mix_blend import BlendQuestion
from envmon.sums.mix_report import ImpactQuestion, RatioQuestion
from envmon_boards.door import answered, fresh_json

if TYPE_CHECKING:
    from envmon.sums.mix_answer import MixAnswer
    from envmon_boards.api import Boards

QUESTIONS: dict[str, type[RatioQuestion | ImpactQuestion | BlendQuestion]] = {
    "ratio": RatioQuestion,
    "pir": ImpactQuestion,
    "blend": BlendQuestion,
}
RESIN_S = 300.0
"""The trend of days is read anew after so long [s, real time]."""


def board_document(answer: MixAnswer) -> dict[str, Any]:
    """Return an answer with the words a person reads."""
    return {**answer.document(), "say": answer.say, "lines": [list(each) for each in answer.lines]}


def _sum(kind: str, texts: dict[str, str]) -> Response:
    question = QUESTIONS.get(kind)
    if question is None:
        raise InputError(f"sum is {kind!r}; allowed: {', '.join(QUESTIONS)}, resin")
    units = texts.pop("units", "metric")
    if units not in {"metric", "us"}:
        raise InputError(f"units are {units!r}; allowed: metric, us")
    system: Any = units
    return fresh_json(board_document(question.from_texts(texts).answer(system)))


class Resins:
    """The resin of each bay, worked out now and then; shared by threads.

    Args:
        boards: What the board process works with.
    """

    def __init__(self, boards: Boards) -> None:
        self._boards, self._lock = boards, Lock()
        self._known: dict[str, tuple[float, dict[str, Any]]] = {}

    def document(self, bay: str) -> dict[str, Any]:
        """Return how a bay's rinse water stands and when its resin is due.

        Raises:
            InputError: No such bay.
            StoreError: The store cannot be read.
        """
        with self._lock:
            until, known = self._known.get(bay, (0.0, {}))
            if time.monotonic() >= until:
                known = self._worked_out(bay)
                self._known[bay] = (time.monotonic() + RESIN_S, known)
            return known

    def _worked_out(self, bay: str) -> dict[str, Any]:
        boards = self._boards
        store = SqliteStore(boards.folder)
        try:
            past = Past(store, boards.folder)
            try:
                now_us = boards.clock.now_us()
                found = resin_of_past(boards.shop, past, ResinQuestion(bay), now_us)
            finally:
                past.close()
        finally:
            store.close()
        return board_document(resin_answer(found))


def mix_router(boards: Boards) -> APIRouter:
    """Return the addresses of the mixing board; nothing asked here changes anything."""
    router, resins = APIRouter(), Resins(boards)

    @router.get("/api/v1/mix/resin")
    async def resin(bay: str) -> Response:
        return await run_in_threadpool(answered, lambda: fresh_json(resins.document(bay)))

    @router.get("/api/v1/mix/{kind}")
    async def one_sum(kind: str, request: Request) -> Response:
        texts = dict(request.query_params)
        return answered(lambda: _sum(kind, texts))

    return router
