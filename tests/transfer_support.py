"""A shop in a folder, files to import into it, and what it holds afterwards."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from envmon.clock import DAY_US, ManualClock
from envmon.service.keeping.importing import ImportJob, import_file
from envmon.service.watch_process import READY_FILE
from envmon.store.past import Past
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.guard_support import SHOP, START_US

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.facts import Reading
    from envmon.service.keeping.import_report import Outcome
    from envmon.store.base import Request

NOW_US = START_US + 10 * DAY_US
"""2026-02-06T08:00:00Z; what the clock shows while a file is imported."""
HEADER = "time,point,quantity,value"
ALL = (-(2**60), 2**60)


class Bench:
    """A shop file and its data folder.

    Args:
        folder: Where both are.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.shop = folder / "shop.toml"
        self.shop.write_text(SHOP, encoding="utf-8")
        self.data = folder / "data"

    def file(self, text: str, name: str = "rows.csv") -> Path:
        path = self.folder / name
        path.write_bytes(text.encode())
        return path

    def take(self, text: str, **options: bool) -> Outcome:
        """Import a text as a file."""
        return self.take_file(self.file(text), **options)

    def take_file(self, path: Path, **options: bool) -> Outcome:
        job = ImportJob(self.shop, path, str(self.data), **options)
        return import_file(job, ManualClock(NOW_US), lambda _done, _rows: None)

    def rows(self, *lines: str, header: str = HEADER) -> Outcome:
        """Import rows under a header."""
        return self.take("\n".join([header, *lines]) + "\n")

    def put(self, readings: Sequence[Reading]) -> None:
        """Keep readings as the watch does."""
        with closing(SqliteStore(self.data)) as store:
            store.add_readings(readings)

    def watched(self) -> None:
        """Look like a folder with a running watch, whose keeper moves readings to the archive."""
        self.put([])
        (self.data / READY_FILE).touch()

    def kept(self) -> list[Reading]:
        """Return everything kept, live and archived, by day, series and time."""
        with closing(SqliteStore(self.data)) as store, closing(Past(store, self.data)) as past:
            return [reading for day in past.columns(*ALL) for reading in day.readings()]

    def live(self) -> list[Reading]:
        with closing(SqliteStore(self.data)) as store:
            return list(store.readings(*ALL))

    def count(self) -> int:
        """Return how many live readings are committed, without taking part in writing."""
        with closing(sqlite3.connect(self.data / LIVE_FILE)) as live:
            return int(live.execute("SELECT count(*) FROM reading").fetchone()[0])

    def requests(self) -> list[Request]:
        with closing(SqliteStore(self.data)) as store:
            return store.requests()


def reasons(outcome: Outcome) -> dict[str, tuple[int, list[int]]]:
    """Return why rows were refused: reason -> how often, first lines."""
    found = outcome.tally.reasons.items()
    return {text: (reason.count, reason.lines) for text, reason in found}
