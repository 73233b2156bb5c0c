"""Kill -9 of the watch in a loop, while 10 000 messages come, loses and doubles nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.acceptance.kill_watch import KILLS_BETWEEN, report, run
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


def test_kill_9_in_a_loop_stores_every_message_exactly_once(tmp_path: Path) -> None:
    outcome = run(tmp_path, messages=10_000, per_s=500)
    assert outcome.ok, report(outcome)
    assert outcome.published >= 10_000
    assert outcome.kills_between >= KILLS_BETWEEN, report(outcome)
