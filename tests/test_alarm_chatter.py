"""A noisy signal that rests on a limit for a night raises each alarm at most once.

What noise is typical: chatter_support (common practice).
"""

from __future__ import annotations

import pytest

from tests.chatter_support import EDGES, NEAR, Night, Rest, raised_in

NIGHTS = (
    Night(1),
    Night(2, share=0.5, wander=0.2, every_s=10, coarse=True),
    Night(3, wander=0.5, every_s=15),
    Night(4, share=0.7, wander=0.5, every_s=30),
    Night(5, every_s=60),
    Night(6, wander=0.5, every_s=60),
)


def name(value: Night | Rest) -> str:
    return "-".join(str(part) for part in value)


@pytest.mark.parametrize("rest", EDGES, ids=name)
@pytest.mark.parametrize("night", NIGHTS, ids=name)
def test_resting_on_a_limit_raises_each_alarm_at_most_once(night: Night, rest: Rest) -> None:
    raised = raised_in(night, rest)
    assert raised, "a signal that is outside half of the time must be told of"
    assert max(raised.values()) == 1, raised


@pytest.mark.parametrize("rest", NEAR, ids=name)
@pytest.mark.parametrize("night", NIGHTS[1:], ids=name)
def test_resting_near_a_limit_is_at_most_once_taken_for_leaving_it(
    night: Night, rest: Rest
) -> None:
    assert raised_in(night, rest)["one-leaving"] <= 1
