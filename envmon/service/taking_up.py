"""What was asked of the watch since the last turn, written to the chain in its own transaction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.job.propose import propose
from envmon.service.asked import event_of, is_sound
from envmon.service.job.case import Asked, Cause
from envmon.service.job.desk import JobDesk
from envmon.service.restored import HEEDED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Event, NewEvent
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import GuardState
    from envmon.job.live import Proposal
    from envmon.service.buttons import Press
    from envmon.service.calibration.desk import Recalibration
    from envmon.shop.models import Shop
    from envmon.store.base import Request, Store

LATE = (
    "the button was pressed while the watch was away; nobody knows when. Look at the board and "
    "press again"
)


class TakingUp:
    """Makes requests, presses and the watch's own reports into events.

    Args:
        shop: The shop file, checked.
        plan: The same, compiled for the guard.
        store: Where requests are found and events go; this thread's own.
        recalibration: Judges what is asked about calibrations.
    """

    def __init__(
        self, shop: Shop, plan: GuardPlan, store: Store, recalibration: Recalibration
    ) -> None:
        self._plan, self._store, self._recalibration = plan, store, recalibration
        self._bench = shop.bench
        self.desk = JobDesk(shop, plan, store)

    def write(
        self,
        requests: Sequence[Request],
        presses: Sequence[Press],
        reports: Sequence[NewEvent],
        state: GuardState,
        now_us: int,
    ) -> list[Event]:
        """Make all of it into events, effective now, inside the transaction that is open.

        Returns:
            What the guard heeds.
        """
        events: list[Event] = []
        for request in requests:
            if self.desk.wants(request):
                events += self.desk.answer(request, state, now_us)
            elif is_sound(request, self._plan, self._recalibration):
                events += self._store.add_events([event_of(request, now_us)])
        for press in presses:
            events += self._pressed(press, state, now_us)
        if reports:
            events += self._store.add_events(reports)
        if requests:
            self._store.drop_requests([request.id for request in requests])
        return [event for event in events if event.kind in HEEDED]

    def _pressed(self, press: Press, state: GuardState, now_us: int) -> list[Event]:
        """Do what a press stands for, as the bench proposes it at this moment."""
        bay, cause = press.button.bay, Cause(button=press.button.id, number=press.number)
        if press.wanted == "nothing":
            return []
        asked = Asked(bay, press.wanted, {"by": press.button.id}, cause)
        if press.late:
            return self.desk.refuse(asked, LATE, now_us)
        if press.wanted == "undo":
            return self.desk.do(asked, state, now_us)
        return self.desk.guarded(asked, now_us, lambda: self._next(asked, state, now_us))

    def _next(self, asked: Asked, state: GuardState, now_us: int) -> list[Event]:
        """Do what the bench proposes now."""
        job = self.desk.book.in_bay(asked.bay)
        if job is None:
            return self.desk.refuse(asked, "no job is open in this bay; open one first", now_us)
        view = self.desk.views.of(asked.bay, state, self.desk.book)
        proposal = propose(job, view, now_us, self._bench)
        if proposal.act in {"wait", "none"}:
            return self.desk.refuse(asked, proposal.text, now_us)
        data = {**asked.data, **_data_of(proposal)}
        return self.desk.do(asked._replace(act=proposal.act, data=data), state, now_us)


def _data_of(proposal: Proposal) -> dict[str, Any]:
    """Return what an act needs that the bench proposes; a look without a word found it clean."""
    if proposal.act in {"start", "finish"}:
        return {"step": proposal.step}
    panel = {"panel": proposal.panel} if proposal.panel else {}
    return {**panel, "result": "clean"} if proposal.act == "inspect" else panel
