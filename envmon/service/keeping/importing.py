"""``envmon import``: history from a CSV or Parquet file into the store.

The file is read once, in parts: a second thread lets DuckDB split and convert the next part (which
leaves the interpreter free) while the first writes the last one. What is written is committed in
small transactions, so that a watch that runs beside it waits for milliseconds; what was committed
stays when the import ends early, and a second run passes over what is there.
"""

from __future__ import annotations

import logging
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from typing import TYPE_CHECKING, NamedTuple, Protocol, Self
from zoneinfo import ZoneInfo

from envmon.clock import iso_from_us
from envmon.errors import EnvmonError, InputError
from envmon.service.asked import HISTORY_IMPORTED
from envmon.service.keeping.import_csv import CsvSource
from envmon.service.keeping.import_judge import judged
from envmon.service.keeping.import_known import Known
from envmon.service.keeping.import_parquet import ParquetSource
from envmon.service.keeping.import_report import (
    Outcome,
    ProgressLine,
    RefusedFile,
    Tally,
    outcome_lines,
)
from envmon.service.keeping.keeper import archive_turn
from envmon.service.watch_process import READY_FILE, data_folder
from envmon.shop.load import load_shop
from envmon.store.bulk import add_rows, by_series, not_archived
from envmon.store.parquet import open_duck
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    import duckdb

    from envmon.clock import Clock
    from envmon.service.keeping.import_judge import Judged, Part
    from envmon.shop.models import Shop
    from envmon.store.bulk import Rows

log = logging.getLogger("envmon.import")

ROWS_ALONE = 20_000
"""Rows of a transaction where no watch runs."""
ROWS_BESIDE = 2_000
"""Rows of a transaction beside a running watch."""
REST = 3.0
"""Beside a running watch, rest so many times as long as the transaction took."""


class Source(Protocol):
    """A file being read."""

    unit: str
    header: str
    total_bytes: int

    @property
    def done_bytes(self) -> int:
        """How much of the file has been read [bytes]."""
        ...

    def sha256(self) -> str:
        """Return the digest of the whole file."""
        ...

    def parts(self) -> Iterator[Part]:
        """Yield the rows of the file."""
        ...


class ImportJob(NamedTuple):
    """What is imported.

    Attributes:
        shop_path: The shop file.
        file: CSV, CSV with gzip, or Parquet.
        data: Data folder instead of the shop file's.
        any_point: Whether points the shop file does not have are taken.
    """

    shop_path: Path
    file: Path
    data: str | None = None
    any_point: bool = False


def source_of(path: Path, duck: duckdb.DuckDBPyConnection) -> AbstractContextManager[Source]:
    """Return a file opened by what its name says it is.

    Raises:
        InputError: It cannot be read, or its columns are not ours.
    """
    if path.suffix.lower() == ".parquet":
        return ParquetSource(path, duck)
    if path.suffix.lower() in {".csv", ".gz"}:
        return CsvSource(path, duck)
    raise InputError(f"{path} is no .csv, .csv.gz or .parquet; name it by what it is")


def import_file(
    job: ImportJob,
    clock: Clock,
    progress: Callable[[int, int], None],
    stopped: Callable[[], bool] = lambda: False,
) -> Outcome:
    """Import a file; what was committed stays whatever happens.

    Args:
        job: What is imported.
        clock: What time it is.
        progress: Told bytes read and rows dealt with.
        stopped: Asked after every commit whether to end.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: The file cannot be read at all, or its columns are not ours.
        StoreError: The data folder cannot be opened.
    """
    shop = load_shop(job.shop_path)
    folder = data_folder(shop, job.shop_path, job.data)
    started = time.monotonic()
    outcome = Outcome()
    with ExitStack() as opened:
        duck = opened.enter_context(closing(open_duck()))
        duck.execute("SET threads = 1")
        source = opened.enter_context(source_of(job.file, duck))
        run = opened.enter_context(_Run(job, shop, folder, source, clock.now_us()))
        outcome.unit = source.unit
        try:
            run.take_all(progress, stopped)
        except KeyboardInterrupt:
            outcome.stopped = True
        except (EnvmonError, OSError) as error:
            outcome.trouble = str(error)
        try:
            run.note(whole=not (outcome.stopped or outcome.trouble))
        except (EnvmonError, OSError) as error:
            outcome.trouble = outcome.trouble or str(error)
        outcome.tally, outcome.rejected = run.tally, run.refused.path
    outcome.seconds = time.monotonic() - started
    if outcome.tally.new and not (outcome.stopped or outcome.trouble):
        outcome.moved = _moved(shop, folder, clock.now_us())
    return outcome


def _moved(shop: Shop, folder: Path, now_us: int) -> int | None:
    """Move closed days to the archive where no keeper runs to do it."""
    if (folder / READY_FILE).exists():
        return None
    try:
        return archive_turn(shop, folder, now_us).moved
    except EnvmonError as error:
        log.warning("the archive waits for its keeper: %s", error)
        return None


class _Run:
    """One import into one folder."""

    def __init__(
        self, job: ImportJob, shop: Shop, folder: Path, source: Source, now_us: int
    ) -> None:
        self._source, self._folder, self._file = source, folder, job.file
        self._zone, self._now_us = ZoneInfo(shop.shop.timezone), now_us
        self.store = SqliteStore(folder)
        self._past = Past(self.store, folder)
        self._known = Known(shop, self.store.series(), any_point=job.any_point)
        self.refused = RefusedFile(job.file, folder, source.header)
        self.tally = Tally()
        self._stopped: Callable[[], bool] = lambda: False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.refused.close()
        self._past.close()
        self.store.close()

    def take_all(self, progress: Callable[[int, int], None], stopped: Callable[[], bool]) -> None:
        """Read, judge and keep the whole file.

        Raises:
            KeyboardInterrupt: The person ended it; what was counted is committed.
        """
        self._stopped = stopped
        parts = self._source.parts()
        with ThreadPoolExecutor(1, "envmon-import") as reader:
            coming = reader.submit(self._next, parts)
            while (part := coming.result()) is not None:
                # The texts of refused rows are those of the part last read: write them first.
                self._refuse(*part)
                coming = reader.submit(self._next, parts)
                self._keep(part[1])
                progress(self._source.done_bytes, self.tally.rows)
                if stopped():
                    raise KeyboardInterrupt

    def _next(self, parts: Iterator[Part]) -> tuple[Part, Judged] | None:
        part = next(parts, None)
        if part is None:
            return None
        return part, judged(part.given, self._known, self._zone, self._now_us)

    def _refuse(self, part: Part, found: Judged) -> None:
        if not len(found.refused):
            return
        lines = part.given.line[found.refused].tolist()
        self.tally.refuse(lines, [found.reasons[why] for why in found.why.tolist()])
        self.refused.write(part, found, self._source.unit)

    def _keep(self, found: Judged) -> None:
        """Keep the rows taken, in transactions that hold nobody up for long."""
        names = self._known.names
        rows = by_series(not_archived(self._past, names, found.rows))
        self.tally.there += len(found.rows.t_us) - len(rows.t_us)
        at = 0
        while at < len(rows.t_us):
            beside = (self._folder / READY_FILE).exists()
            some = rows.taken(slice(at, at + (ROWS_BESIDE if beside else ROWS_ALONE)))
            began = time.monotonic()
            new = add_rows(self.store, names, some)
            took = time.monotonic() - began
            at += len(some.t_us)
            self._count(some, new)
            if self._stopped():
                raise KeyboardInterrupt
            if beside:
                # SQLite's lock has no queue: without a rest the watch would never get it.
                time.sleep(REST * took)

    def _count(self, some: Rows, new: int) -> None:
        self.tally.new += new
        self.tally.there += len(some.t_us) - new
        if new:
            self.tally.from_us = min(self.tally.from_us, int(some.t_us.min()))
            self.tally.to_us = max(self.tally.to_us, int(some.t_us.max()))

    def note(self, *, whole: bool) -> None:
        """Leave word of what came in, for the chain of events."""
        if not self.tally.new:
            return
        data = {
            "file": self._file.name,
            "rows": self.tally.new,
            "from": iso_from_us(self.tally.from_us),
            "to": iso_from_us(self.tally.to_us),
            "sha256": self._source.sha256(),
            "whole": whole,
        }
        self.store.ask(HISTORY_IMPORTED, "", data, self._now_us)


def import_and_say(job: ImportJob, clock: Clock, say: Callable[[str], None]) -> int:
    """Import a file, show progress, say what came of it, and return the exit code.

    Raises:
        EnvmonError: It could not be begun.
    """
    size = job.file.stat().st_size if job.file.is_file() else 0
    with ProgressLine(job.file.name, size) as line, _asked_to_stop() as stopped:
        outcome = import_file(job, clock, line.update, stopped)
    for text in outcome_lines(outcome):
        say(text)
    return outcome.exit_code


@contextmanager
def _asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Turn the first Ctrl-C into a question that is answered between commits.

    A second one ends the process at once.
    """
    got: list[int] = []

    def note(number: int, _frame: object) -> None:
        got.append(number)
        signal.signal(signal.SIGINT, signal.default_int_handler)

    before = signal.getsignal(signal.SIGINT)
    if before is signal.default_int_handler:
        signal.signal(signal.SIGINT, note)
    try:
        yield lambda: bool(got)
    finally:
        signal.signal(signal.SIGINT, before)
