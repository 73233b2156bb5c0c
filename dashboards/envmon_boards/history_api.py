"""What the history board asks the server: what there is, a span's lines, a file of them."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from envmon.errors import InputError
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from envmon_boards.door import FRESH, answered, fresh_json
from envmon_boards.history_catalogue import DERIVED, sources_by_bay, unit_facts
from envmon_boards.history_export import FORMATS, csv_of, file_name, parquet_of
from envmon_boards.history_lines import lines_document, lines_of
from envmon_boards.history_marks import MarkBook, limits_in_force, marks_document
from envmon_boards.history_question import Question, question_from

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from envmon.units import UnitSystem
    from envmon_boards.api import Boards
    from envmon_boards.history_catalogue import Sources


class _History(NamedTuple):
    """The answers, apart from the addresses they stand at; every one opens and closes the store.

    Attributes:
        boards: What the board process works with.
        bays: What can be shown of each bay.
        book: Marks read so far.
    """

    boards: Boards
    bays: dict[str, Sources]
    book: MarkBook

    @property
    def zone(self) -> str:
        return self.boards.shop.shop.timezone

    @contextmanager
    def _past(self) -> Iterator[Past]:
        store = SqliteStore(self.boards.folder)
        try:
            past = Past(store, self.boards.folder)
            try:
                yield past
            finally:
                past.close()
        finally:
            store.close()

    def span(self) -> dict[str, Any]:
        """Return what there is: first and last time kept, bays and their quantities."""
        with self._past() as past:
            span, kept = past.span(), set(past.series())
        shop = self.boards.shop
        return {
            "first_ms": span[0] // 1000 if span else None,
            "last_ms": -(-span[1] // 1000) if span else None,
            "now_ms": self.boards.clock.now_us() // 1000,
            "zone": self.zone,
            "units": shop.shop.units,
            "bays": [
                {"id": bay.id, "name": bay.name, "quantities": _listed(self.bays[bay.id], kept)}
                for bay in shop.bay
            ],
        }

    def history(self, question: Question) -> dict[str, Any]:
        """Return lines, marks and limits of a span."""
        plan = self.boards.plan.bays[question.bay]
        with self._past() as past:
            found = lines_of(past, question, self.bays[question.bay], self.zone)
            marks = self.book.marks(past.store, question.bay, question.from_us, question.to_us)
        return {
            "bay": question.bay,
            "from_ms": question.from_us // 1000,
            "to_ms": question.to_us // 1000,
            "now_ms": self.boards.clock.now_us() // 1000,
            "zone": self.zone,
            **lines_document(found),
            **marks_document(plan, marks),
            "limits": limits_in_force(plan, marks.stages, question.quantities),
        }

    def file(self, question: Question, kind: str, units: UnitSystem) -> Response:
        """Return the lines of a span as a file to download."""
        with self._past() as past:
            found = lines_of(past, question, self.bays[question.bay], self.zone)
        if kind == "csv":
            content: bytes = csv_of(found, question.bay, self.zone, units).encode()
        else:
            content = parquet_of(found, question.bay)
        name = file_name(question.bay, question.from_us, question.to_us, kind, self.zone)
        headers = {**FRESH, "Content-Disposition": f'attachment; filename="{name}"'}
        return Response(content, media_type=FORMATS[kind], headers=headers)


def _listed(sources: Sources, kept: set[tuple[str, str]]) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            **unit_facts(name),
            "points": [] if name in DERIVED else [series.point for series in group],
            "kept": all(
                any((series.point, need) in kept for series in sources[need])
                for need in DERIVED.get(name, (name,))
            ),
        }
        for name, group in sources.items()
    ]


def history_router(boards: Boards) -> APIRouter:
    """Return the history's addresses; nothing they do holds up the stream of live states."""
    router = APIRouter()
    answers = _History(boards, sources_by_bay(boards.shop, boards.plan), MarkBook())

    @router.get("/api/v1/history/span")
    async def span() -> Response:
        return await run_in_threadpool(answered, lambda: fresh_json(answers.span()))

    @router.get("/api/v1/history")
    async def history(request: Request) -> Response:
        asked = dict(request.query_params)
        return await run_in_threadpool(answered, lambda: _answer(answers, asked))

    @router.get("/api/v1/history/export")
    async def export(request: Request) -> Response:
        asked = dict(request.query_params)
        return await run_in_threadpool(answered, lambda: _file(answers, asked))

    return router


def _answer(answers: _History, asked: Mapping[str, str]) -> Response:
    return fresh_json(answers.history(question_from(asked, answers.bays)))


def _file(answers: _History, asked: Mapping[str, str]) -> Response:
    kind = asked.get("format", "")
    units = asked.get("units", answers.boards.shop.shop.units)
    if kind not in FORMATS:
        raise InputError(f"format is {kind!r}; allowed: {', '.join(FORMATS)}")
    if units not in {"metric", "us"}:
        raise InputError(f"units is {units!r}; allowed: metric, us")
    return answers.file(question_from(asked, answers.bays), kind, cast("UnitSystem", units))
