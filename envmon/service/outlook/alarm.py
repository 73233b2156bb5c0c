"""What the outlook lets the watch know: whether the stage being worked is about to leave.

It asks for an event when what it says changes in kind, and again before a word runs out. Of a bay
that has taught too little nothing is said: there the trail's own rule decides. Beside the outlook's
own view water carried over from the next bay is heard (``beside``).
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
AGREES_US, HELD_US = 2 * MINUTE_US, 6 * MINUTE_US
"""Water carried over counts when it is seen for so long, and then for so long after it was seen."""


NEVER = Span(None, None, None)


class Looked(NamedTuple):
    """What the outlook says of a bay now.

    Attributes:
        stage: The stage being worked whose window is to be kept; empty for none.
        leaves: When it leaves its window, never where it is outside; None where nothing is known.
        quantity: What leaves its limit first.
        beside_min: When the humidity leaves by what is carried over from the bay beside
            (``beside.leaves_beside``) [min]; None for not at all.
    """

    stage: str
    leaves: Span | None
    quantity: str = ""
    beside_min: float | None = None


def looked_at(stage: StageOutlook, beside_min: float | None = None) -> Looked:
    """Return what an outlook says of the stage being worked.

    Args:
        stage: Its outlook.
        beside_min: When it leaves by what is carried over [min]; None for not at all.
    """
    if stage.leaves is None:
        return Looked(stage.stage, None if stage.fitness == "unknown" else NEVER)
    first = min(stage.limits, key=lambda limit: _soon(limit.changes))
    return Looked(stage.stage, stage.leaves, first.quantity, beside_min)


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
        self._beside_us: int | None = None
        self._held: tuple[int, float] | None = None

    def look(self, looked: Looked, now_us: int) -> dict[str, Any] | None:
        """Return what the watch is to be asked to write; None for nothing new.

        Args:
            looked: What is foreseen now.
            now_us: Time now [µs].
        """
        said = self._said
        if said is not None and (said.stage != looked.stage or now_us > holds_until_us(said)):
            said = self._said = None  # the guard has forgotten it as well
            self._beside_us = self._held = None
        if not looked.stage or looked.leaves is None:
            self._since_us = self._beside_us = self._held = None
            return None
        beside = self._beside(looked, now_us)
        near = self._is_leaving(looked.leaves, before=said is not None and said.leaves)
        leaves = near or beside is not None
        if said is not None and not self._is_due(said, now_us, leaves=leaves):
            return None
        self._since_us = None
        if beside is not None and not near:
            looked = looked._replace(leaves=beside, quantity="rel_hum_pct")
        data = _data(looked, now_us, leaves=leaves)
        self._said = read_foreseen(Event(0, now_us, OUTLOOK_SAID, "", data, ""))
        return data

    def _is_leaving(self, leaves: Span, *, before: bool) -> bool:
        reach_us = self._lead_us * (BACK if before else REACH)
        return leaves.middle is not None and leaves.middle * MINUTE_US <= reach_us

    def _beside(self, looked: Looked, now_us: int) -> Span | None:
        """Return between when what is carried over has it leave; None while that does not count."""
        if looked.beside_min is None:
            self._beside_us = None
        else:
            first_us = self._beside_us = min(self._beside_us or now_us, now_us)
            if now_us - first_us >= AGREES_US:
                self._held = (now_us, looked.beside_min)
        if self._held is None or not 0 <= now_us - self._held[0] <= HELD_US:
            return None
        seen_us, minutes = self._held
        early = max(0.0, minutes - (now_us - seen_us) / MINUTE_US)
        return Span(early, early, early + self._lead_us / MINUTE_US)

    def _is_due(self, said: Foreseen, now_us: int, *, leaves: bool) -> bool:
        """Return whether a word is to be said again, or the other one: a bad one at once."""
        if leaves == said.leaves:
            self._since_us = None
            return now_us - said.said_us >= AGAIN_US
        self._since_us = now_us if self._since_us is None else min(self._since_us, now_us)
        return leaves or now_us - self._since_us >= STANDS_US


def _data(looked: Looked, now_us: int, *, leaves: bool) -> dict[str, Any]:
    span = looked.leaves if leaves and looked.leaves is not None else NEVER
    times = (span.early, span.late)
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
