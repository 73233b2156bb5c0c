"""A bay and its neighbours in the same air, as jobs need to know them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.guard.alarm_kinds import CURING
from envmon.guard.describe import describe
from envmon.job.guards import BayView, Neighbour
from envmon.shop.air import others_in_air

if TYPE_CHECKING:
    from envmon.guard.live import BayState
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import GuardState
    from envmon.job.model import Book
    from envmon.shop.models import Shop


class Views:
    """Looks at bays for jobs.

    Args:
        shop: The shop file, checked; it says which bays share their air.
        plan: The same, compiled for the guard.
    """

    def __init__(self, shop: Shop, plan: GuardPlan) -> None:
        self._plan = plan
        self._beside = others_in_air(shop)

    def of(
        self, bay_id: str, state: GuardState, book: Book, live: BayState | None = None
    ) -> BayView:
        """Return a bay as jobs need to know it.

        Args:
            bay_id: The bay.
            state: What the guard remembers.
            book: The jobs still in a bay.
            live: The bay's live state, where it is at hand.
        """
        return BayView(
            live or describe(self._plan, state, bay_id),
            tuple(self._neighbour(other, state, book) for other in self._beside[bay_id]),
            self._plan.units,
            self._plan.timezone,
        )

    def _neighbour(self, bay_id: str, state: GuardState, book: Book) -> Neighbour:
        stage, job = state.bays[bay_id].stage, book.in_bay(bay_id)
        curing = stage in CURING or (job is not None and job.cure is not None)
        return Neighbour(self._plan.bays[bay_id].name, bay_id, stage, curing)
