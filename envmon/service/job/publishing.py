"""What the watch publishes of the work in every bay: ``envmon/<bay>/job``."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

import msgspec

from envmon.job.describe import Extra, describe_job
from envmon.service.publishing import EVERY_S

if TYPE_CHECKING:
    from envmon.guard.state import GuardState
    from envmon.intake.link import BrokerLink
    from envmon.job.live import BenchState
    from envmon.service.job.desk import JobDesk
    from envmon.shop.models import Shop


log = logging.getLogger("envmon.watch")


def job_topic(bay: str) -> str:
    """Return the topic a bay's work is published on."""
    return f"envmon/{bay}/job"


class JobPublisher:
    """Says how the work stands, at once when something was done and else once a second.

    Args:
        shop: The shop file, checked.
        desk: Who knows the jobs.
        link: Connection to the broker.
    """

    def __init__(self, shop: Shop, desk: JobDesk, link: BrokerLink) -> None:
        self._bench, self._desk, self._link = shop.bench, desk, link
        self._said_at = dict.fromkeys((bay.id for bay in shop.bay), 0.0)
        self._said = desk.ledger
        self._failed: set[str] = set()

    def say_all(self) -> None:
        """Say everything anew: the broker is back, and may have kept nothing."""
        self._said_at = dict.fromkeys(self._said_at, 0.0)

    def speak(self, state: GuardState) -> None:
        """Publish what is due."""
        now, news = time.monotonic(), self._desk.ledger is not self._said
        self._said = self._desk.ledger
        for bay_id, said_at in self._said_at.items():
            if news or now - said_at >= EVERY_S:
                self._said_at[bay_id] = now
                self._say(bay_id, state)

    def _say(self, bay_id: str, state: GuardState) -> None:
        try:
            live = msgspec.json.encode(self.state_of(bay_id, state))
        except Exception:
            # The watch must go on watching, whatever is wrong with what is shown of a job.
            if bay_id not in self._failed:
                log.exception("cannot describe the work in %s; said once", bay_id)
            self._failed.add(bay_id)
            return
        self._link.publish(job_topic(bay_id), live)

    def state_of(self, bay_id: str, state: GuardState) -> BenchState:
        """Return how the work in a bay stands, as of the guard's own time."""
        ledger, book = self._desk.ledger, self._desk.book
        refused = ledger.refused.get(bay_id)
        extra = Extra(ledger.last.get(bay_id, ""), *(refused or ("", None)))
        view = self._desk.views.of(bay_id, state, book)
        return describe_job(book.in_bay(bay_id), view, state.now_us, self._bench, extra)
