"""Kill -9 of the watch in a loop loses and doubles nothing; the full 10 000 messages are run by
``python tests/acceptance/kill_watch.py``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.acceptance.kill_watch import report, run
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


def test_kill_9_in_a_loop_stores_every_message_exactly_once(tmp_path: Path) -> None:
    outcome = run(tmp_path, messages=1500, per_s=300)
    assert outcome.ok, report(outcome)
    assert outcome.published == 1500
    assert outcome.kills_between >= 2, report(outcome)
