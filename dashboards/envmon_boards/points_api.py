"""What the points board asks the server: who talks unclaimed, and a topic claimed in one step."""

from __future__ import annotations

import logging
import time
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal

import msgspec
from fastapi import APIRouter, Request
from fastapi.responses import Response  # noqa: TC002 - FastAPI reads the annotation
from starlette.concurrency import run_in_threadpool

from envmon.errors import InputError, ShopFileError
from envmon.field.claim import Claim, Taken, lines_of
from envmon.field.claim_file import claimed_text, is_writable, read_shop_text, write_claim
from envmon.service.plain_log import plain
from envmon.service.points.claim import said_of_taking_in, time_stamp
from envmon.service.points.heard import batteries, quantity_table, unclaimed_document
from envmon.service.points.taking_in import why_refused
from envmon.shop.load import fault_lines
from envmon_boards.door import (
    MAX_BODY,
    answered,
    body_of,
    fresh_json,
    problem,
    refuse_foreign,
    visitor_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    from envmon_boards.api import Boards

log = logging.getLogger("envmon.door")

FRESH_S = 1.0
"""What was worked out serves every screen for so long [s]."""
NO_BROKER = "this screen's server listens to no broker"


class _Take(msgspec.Struct, forbid_unknown_fields=True):
    quantity: str
    place: str = ""
    unit: str = ""


class _Ask(msgspec.Struct, forbid_unknown_fields=True):
    """What a page sends: the claim, and once its lines were seen, of which file."""

    topic: str
    point: str
    format: Literal["senml", "json", "number"]
    takes: list[_Take]
    bay: str = ""
    stale_after: str = ""
    seen: str = ""
    write: bool = False

    def claim(self) -> Claim:
        takes = tuple(Taken(each.quantity, each.place, each.unit) for each in self.takes)
        bay = self.bay or None
        return Claim(self.point, bay, self.topic, self.format, takes, self.stale_after)


class Points:
    """The answers about points.

    Args:
        boards: What the board process works with.
    """

    def __init__(self, boards: Boards) -> None:
        self._boards, self._lock = boards, Lock()
        self._known: dict[str, Any] = {}
        self._until_s = 0.0

    def document(self) -> dict[str, Any]:
        """Return the topics nobody claims; from now on, or longer, the broker is listened to."""
        if self._boards.hearing is not None:
            self._boards.hearing.listen()
        with self._lock:
            if time.monotonic() >= self._until_s:
                self._known = self._worked_out()
                self._until_s = time.monotonic() + FRESH_S
            return self._known

    def _worked_out(self) -> dict[str, Any]:
        shop, hearing = self._boards.shop, self._boards.hearing
        heard = hearing.topics.all() if hearing else []
        up = hearing is not None and hearing.up.is_set()
        now_us = self._boards.clock.now_us()
        return {
            "up": up,
            "trouble": "" if up else (hearing.trouble if hearing else NO_BROKER),
            "listening_s": hearing.since_s() if hearing else 0.0,
            "forgotten": hearing.topics.forgotten if hearing else 0,
            "bays": [{"id": bay.id, "name": bay.name} for bay in shop.bay],
            "refused": plain(why_refused(self._boards.folder)),
            "quantities": quantity_table(),
            "batteries": batteries(shop, heard),
            **unclaimed_document(shop, heard, time.monotonic(), now_us),
        }

    def claim(self, body: dict[str, Any] | None, who: str) -> Response:
        """Show the lines of a claim, or write them.

        Raises:
            InputError: It cannot be claimed; the shop file is as it was.
        """
        path = self._boards.shop_path
        if path is None:
            return problem(503, "this screen's server does not know where its shop file is")
        if body is None:
            raise InputError(f"allowed is a JSON object of at most {MAX_BODY} bytes; claim less")
        try:
            asked = msgspec.convert(body, _Ask)
        except msgspec.ValidationError as error:
            raise InputError(f"this cannot be claimed: {error}") from error
        try:
            return fresh_json(self._claimed(asked, path, who))
        except ShopFileError as error:
            raise InputError("; ".join(fault_lines(error))) from error

    def _claimed(self, asked: _Ask, path: Path, who: str) -> dict[str, Any]:
        read, claim = read_shop_text(path), asked.claim()
        text = claimed_text(read, claim)
        shown = {"lines": lines_of(claim), "seen": read.digest, "file": str(read.path)}
        if not asked.write:
            return {**shown, "writable": is_writable(path)}
        if asked.seen != read.digest:
            raise InputError("the shop file has changed since these lines were shown; look again")
        before = write_claim(read, text, time_stamp(read.shop))
        log.info("%s claims %s as %s", who or "somebody here", claim.topic, claim.point)
        said = said_of_taking_in(self._boards.folder)
        return {**shown, "done": f"Added; as it was before: {before.name}. {said}"}


def points_router(boards: Boards) -> APIRouter:
    """Return the addresses of the points; neither holds up the stream of live states."""
    router, points = APIRouter(), Points(boards)

    @router.get("/api/v1/points")
    async def every_point() -> Response:
        return await run_in_threadpool(answered, lambda: fresh_json(points.document()))

    @router.post("/api/v1/points/claim")
    async def claim(request: Request) -> Response:
        refusal = refuse_foreign(request)
        if refusal is not None:
            return refusal
        visitor, body = visitor_of(request), await body_of(request)
        who = visitor.name if visitor else ""
        return await run_in_threadpool(answered, lambda: points.claim(body, who))

    return router
