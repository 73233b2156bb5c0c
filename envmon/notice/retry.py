"""When a message is tried again, and when it is no longer worth it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from envmon.clock import HOUR_US, SECOND_US

if TYPE_CHECKING:
    import random
    from collections.abc import Collection

FIRST_US = 2 * SECOND_US
CAP_US = 60 * SECOND_US
LOW_FOR_US = 6 * HOUR_US
OVER_FOR_US = 12 * HOUR_US


class Due(Protocol):
    """What is known of a message that waits for its delivery."""

    @property
    def at_us(self) -> int:
        """When it was decided [µs]."""
        ...

    @property
    def priority(self) -> str:
        """The highest in it."""
        ...

    @property
    def alarms(self) -> tuple[tuple[str, int], ...]:
        """Alarms told in it that can be acknowledged."""
        ...


def wait_us(fails: int, pace: float, chance: random.Random) -> int:
    """Return how long to wait after a failure: full jitter under a doubling span with a cap.

    Args:
        fails: Failures one after another, from 1.
        pace: Clock seconds per real second; servers are spared in real time.
        chance: Source of the jitter.

    Returns:
        A time span of the clock [µs].
    """
    span = min(CAP_US, FIRST_US * 2 ** min(fails - 1, 10))
    return round(chance.uniform(0, span) * max(1.0, pace))


def outdated(due: Due, standing: Collection[str], now_us: int) -> str:
    """Return why a message is no longer worth sending; empty while it is.

    One of high or medium priority is, for ever, while an alarm in it stands.

    Args:
        due: The message.
        standing: Ids of the alarms that stand.
        now_us: Time now [µs].
    """
    age_us = now_us - due.at_us
    if due.priority == "low" and age_us > LOW_FOR_US:
        return f"of low priority and older than {LOW_FOR_US // HOUR_US} h"
    over = not any(alarm in standing for alarm, _ in due.alarms)
    if over and age_us > OVER_FOR_US:
        return f"about what is over, and older than {OVER_FOR_US // HOUR_US} h"
    return ""
