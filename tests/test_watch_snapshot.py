"""A snapshot that cannot be read costs nothing the store still knows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.service.restored import SNAPSHOT
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path


def test_damaged_snapshot_is_judged_anew_from_readings_and_events(tmp_path: Path) -> None:
    before = HandWatch(tmp_path)
    before.store.ask("stage_started", "one", {"stage": "polish"}, before.clock.now_us())
    before.turn(1, ("hall/air-a", senml("temp", 20.0, 0.5)))
    kept = dict(before.watch.state.newest)
    before.store.save_snapshot(SNAPSHOT, 0, b'{"plan": 7}')
    before.store.close()

    after = HandWatch(tmp_path)

    assert kept
    assert after.watch.state.newest == kept
    assert after.watch.state.bays["one"].stage == "polish"
