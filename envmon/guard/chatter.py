"""What flips without end is told worse at once and better only in its turn: pure.

A sensor gone wild, or in bad hands, may take a bay out of its limits and back with every reading,
and each turn is an entry of the chain and a message to people. So good news has a measure: some at
once, then one a minute. Until then the worse verdict stands, and an alarm stays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import MINUTE_US

if TYPE_CHECKING:
    from envmon.guard.state import BayNow

AT_ONCE = 10
"""So often something may be told to be better, one after the other."""
EVERY_US = MINUTE_US
"""Then once in so long [µs]."""


def free_us(now: BayNow, what: str) -> int:
    """Return from when on good news of something may be told [µs].

    Args:
        now: What is remembered of the bay.
        what: An alarm's id, or whose verdict it is.
    """
    return now.eased.get(what, 0) - (AT_ONCE - 1) * EVERY_US


def note_eased(now: BayNow, what: str, at_us: int) -> None:
    """Note that good news was told.

    Args:
        now: What is remembered of the bay; changed in place.
        what: An alarm's id, or whose verdict it is.
        at_us: When [µs].
    """
    eased = {key: until_us for key, until_us in now.eased.items() if until_us > at_us}
    eased[what] = max(eased.get(what, 0), at_us) + EVERY_US
    now.eased = eased
