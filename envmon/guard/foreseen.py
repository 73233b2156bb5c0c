"""What the outlook says of the stage being worked: an event of the chain, beside the trail's rule.

The guard takes the word and works nothing out, so replay finds what live found. A word holds for a
while after the time it is about, and then is over by itself: who said it may be gone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import MINUTE_US, us_from_iso
from envmon.errors import InputError
from envmon.guard.state import Foreseen

if TYPE_CHECKING:
    from envmon.facts import Event
    from envmon.guard.plan import StagePlan
    from envmon.guard.state import BayNow

HOLDS_US = 10 * MINUTE_US
"""A word holds so long after the latest time it names."""
OPEN_US = 60 * MINUTE_US
"""Or so long after the earliest, where it names no latest."""


def take_foreseen(now: BayNow, event: Event) -> None:
    """Note what the outlook said; what cannot be read says nothing.

    Args:
        now: What is remembered of the bay; its ``foreseen`` is changed.
        event: Of kind ``facts.OUTLOOK_SAID``.
    """
    now.foreseen = read_foreseen(event) if event.data.get("stage") == now.stage else None


def read_foreseen(event: Event) -> Foreseen | None:
    """Return what an event says is about to come; None when nothing is, or it cannot be read."""
    stage, first, last = (event.data.get(key) for key in ("stage", "leaves_from", "leaves_to"))
    if not isinstance(stage, str) or not isinstance(first, str):
        return None
    try:
        to_us = us_from_iso(last) if isinstance(last, str) else None
        return Foreseen(stage, us_from_iso(first), to_us)
    except InputError:
        return None


def holds_until_us(said: Foreseen) -> int:
    """Return until when a word holds [µs], whatever became of who said it."""
    return said.from_us + OPEN_US if said.to_us is None else said.to_us + HOLDS_US


def is_foreseen(stage: StagePlan | None, now: BayNow, at_us: int) -> bool:
    """Return whether the outlook expects the stage to leave a window in which it still is.

    Args:
        stage: The stage being worked whose window is to be kept; None for none.
        now: What is remembered of the bay.
        at_us: Time now [µs].
    """
    said = now.foreseen
    if stage is None or said is None or said.stage != stage.id or at_us > holds_until_us(said):
        return False
    return all(now.limits[limit.key].group == "inside" for limit in stage.limits)
