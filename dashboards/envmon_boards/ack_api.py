"""Where an acknowledge link leads: GET shows, only POST acknowledges.

Mail scanners and previews fetch links, so fetching one must change nothing. The signed link is
the right to acknowledge; who does not hold it can have no browser send it, so a plain form will do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from envmon.errors import InputError, StoreError
from envmon.notice.people import Book, book_from_shop
from envmon.service.notice.ack_link import Answer, Ticket, acknowledge, answers, read_key, ticket_of
from envmon.store.sqlite import SqliteStore
from envmon_boards.ack_page import Sight, ask_page, done_page, refused_page

if TYPE_CHECKING:
    from envmon_boards.api import Boards

_HEADERS = {"Cache-Control": "no-store", "X-Robots-Tag": "noindex"}
LONGEST = 2_000


class _Links(NamedTuple):
    """The answers, apart from the addresses they stand at."""

    boards: Boards
    book: Book

    def page(self, token: str, *, press: bool) -> HTMLResponse:
        """Return the page of a link, having acknowledged where that was asked for."""
        try:
            ticket = self._ticket(token)
        except InputError as error:
            return self._refusal(403, "This link is not good", str(error))
        now_us = self.boards.clock.now_us()
        if now_us >= ticket.until_us:
            why = "It is good for a day. Acknowledge on the alarm board."
            return self._refusal(410, "This link is too old", why)
        person = self.book.person(ticket.person)
        if person is None:
            why = "Whom it was sent to is told of alarms no longer."
            return self._refusal(403, "This link is not good", why)
        name = person.name
        try:
            found = self._pressed(ticket, name, now_us) if press else self._seen(ticket)
        except StoreError as error:
            head = "Cannot be acknowledged now" if press else "Cannot be read now"
            return self._refusal(503, head, f"{error}. Try again.")
        sight = Sight(self.book, found, now_us)
        still_open = any(answer.standing == "open" for answer in found)
        made = done_page(sight, name) if press else ask_page(sight, name)
        return HTMLResponse(made, 200 if still_open else 410, _HEADERS)

    def _ticket(self, token: str) -> Ticket:
        key = read_key(self.boards.folder)
        if key is None or len(token) > LONGEST:
            raise InputError("this link was not made here, or was cut on its way")
        return ticket_of(key, token)

    def _seen(self, ticket: Ticket) -> list[Answer]:
        store = SqliteStore(self.boards.folder)
        try:
            return answers(store, ticket)
        finally:
            store.close()

    def _pressed(self, ticket: Ticket, name: str, now_us: int) -> list[Answer]:
        store = SqliteStore(self.boards.folder)
        try:
            return acknowledge(store, ticket, name, now_us)
        finally:
            store.close()

    def _refusal(self, code: int, head: str, why: str) -> HTMLResponse:
        return HTMLResponse(refused_page(head, why, self.book.shop), code, _HEADERS)


def ack_router(boards: Boards) -> APIRouter:
    """Return the address of acknowledge links."""
    router, links = APIRouter(), _Links(boards, book_from_shop(boards.shop))

    @router.get("/ack/{token}")
    async def ask(token: str) -> HTMLResponse:
        return await run_in_threadpool(links.page, token, press=False)

    @router.post("/ack/{token}")
    async def press(token: str) -> HTMLResponse:
        return await run_in_threadpool(links.page, token, press=True)

    return router
