"""What the outlook says of the stage being worked: an event of the chain, heard before the trail.

The guard takes the word and works nothing out, so replay finds what live found. A word that is not
said again is over by itself, since who said it may be gone; then the trail decides, as it does
where nothing was ever said.
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

HOLDS_US = 30 * MINUTE_US
"""A word holds for so long."""


def take_foreseen(now: BayNow, event: Event) -> None:
    """Note what the outlook said; what cannot be read says nothing.

    Args:
        now: What is remembered of the bay; its ``foreseen`` is changed.
        event: Of kind ``facts.OUTLOOK_SAID``.
    """
    now.foreseen = read_foreseen(event) if event.data.get("stage") == now.stage else None


def read_foreseen(event: Event) -> Foreseen | None:
    """Return what an event says is to come; None when it cannot be read."""
    stage, leaves, quantity = (event.data.get(key) for key in ("stage", "leaves", "quantity"))
    if not isinstance(stage, str) or not isinstance(leaves, bool):
        return None
    try:
        first, last = (_time_us(event.data.get(key)) for key in ("leaves_from", "leaves_to"))
    except InputError:
        return None
    named = quantity if isinstance(quantity, str) else ""
    return Foreseen(stage, leaves, event.at_us, first, last, named)


def _time_us(text: object) -> int | None:
    return us_from_iso(text) if isinstance(text, str) else None


def holds_until_us(said: Foreseen) -> int:
    """Return until when a word holds [µs], whatever became of who said it."""
    return said.said_us + HOLDS_US


def is_foreseen(stage: StagePlan | None, now: BayNow, at_us: int) -> bool | None:
    """Return whether the outlook expects the stage to leave a window in which it still is.

    One that is outside leaves nothing; what it is short of has an alarm of its own.

    Args:
        stage: The stage being worked whose window is to be kept; None for none.
        now: What is remembered of the bay.
        at_us: Time now [µs].

    Returns:
        None where no word of it holds.
    """
    said = now.foreseen
    if stage is None or said is None or said.stage != stage.id or at_us > holds_until_us(said):
        return None
    return said.leaves and all(now.limits[limit.key].group == "inside" for limit in stage.limits)
