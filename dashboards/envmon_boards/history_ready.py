"""Live days are summed up in the background, so that the first question about them is quick too."""

from __future__ import annotations

import logging
from threading import Event, Thread
from typing import TYPE_CHECKING

from envmon.errors import StoreError
from envmon.store.history_live import remember_live
from envmon.store.sqlite import LIVE_FILE, SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

log = logging.getLogger("envmon.boards")

EVERY_S = 600.0
"""A question then sums up little by itself: the piece of six hours that is still growing."""


class HistoryReady:
    """Keeps this process's memory of the live days fresh, in a thread of its own.

    Args:
        folder: Data folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._stop = Event()
        self._thread = Thread(target=self._run, name="history-ready", daemon=True)

    def start(self) -> None:
        """Sum up what is there now, and again every ten minutes."""
        self._thread.start()

    def stop(self) -> None:
        """End when what is being done is done."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while True:
            try:
                self._remember()
            except (StoreError, OSError) as error:
                log.info("live days are not summed up beforehand: %s", error)
            if self._stop.wait(EVERY_S):
                return

    def _remember(self) -> None:
        # Opening a file that is gone would make an empty one, where the watch is to renew it.
        if not (self._folder / LIVE_FILE).exists():
            return
        store = SqliteStore(self._folder)
        try:
            remember_live(store)
        finally:
            store.close()
