"""What is foreseen over HTTP: the outlook of a bay, and the plan of its day."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
from fastapi import APIRouter
from fastapi.responses import Response

from envmon.service.outlook.plan import plan_of, wanted_us
from envmon_boards.door import answered, fresh_json, problem

if TYPE_CHECKING:
    from envmon.service.outlook.live import OutlookState
    from envmon_boards.api import Boards

OLDEST_S = 120.0
"""What is foreseen is nothing any more when it is older than this, on the shop's clock [s]."""


class _Answers(NamedTuple):
    """The answers to single questions, apart from the addresses they stand at."""

    boards: Boards

    def outlook(self, bay_id: str) -> Response:
        found = self._fresh(bay_id)
        if isinstance(found, Response):
            return found
        state, age_s = found
        return fresh_json({**msgspec.to_builtins(state), "age_s": age_s})

    def plan(self, bay_id: str, by: str | None) -> Response:
        found = self._fresh(bay_id)
        if isinstance(found, Response):
            return found
        state, age_s = found
        zone = self.boards.shop.shop.timezone
        by_us = None if by is None else wanted_us(by, self.boards.clock.now_us(), zone)
        plan = msgspec.to_builtins(plan_of(state, by_us, zone))
        return fresh_json({**plan, "age_s": age_s})

    def _fresh(self, bay_id: str) -> tuple[OutlookState, float] | Response:
        bays = [bay.id for bay in self.boards.shop.bay]
        if bay_id not in bays:
            return problem(404, f"bay is {bay_id!r}; allowed: {', '.join(bays)}")
        known = self.boards.feed.outlook_of(bay_id)
        oldest_s = max(OLDEST_S / max(1.0, self.boards.clock.speed), self.boards.shop.shop.silence)
        if known is None or known[1] is None or known[1] > oldest_s:
            what = "nothing foreseen of it is heard, or only old; is the outlook process running?"
            return problem(503, f"bay {bay_id}: {what}")
        return known[0], known[1]


def outlook_router(boards: Boards) -> APIRouter:
    """Return the addresses of what is foreseen."""
    router, answers = APIRouter(prefix="/api/v1/bays"), _Answers(boards)

    @router.get("/{bay_id}/outlook")
    async def outlook(bay_id: str) -> Response:
        return answered(lambda: answers.outlook(bay_id))

    @router.get("/{bay_id}/plan")
    async def plan(bay_id: str, by: str | None = None) -> Response:
        return answered(lambda: answers.plan(bay_id, by))

    return router
