"""What the vapour board asks the server: where a bay stands, and what a work does to its air."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import msgspec
from fastapi import APIRouter, Request
from fastapi.responses import Response  # noqa: TC002 - FastAPI reads the annotation
from starlette.concurrency import run_in_threadpool

from envmon.guard.live import BayState
from envmon.sums.vapour_question import VapourQuestion
from envmon.sums.vapour_report import answer_of, course_of
from envmon.sums.vapour_texts import help_of, limit_rows, lines_of, notes_of, say_of
from envmon_boards.door import answered, fresh_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.shop.models import Bay
    from envmon.units import UnitSystem
    from envmon_boards.api import Boards

_FOOT_M = 0.3048


def start_document(boards: Boards) -> dict[str, Any]:
    """Return what is known of each bay: its volume, and its temperatures while they are live."""
    return {"bays": [_bay_facts(boards, bay) for bay in boards.shop.bay]}


def _bay_facts(boards: Boards, bay: Bay) -> dict[str, Any]:
    state = _live_state(boards, bay.id)
    texts = {}
    for name, quantity in (("temp", "air_temp_c"), ("outdoor", "outdoor_temp_c")):
        known = state.conditions.get(quantity) if state is not None else None
        good = known is not None and known.value is not None
        texts[name] = known.text.replace("−", "-") if good and known is not None else ""
    facts = {"id": bay.id, "volume": _volume_text(bay, boards.shop.shop.units), **texts}
    return {**facts, "at": state.at if state is not None else None}


def _live_state(boards: Boards, bay_id: str) -> BayState | None:
    """Return a bay's state, or None when it is too old to be the present."""
    kept = boards.feed.bays.get(bay_id)
    age_s = kept.age_s(time.monotonic()) if kept is not None else None
    if kept is None or age_s is None or age_s > boards.shop.shop.silence:
        return None
    return msgspec.json.decode(kept.text, type=BayState)


def _volume_text(bay: Bay, units: UnitSystem) -> str:
    if bay.volume_m3 is None:
        return ""
    return f"{bay.volume_m3 / _FOOT_M**3:.0f} ft³" if units == "us" else f"{bay.volume_m3:g} m³"


def vapour_view(asked: Mapping[str, str], units: UnitSystem, altitude_m: float) -> dict[str, Any]:
    """Return the answer as the board shows it, texts in the shop's units.

    Raises:
        InputError: What was asked cannot be read or worked out.
    """
    question = VapourQuestion.from_texts({**asked, "altitude": f"{altitude_m:g} m"})
    answer = answer_of(question.work(units))
    limits = [
        {**row._asdict(), "part": held.ppm / held.limit.ppm, "limit_ppm": held.limit.ppm,
         "shift": held.limit.over == "shift"}
        for held, row in zip(answer.held, limit_rows(answer, units), strict=True)
    ]  # fmt: skip
    return {
        "kind": answer.kind,
        "say": say_of(answer, units),
        "help": help_of(answer, units),
        "lines": lines_of(answer, units),
        "limits": limits,
        "course": course_of(answer.work.vapour),
        "notes": notes_of(units),
    }


def vapour_router(boards: Boards) -> APIRouter:
    """Return the addresses of the vapour board; they read no store."""
    router, shop = APIRouter(), boards.shop.shop

    @router.get("/api/v1/vapour/start")
    async def start() -> Response:
        return await run_in_threadpool(answered, lambda: fresh_json(start_document(boards)))

    @router.get("/api/v1/vapour")
    async def vapour(request: Request) -> Response:
        asked = dict(request.query_params)
        return await run_in_threadpool(
            answered, lambda: fresh_json(vapour_view(asked, shop.units, shop.altitude))
        )

    return router
