"""When the outlook learns: at the first start, every night, and from each error in between.

Learning anew takes seconds to minutes, so it runs in a thread of its own on rows read before; what
is foreseen goes on meanwhile with what was known.
"""

from __future__ import annotations

import logging
import threading
from datetime import timedelta
from typing import TYPE_CHECKING

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.outlook.learning import fit_hall, update
from envmon.service.heap import give_back_free_pages
from envmon.service.outlook.read import frames_between, priors_of
from envmon.service.span import local_from_us
from envmon.shop.air import air_spaces

if TYPE_CHECKING:
    from envmon.outlook.constants import Priors
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts
    from envmon.service.outlook.think import Thinker
    from envmon.store.past import Past

log = logging.getLogger("envmon.outlook")

HISTORY_US = 56 * DAY_US
"""So much of the past teaches: washes are rare, and what is older was another season."""
NIGHT_H = 3
"""Learning anew is due at this hour, by the shop's clock."""
GUESS_AGAIN_US = 2 * HOUR_US
"""A bay that is guessing tries so often whether there is enough to learn from."""
UPDATE_US = 15 * MINUTE_US


class Learner:
    """Keeps a thinker's facts up with the shop's history.

    Args:
        thinker: Whose facts; they are replaced as a whole.
        timezone: The shop's, for its nights.
    """

    def __init__(self, thinker: Thinker, timezone: str) -> None:
        self._thinker, self._zone = thinker, timezone
        self._tried_us: int | None = None
        self._updated_us = 0
        self._thread: threading.Thread | None = None
        self._found: dict[str, ModelFacts] = {}

    def turn(self, past: Past, frames: dict[str, BayFrame], now_us: int) -> bool:
        """Take in what was learned, and begin to learn when it is due; return what changed.

        Args:
            past: Everything kept.
            frames: The recent rows of every bay.
            now_us: Time now [µs].
        """
        changed = self._taken()
        if self._thread is None and self._is_due(now_us):
            self._tried_us = now_us
            self._begin(past, now_us)
        if self._thread is None and abs(now_us - self._updated_us) >= UPDATE_US:
            self._updated_us = now_us
            changed |= self._update(frames)
        return changed

    def wait(self) -> None:
        """Wait until what is being learned is learned; the next turn takes it in."""
        if self._thread is not None:
            self._thread.join()

    def _is_due(self, now_us: int) -> bool:
        tried_us = self._tried_us
        if tried_us is None or now_us < tried_us:
            known = self._thinker.facts.values()
            return any(one.guessing or self._night_between(one.made_us, now_us) for one in known)
        guessing = any(one.guessing for one in self._thinker.facts.values())
        if guessing and now_us - tried_us >= GUESS_AGAIN_US:
            return True
        return self._night_between(tried_us, now_us)

    def _night_between(self, from_us: int, to_us: int) -> bool:
        """Return whether the hour to learn at lies between two times."""
        first, last = (
            (local_from_us(at_us, self._zone) - timedelta(hours=NIGHT_H)).date()
            for at_us in (from_us, to_us)
        )
        return first != last

    def _begin(self, past: Past, now_us: int) -> None:
        end_us = now_us // MINUTE_US * MINUTE_US
        kept = past.span()
        start_us = max(end_us - HISTORY_US, kept[0] // MINUTE_US * MINUTE_US if kept else end_us)
        if end_us - start_us < HOUR_US:
            return
        shop, plan = self._thinker.shop, self._thinker.plan
        frames = frames_between(past, shop, plan, (start_us, end_us))
        spaces, priors = air_spaces(shop), priors_of(shop)
        self._thread = threading.Thread(
            target=self._learn, args=(frames, spaces, priors), daemon=True, name="learning"
        )
        self._thread.start()

    def _learn(
        self,
        frames: dict[str, BayFrame],
        spaces: list[tuple[str, ...]],
        priors: dict[str, Priors],
    ) -> None:
        for group in spaces:
            try:
                found = fit_hall({b: frames[b] for b in group}, {b: priors[b] for b in group})
            except Exception:
                # A history that cannot be learned from leaves what was known.
                log.exception("cannot learn from the history of %s", ", ".join(group))
                continue
            self._found |= found

    def _taken(self) -> bool:
        if self._thread is None or self._thread.is_alive():
            return False
        self._thread, found, self._found = None, self._found, {}
        give_back_free_pages()
        known = self._thinker.facts
        # A history too short to teach does not take away what an earlier one taught.
        better = {b: one for b, one in found.items() if known[b].guessing or not one.guessing}
        for bay, one in better.items():
            if known[bay].guessing and not one.guessing:
                log.info("%s: learned from %.1f days, guessing no more", bay, one.days)
        self._thinker.facts = known | better
        return bool(better)

    def _update(self, frames: dict[str, BayFrame]) -> bool:
        known, fresh = self._thinker.facts, {}
        for bay, frame in frames.items():
            try:
                fresh[bay] = update(known[bay], frame, self._thinker.neighbours(bay, frames))
            except Exception:
                log.exception("cannot take in the errors of %s", bay)
        changed = any(fresh[bay] is not known[bay] for bay in fresh)
        self._thinker.facts = known | fresh
        return changed
