"""What the outlook lets the watch know: whether the stage being worked is about to leave.

It asks for an event when what it says changes in kind, and again before a word runs out. Of a bay
that has taught too little nothing is said: there the trail's own rule decides.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import MINUTE_US, iso_from_us
from envmon.facts import OUTLOOK_SAID, Event
from envmon.guard.foreseen import holds_until_us, read_foreseen
from envmon.outlook.model import Span

if TYPE_CHECKING:
    from envmon.guard.state import Foreseen
    from envmon.outlook.model import StageOutlook
    from envmon.store.base import Store

AGAIN_US = 20 * MINUTE_US
"""What stays so is said again so often; a word holds a little longer."""
STANDS_US = 2 * MINUTE_US
"""A word is taken back when it has been otherwise for so long."""
REACH, BACK = 2.0, 3.0
"""A stage is said to leave when the middle of what is expected lies within so many times the lead,
and to stay again beyond so many times: the middle comes late where a wash has begun beside it.
Chosen on one simulated autumn and judged on another, see ``benchmarks/outlook_leaving.py``."""


NEVER = Span(None, None, None)


class Looked(NamedTuple):
    """What the outlook says of a bay now.

    Attributes:
        stage: The stage being worked whose window is to be kept; empty for none.
        leaves: When it leaves its window, never where it is outside; None where nothing is known.
        quantity: What leaves its limit first.
    """

    stage: str
    leaves: Span | None
    quantity: str = ""


def looked_at(stage: StageOutlook) -> Looked:
    """Return what an outlook says of the stage being worked."""
    if stage.leaves is None:
        return Looked(stage.stage, None if stage.fitness == "unknown" else NEVER)
    first = min(stage.limits, key=lambda limit: _soon(limit.changes))
    return Looked(stage.stage, stage.leaves, first.quantity)


def _soon(span: Span) -> tuple[float, ...]:
    return tuple(math.inf if at is None else at for at in (span.middle, span.early))


class Teller:
    """Says it for one bay; knows what it said last.

    Args:
        lead_us: How far ahead a stage is about to leave its window [µs].
        said: What stands in the chain; None for nothing.
    """

    def __init__(self, lead_us: int, said: Foreseen | None = None) -> None:
        self._lead_us, self._said = lead_us, said
        self._since_us: int | None = None

    def look(self, looked: Looked, now_us: int) -> dict[str, Any] | None:
        """Return what the watch is to be asked to write; None for nothing new.

        Args:
            looked: What is foreseen now.
            now_us: Time now [µs].
        """
        said = self._said
        if said is not None and (said.stage != looked.stage or now_us > holds_until_us(said)):
            said = self._said = None  # the guard has forgotten it as well
        if not looked.stage or looked.leaves is None:
            self._since_us = None
            return None
        leaves = self._is_leaving(looked.leaves, before=said is not None and said.leaves)
        if said is not None and not self._is_due(said, now_us, leaves=leaves):
            return None
        self._since_us = None
        data = _data(looked, looked.leaves, now_us, leaves=leaves)
        self._said = read_foreseen(Event(0, now_us, OUTLOOK_SAID, "", data, ""))
        return data

    def _is_leaving(self, leaves: Span, *, before: bool) -> bool:
        reach_us = self._lead_us * (BACK if before else REACH)
        return leaves.middle is not None and leaves.middle * MINUTE_US <= reach_us

    def _is_due(self, said: Foreseen, now_us: int, *, leaves: bool) -> bool:
        """Return whether a word is to be said again, or the other one: a bad one at once."""
        if leaves == said.leaves:
            self._since_us = None
            return now_us - said.said_us >= AGAIN_US
        self._since_us = now_us if self._since_us is None else min(self._since_us, now_us)
        return leaves or now_us - self._since_us >= STANDS_US


def _data(looked: Looked, span: Span, now_us: int, *, leaves: bool) -> dict[str, Any]:
    times = (span.early, span.late) if leaves else (None, None)
    first, last = (
        None if at is None else iso_from_us(now_us + round(at * MINUTE_US)) for at in times
    )
    return {
        "stage": looked.stage,
        "leaves": leaves,
        "leaves_from": first,
        "leaves_to": last,
        "quantity": looked.quantity if leaves else "",
    }


def said_in_chain(store: Store, bays: list[str]) -> dict[str, Foreseen | None]:
    """Return what was said last of each bay, by whoever was here before."""
    found: dict[str, Foreseen | None] = dict.fromkeys(bays)
    for event in store.events_of(OUTLOOK_SAID):
        if event.bay in found:
            found[event.bay] = read_foreseen(event)
    return found
