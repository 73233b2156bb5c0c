"""The guard's verdicts as the watch kept them last: what words about the hours ahead agree with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from envmon.service.replay.mark import SavedGuard
from envmon.service.restored import SNAPSHOT

if TYPE_CHECKING:
    from envmon.guard.live import Fitness
    from envmon.store.base import Store


def verdicts_in(store: Store) -> dict[str, dict[str, Fitness]]:
    """Return bay -> stage -> the guard's verdict; empty where the watch has kept none.

    The watch keeps its state with every finding, so of the stage being worked this is never old;
    of others it may be ten seconds old.

    Raises:
        StoreError: The live file cannot be read.
    """
    saved = store.snapshot(SNAPSHOT)
    if saved is None:
        return {}
    try:
        state = msgspec.json.decode(saved, type=SavedGuard).state
    except (msgspec.MsgspecError, ValueError):
        return {}  # of another version: the watch writes its own at its start
    return {
        bay: {stage: now.fitness for stage, now in one.stages.items()}
        for bay, one in state.bays.items()
    }
