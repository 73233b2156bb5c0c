"""The keeper: moves closed days to the archive, looks after its files, says what is wrong."""

from __future__ import annotations

import fcntl
import logging
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import DAY_US
from envmon.errors import ServiceError, StoreDamagedError, StoreError
from envmon.store.archive import Archive, Rules
from envmon.store.chain_copy import bring_up_copy, copy_path
from envmon.store.orphans import check_files, take_in_orphans
from envmon.store.rescue import SUSPECT_FILE
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.shop.models import Shop

log = logging.getLogger("envmon.keeper")

LOCK_FILE = "archive.lock"
KEEPER_WORD = "keeper"
"""Name of the snapshot that holds the keeper's last word."""
LOW_SPACE_BYTES = 500_000_000
"""With less room than this on the disk the person is told."""


CLOCK_RUN = "keeper_clock"
"""Name of the snapshot that says since when the clock has gone on without a jump."""
JUMP_US = 2 * DAY_US
"""Between two turns the clock may go on so far; a shop may be switched off over a week-end."""
TRUSTED_AFTER_US = 7 * DAY_US
"""A clock that has gone on so long without a jump is believed before anything is deleted."""


class ClockRun(msgspec.Struct, frozen=True):
    """A time over which the clock went on without a jump [µs]."""

    from_us: int
    to_us: int


class KeeperWord(msgspec.Struct, frozen=True):
    """What the keeper last said: nothing, or what is wrong."""

    text: str = ""


class Turned(NamedTuple):
    """What one turn did."""

    moved: int = 0
    months: int = 0
    dropped: int = 0
    adopted: int = 0
    damaged: tuple[str, ...] = ()


@contextmanager
def archive_lock(folder: Path) -> Iterator[None]:
    """Hold the archive of a data folder for this process.

    Raises:
        ServiceError: Another process holds it, or the folder cannot be written.
    """
    try:
        handle = (folder / LOCK_FILE).open("w")
    except OSError as error:
        raise ServiceError(f"cannot write in {folder}: {error}; check the folder") from error
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise ServiceError(f"another process works on the archive in {folder}") from error
        yield


class Keeper:
    """Keeps one data folder; lives in one thread.

    Args:
        shop: The shop file, checked.
        folder: Data folder.
    """

    def __init__(self, shop: Shop, folder: Path) -> None:
        self._folder = folder
        self._rules = Rules(shop.store.live_days, shop.store.retain_days)
        self._site = shop.shop.site
        self._open()
        self._lost: set[str] = set()

    def _open(self) -> None:
        self._store = SqliteStore(self._folder)
        self._inode = self._store.path.stat().st_ino
        self._archive = Archive(self._store, self._folder, self._site)
        self._looked_day: int | None = None

    def turn(self, now_us: int) -> Turned:
        """Do what is due.

        Args:
            now_us: Time now [µs].

        Raises:
            StoreError: The disk fails; what was not moved is still live.
            ServiceError: Another process works on the archive.
        """
        with archive_lock(self._folder):
            try:
                self._ensure_present_file()
                return self._turn(now_us)
            except StoreDamagedError:
                (self._folder / SUSPECT_FILE).touch()  # the watch looks at it and renews it
                raise

    def _ensure_present_file(self) -> None:
        """Go over to the live file that stands there now: the watch may have renewed it.

        Raises:
            StoreError: There is none; making one is for the watch.
        """
        try:
            stands = self._store.path.stat().st_ino
        except OSError as error:
            raise StoreError(
                f"{self._store.path} is gone: {error}; start the watch again"
            ) from error
        if stands != self._inode:
            self.close()
            self._open()

    def _turn(self, now_us: int) -> Turned:
        day = now_us // 86_400_000_000
        bad = check_files(self._archive, self._store, whole=day != self._looked_day)
        self._looked_day = day
        self._lost.update(file.path.name for file in bad)
        adopted = take_in_orphans(self._archive, self._store)
        moved = self._archive.archive_closed(now_us, self._rules)
        months = self._archive.merge_months(now_us, self._rules)
        trusted = self._is_clock_trusted(now_us)
        dropped = self._archive.drop_old(now_us, self._rules) if trusted else 0
        bring_up_copy(self._store, copy_path(self._folder, self._site))
        if moved:
            log.info("moved %d readings to the archive", moved)
        return Turned(moved, months, dropped, adopted, tuple(file.path.name for file in bad))

    def _is_clock_trusted(self, now_us: int) -> bool:
        """Return whether the clock has gone on long enough without a jump to delete by it.

        A clock set years ahead, even by readings that agree with it, would empty the archive.
        """
        if self._rules.retain_days is None:
            return False
        try:
            run = msgspec.json.decode(self._store.snapshot(CLOCK_RUN) or b"", type=ClockRun)
        except msgspec.MsgspecError:
            run = ClockRun(now_us, now_us)
        goes_on = run.to_us <= now_us <= run.to_us + JUMP_US
        run = ClockRun(run.from_us if goes_on else now_us, now_us)
        self._store.save_snapshot(CLOCK_RUN, now_us, msgspec.json.encode(run))
        return now_us - run.from_us >= TRUSTED_AFTER_US

    def say(self, now_us: int, failure: str = "") -> None:
        """Leave word for the watch, which tells the screens.

        Args:
            now_us: Time now [µs].
            failure: Why the last turn could not be done; empty when it was.

        Raises:
            StoreError: The disk fails.
        """
        free = shutil.disk_usage(self._folder).free
        texts = [failure] if failure else []
        if free < LOW_SPACE_BYTES:
            texts.append(f"the disk has only {free // 1_000_000} MB left; make room")
        if self._lost:
            names = ", ".join(sorted(self._lost))
            texts.append(f"damaged in the archive, set aside: {names}; restore from a backup")
        word = msgspec.json.encode(KeeperWord("; ".join(texts)))
        if word != self._store.snapshot(KEEPER_WORD):
            self._store.save_snapshot(KEEPER_WORD, now_us, word)

    def close(self) -> None:
        """Release the folder."""
        self._archive.close()
        self._store.close()


def archive_turn(shop: Shop, folder: Path, now_us: int) -> Turned:
    """Do one turn of the keeper, where none is running.

    Raises:
        StoreError: The disk fails; what was not moved is still live.
        ServiceError: Another process works on the archive.
    """
    keeper = Keeper(shop, folder)
    try:
        return keeper.turn(now_us)
    finally:
        keeper.close()
