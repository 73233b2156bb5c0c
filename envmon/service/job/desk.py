"""The job desk: acts of people and buttons become events of the chain, or are refused.

It works inside the watch's own transaction: what an act becomes, the vehicle's reference and all
the rest of the turn are durable together or not at all.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import MINUTE_US
from envmon.errors import StoreError
from envmon.facts import NewEvent
from envmon.job.events import JOB_ACT, REFUSED
from envmon.service.asked import STAGES
from envmon.service.job.acts import outcome_of
from envmon.service.job.book import after, ledger_from
from envmon.service.job.case import Asked, Case, Cause, Refusal
from envmon.service.job.view import Views

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from envmon.facts import Event
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import GuardState
    from envmon.job.model import Book
    from envmon.service.job.book import Ledger
    from envmon.service.job.case import Outcome
    from envmon.shop.models import Shop
    from envmon.store.base import Request, Store

log = logging.getLogger("envmon.watch")


class JobDesk:
    """Judges acts against the jobs as they stand, and keeps the jobs.

    Args:
        shop: The shop file, checked.
        plan: The same, compiled for the guard.
        store: Where the chain is; this thread's own.
    """

    def __init__(self, shop: Shop, plan: GuardPlan, store: Store) -> None:
        self._shop, self._plan, self._store = shop, plan, store
        self.views = Views(shop, plan)
        self.ledger: Ledger = ledger_from(store)
        self._committed = self.ledger
        self._to_scrub = False

    @property
    def book(self) -> Book:
        """The jobs still in a bay."""
        return self.ledger.book

    def wants(self, request: Request) -> bool:
        """Return whether a request is for the desk: an act, or a stage of a bay with a job."""
        if request.kind == JOB_ACT:
            return request.bay in self._plan.bays
        return request.kind in STAGES and self.book.in_bay(request.bay) is not None

    def answer(self, request: Request, state: GuardState, now_us: int) -> list[Event]:
        """Make a request into events, inside the transaction that is open.

        Args:
            request: One that the desk ``wants``.
            state: What the guard remembers.
            now_us: Time now [µs].

        Returns:
            What was written to the chain.

        Raises:
            StoreError: The disk fails; ``undo`` then.
        """
        cause = Cause(request.id, request.at_us)
        if request.kind == JOB_ACT:
            act = str(request.data.get("act", ""))
            return self.do(Asked(request.bay, act, request.data, cause), state, now_us)
        job = self.book.in_bay(request.bay)
        assert job is not None
        why = (
            f"job {job.id} is open in this bay: start and finish its stages on its bench "
            f"board, /bench/{request.bay}"
        )
        return self.refuse(Asked(request.bay, request.kind, {}, cause), why, now_us)

    def do(self, asked: Asked, state: GuardState, now_us: int) -> list[Event]:
        """Do an act, or refuse it, inside the transaction that is open.

        Args:
            asked: The act.
            state: What the guard remembers.
            now_us: Time now [µs].
        """
        bay, act, data, cause = asked
        case = Case(
            self._shop, self._plan, self.ledger, bay, act, data, now_us,
            lambda: self.views.of(bay, state, self.book), self._store.reference, cause.facts(),
        )  # fmt: skip
        return self.guarded(asked, now_us, lambda: self._write(bay, outcome_of(case), now_us))

    def guarded(self, asked: Asked, now_us: int, work: Callable[[], list[Event]]) -> list[Event]:
        """Do a piece of work for an act; whatever goes wrong in it costs this act alone.

        Args:
            asked: The act.
            now_us: Time now [µs].
            work: Writes events and returns them; undone as a whole when it fails.
        """
        before = self.ledger
        try:
            with self._store.atomic():
                return work()
        except Refusal as refusal:
            return self._refuse(asked, refusal, now_us)
        except StoreError:
            raise
        except Exception:
            log.exception("cannot do %r in %s", asked.act[:40], asked.bay)
            self.ledger = before
            return self.refuse(asked, "internal error; see the watch's log", now_us)

    def _write(self, bay: str, outcome: Outcome, now_us: int) -> list[Event]:
        if outcome.keep is not None:
            self._store.keep_reference(outcome.keep)
        if outcome.forget:
            self._store.forget_reference(outcome.forget)
            self._to_scrub = True
        new = [NewEvent(now_us, kind, bay, data) for kind, data in outcome.events]
        return self._add(new)

    def refuse(self, asked: Asked, why: str, now_us: int) -> list[Event]:
        """Write that an act is refused, inside the transaction that is open."""
        return self._refuse(asked, Refusal(why), now_us)

    def _refuse(self, asked: Asked, refusal: Refusal, now_us: int) -> list[Event]:
        log.info("%s in %s is refused: %s", asked.act[:40], asked.bay, refusal.why)
        if asked.cause.button and self._said_just_now(asked.bay, refusal.why, now_us):
            return []  # a foot that rests on the switch must not fill the chain
        data = {
            **asked.cause.facts(),
            "act": asked.act[:40],
            "why": refusal.why,
            "hindrances": [msgspec.to_builtins(each) for each in refusal.hindrances],
            "conflict": refusal.conflict,
        }
        return self._add([NewEvent(now_us, REFUSED, asked.bay, data)])

    def _said_just_now(self, bay: str, why: str, now_us: int) -> bool:
        said = self.ledger.refused.get(bay)
        return said is not None and said.text == why and now_us - said.at_us < MINUTE_US

    def _add(self, new: list[NewEvent]) -> list[Event]:
        events = self._store.add_events(new)
        self.heed(events)
        return events

    def heed(self, events: Iterable[Event]) -> None:
        """Take in events that the watch wrote, the guard's findings among them."""
        self.ledger = after(self.ledger, events)

    def kept(self) -> None:
        """Note that the transaction was committed."""
        self._committed = self.ledger
        if self._to_scrub:
            with suppress(StoreError):  # what was committed stands; it is tried again
                self._to_scrub = not self._store.scrub()

    def undo(self) -> None:
        """Note that the transaction was undone."""
        self.ledger = self._committed
