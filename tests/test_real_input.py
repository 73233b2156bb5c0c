"""A weather year and the SenML examples, sent by mosquitto_pub, are in the store as sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.acceptance.real_input import BAD, run
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


def test_everything_stored_is_what_was_sent(tmp_path: Path) -> None:
    wrong, count, refused = run(tmp_path)

    assert wrong == []
    assert count > 3 * 8_760
    assert refused == len(BAD)
