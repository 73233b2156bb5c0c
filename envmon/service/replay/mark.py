"""What the watch leaves in the store so that a replay can do exactly what it did.

A clock that was set back shows the same times twice, and readings of both runs lie mixed in the
store, since they are kept by time. So every moment of the watch says in its last microseconds how
often the clock had been set back by then: too little to matter to anything else, enough to tell
the runs apart, and it goes with each reading wherever that is kept.
"""

from __future__ import annotations

import msgspec

from envmon.guard.state import GuardState

RUNS_TOLD_APART = 8
"""So many runs over one time can be told apart; whole milliseconds stay whole in the first."""
TAKEN = "shop_file_taken"
"""Event: from here on these limits were in force."""
SET_BACK = "clock_set_back"
"""Event: from here on the clock shows times it had shown before."""


class SavedGuard(msgspec.Struct, frozen=True):
    """The guard's state with what it was made under.

    Attributes:
        plan: Fingerprint of the shop file.
        state: What the guard remembers.
        set_back: How often the clock had been set back.
    """

    plan: str
    state: GuardState
    set_back: int = 0


class KeptGuard(SavedGuard, frozen=True):
    """A checkpoint: a guard's state that a replay may start from.

    Attributes:
        seq: The last place in the chain of events when it was made.
        before_us: After a clock was set back, where it had stood before [µs].
    """

    seq: int = 0
    before_us: int | None = None


def marked(at_us: int, set_back: int) -> int:
    """Return the first moment from ``at_us`` on that says how often the clock was set back."""
    return at_us + (set_back - at_us) % RUNS_TOLD_APART


def is_of_run(seen_us: int, set_back: int) -> bool:
    """Return whether a moment of the watch says it belongs to a run of the clock."""
    return (seen_us - set_back) % RUNS_TOLD_APART == 0
