"""When to start heating for the next morning, where nothing is worked and nothing cures.

It is what the winter's pages say, worked out by the same functions from the same quarter of an
hour, so that wall, bench and page do not differ. It takes a second of looking back on two months,
so a thread of its own does it, four times an hour.
"""

from __future__ import annotations

import logging
import threading
import time
from contextlib import closing
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US, iso_from_us, us_from_iso
from envmon.heating.ahead import as_of, mornings_ahead
from envmon.heating.log import HeatShop
from envmon.heating.words import Words
from envmon.service.heating.ahead import night_of
from envmon.service.outlook.live import MorningSaid
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from pathlib import Path

    from envmon.guard.plan import GuardPlan
    from envmon.heating.ahead import Ahead
    from envmon.service.outlook.live import OutlookState
    from envmon.shop.models import Shop

log = logging.getLogger("envmon.outlook")

EVERY_US = 15 * MINUTE_US
LEAST_S = 20.0
"""But in real time not more often than this, where the clock runs faster."""
OLDEST_US = HOUR_US
"""What was worked out longer ago is not said any more."""

SPOKEN_S = 3.0
"""What is said stands so long in real time, or a minute, before it is said again: a start that
comes by then is said to be now."""


def mornings_said(past: Past, shop: Shop, plan: GuardPlan, now_us: int) -> dict[str, MorningSaid]:
    """Return bay -> when to start heating it; without bays of which there is nothing to say.

    Args:
        past: Everything kept.
        shop: The shop file.
        plan: The same, compiled.
        now_us: Time now [µs].

    Raises:
        StoreError: The live file cannot be read.
    """
    return _said(_aheads(past, shop, plan, now_us), now_us)


def _aheads(past: Past, shop: Shop, plan: GuardPlan, now_us: int) -> tuple[Ahead, ...]:
    night = night_of(past, shop, plan, now_us, {})
    heat = HeatShop(shop.heating, shop.heater, shop.tariff)
    words = Words(shop.shop.units, shop.heating.currency)
    return mornings_ahead(night, heat, words)


def _said(aheads: Iterable[Ahead], at_us: int) -> dict[str, MorningSaid]:
    return {
        one.bay: MorningSaid(
            iso_from_us(one.ready_us),
            None if one.start_us is None else iso_from_us(one.start_us),
            one.chance,
            one.line,
            one.start,
        )
        for one in (as_of(ahead, at_us) for ahead in aheads)
        if one.line
    }


def with_mornings(
    states: Mapping[str, OutlookState], said: Mapping[str, MorningSaid], idle: Collection[str]
) -> dict[str, OutlookState]:
    """Return what is foreseen with the next morning of the bays in which nothing is worked.

    Args:
        states: Bay -> what is foreseen of it.
        said: Bay -> when to start heating it.
        idle: Bays in which no stage is worked.
    """
    return {
        bay: msgspec.structs.replace(state, morning=said.get(bay) if bay in idle else None)
        for bay, state in states.items()
    }


class Mornings:
    """Works out the next morning in a thread of its own; the object belongs to one thread.

    Args:
        shop: The shop file.
        plan: The same, compiled.
        folder: Data folder.
        speed: How much faster than real time the shop's clock runs.
    """

    def __init__(self, shop: Shop, plan: GuardPlan, folder: Path, speed: float = 1.0) -> None:
        self._shop, self._plan, self._folder = shop, plan, folder
        self._oldest_us = max(OLDEST_US, round(3 * LEAST_S * speed * SECOND_US))
        self._thread: threading.Thread | None = None
        self._asked_us, self._asked_s = 0, 0.0
        self._next_us = max(MINUTE_US, round(SPOKEN_S * speed * SECOND_US))
        self._found: tuple[int, tuple[Ahead, ...]] = (0, ())

    def look(self, now_us: int) -> dict[str, MorningSaid]:
        """Return bay -> what was last worked out and still holds; begin anew when it is due.

        Args:
            now_us: Time now [µs].
        """
        now_s = time.monotonic()
        busy = self._thread is not None and self._thread.is_alive()
        due = self._asked_us // EVERY_US != now_us // EVERY_US
        if due and not busy and (not self._asked_s or now_s - self._asked_s >= LEAST_S):
            self._asked_us, self._asked_s = now_us, now_s
            self._thread = threading.Thread(
                target=self._work, args=(now_us,), daemon=True, name="morning"
            )
            self._thread.start()
        at_us, aheads = self._found
        if not 0 <= now_us - at_us <= self._oldest_us:
            return {}
        said = _said(aheads, now_us + self._next_us)
        return {bay: one for bay, one in said.items() if now_us < us_from_iso(one.ready)}

    def wait(self) -> None:
        """Wait until what is being worked out is there."""
        if self._thread is not None:
            self._thread.join()

    def _work(self, now_us: int) -> None:
        try:
            with (
                closing(SqliteStore(self._folder)) as store,
                closing(Past(store, self._folder)) as past,
            ):
                self._found = (now_us, _aheads(past, self._shop, self._plan, now_us))
        except Exception:
            # Without it the rest of the outlook goes on.
            log.exception("cannot work out the next morning")
