"""A short flood over a real broker: the other bay's alarm comes in time, and nothing runs full.

``acceptance/hostile_flood.py`` is the long form, with all 100 000 topics.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.guard.chatter import AT_ONCE
from envmon.service.watch import PAYLOAD_KEPT, TOPIC_KEPT
from envmon.store.sqlite import REJECTS_KEPT
from tests.acceptance.hostile_flood import run
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO
SECONDS, PER_S = 2.5, 1_000.0
LATE_S = 3.0
"""A second on a machine of its own; three where others work beside."""
NAMES = ("one sensor, jumping", "topics claimed by +", "topics refused")


def test_another_bays_alarm_is_not_held_up(tmp_path: Path) -> None:
    found = run(tmp_path, SECONDS, PER_S, NAMES)

    for name, outcome in found.items():
        assert outcome.sent > 100, name
        assert max(outcome.delays_s) < LATE_S, name
    assert found["one sensor, jumping"].stored >= found["one sensor, jumping"].sent
    assert 10 <= found["one sensor, jumping"].events <= 4 * (AT_ONCE + 2)
    assert found["topics refused"].rejects <= REJECTS_KEPT * (PAYLOAD_KEPT + 4 * TOPIC_KEPT + 600)
    assert found["topics refused"].stored < 1_000
