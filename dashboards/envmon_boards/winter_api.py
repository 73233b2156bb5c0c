"""What the winter board asks the server: a winter, worked out beside it and remembered.

A first question is answered with 202 while a process of its own works it out; after that what is
remembered is shown, however old, and worked out anew in the background when it is older than ten
minutes. Nothing waits for it, least of all the stream of live states.
"""

from __future__ import annotations

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from threading import Lock
from typing import TYPE_CHECKING

import msgspec
from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from envmon.clock import iso_from_us
from envmon.errors import InputError
from envmon.heating.sums import winter_year
from envmon.service.heating.make import winter_span
from envmon.service.span import local_from_us
from envmon_boards.door import FRESH, answered, problem
from envmon_boards.winter_work import Question

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon_boards.api import Boards

FRESH_S = 600.0
"""So long a winter worked out is not worked out again [s, real time]."""
AGAIN_S = 20.0
"""What failed is tried again after so long [s, real time]."""
PATIENCE_S = 120.0
MOST_KEPT = 6


@dataclass
class Kept:
    """A winter remembered.

    Attributes:
        content: Its view as JSON, empty until it is worked out.
        failed: Why it could not be, or empty.
        at_s: When it was asked for last [s, monotonic].
        working: It is being worked out.
    """

    content: bytes = b""
    failed: str = ""
    at_s: float = -1e9
    working: bool = True


@dataclass
class WinterDesk:
    """Winters worked out, one at a time, and remembered.

    Attributes:
        boards: What the board process works with.
        work: Returns the answer to a question; another process by default.
        now_s: Real time [s].
    """

    boards: Boards
    work: Callable[[bytes], bytes] = field(default_factory=lambda: worked_apart)
    now_s: Callable[[], float] = time.monotonic
    _kept: dict[int, Kept] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)
    _hands: ThreadPoolExecutor = field(
        default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="winter")
    )

    def this_year(self) -> int:
        """Return the year in which the heating year of now began."""
        zone = self.boards.shop.shop.timezone
        today = local_from_us(self.boards.clock.now_us(), zone).date()
        return winter_year(today, self.boards.shop.heating.winter_from)

    def look(self, year: int) -> Kept:
        """Return what is known of a winter, and see that it is not older than ten minutes.

        Raises:
            InputError: It has not begun yet.
        """
        question = self._question(year)
        with self._lock:
            kept = self._kept.get(year)
            if kept is None:
                while len(self._kept) >= MOST_KEPT:
                    del self._kept[next(iter(self._kept))]
                kept = self._kept[year] = Kept(at_s=self.now_s())
                self._hands.submit(self._fill, kept, question)
            elif not kept.working and self.now_s() - kept.at_s > (
                AGAIN_S if kept.failed else FRESH_S
            ):
                kept.working, kept.at_s = True, self.now_s()
                self._hands.submit(self._fill, kept, question)
            return Kept(kept.content, kept.failed, kept.at_s, kept.working)

    def _question(self, year: int) -> bytes:
        boards, now_us = self.boards, self.boards.clock.now_us()
        span = winter_span(year, now_us, boards.shop)
        shop = boards.shop.model_dump_json()
        asked = Question(shop, str(boards.folder), span.first, span.end, now_us)
        return msgspec.json.encode(asked)

    def _fill(self, kept: Kept, question: bytes) -> None:
        made = iso_from_us(self.boards.clock.now_us())
        try:
            content, failed = self.work(question), ""
            content = content[:-1] + b',"made":' + msgspec.json.encode(made) + b"}"
        except (OSError, RuntimeError, subprocess.SubprocessError) as error:
            content, failed = kept.content, str(error) or "it could not be worked out"
        with self._lock:
            kept.content, kept.failed, kept.working = content, failed, False


def worked_apart(question: bytes) -> bytes:
    """Return the answer of a process of its own.

    Raises:
        RuntimeError: It says why not.
    """
    command = [sys.executable, "-m", "envmon_boards.winter_work"]
    done = subprocess.run(  # noqa: S603 - our own module
        command, input=question, capture_output=True, check=False, timeout=PATIENCE_S
    )
    if done.returncode != 0:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise RuntimeError(said[-1] if said else f"it ended with {done.returncode}")
    return done.stdout


def winter_router(boards: Boards) -> APIRouter:
    """Return ``/api/v1/winter``: ``?winter=2025`` is the heating year that began in 2025."""
    router = APIRouter()
    desk = WinterDesk(boards)

    @router.get("/api/v1/winter")
    async def winter(request: Request) -> Response:
        asked = request.query_params.get("winter", "")
        return await run_in_threadpool(answered, lambda: _answer(desk, asked))

    return router


def _answer(desk: WinterDesk, asked: str) -> Response:
    year = desk.this_year()
    if asked:
        if not (asked.isascii() and asked.isdigit() and 1972 <= int(asked[:5]) <= 2198):
            raise InputError(f"winter is {asked[:20]!r}; allowed is a year, such as {year}")
        year = int(asked)
    kept = desk.look(year)
    if kept.content:
        return Response(kept.content, media_type="application/json", headers=FRESH)
    if kept.failed:
        return problem(503, kept.failed)
    return JSONResponse({"working": True, "year": year}, status_code=202, headers=FRESH)
