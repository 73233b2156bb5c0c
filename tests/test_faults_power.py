"""Power cuts: a short run of the long trial, and that what counts is seen to the disk first.

SIGKILL leaves what the kernel has taken over, so the trial shows the order of things only; that
they reach the disk is left to fsync, whose calls are counted here.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.store.archive import Archive, Rules
from envmon.store.chain_copy import bring_up_copy, copy_path
from envmon.store.manifest import ARCHIVE
from envmon.store.rescue import open_or_renew
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.acceptance.power_cut import Trial, report, run
from tests.archive_support import keep, some_days
from tests.faults_support import NOW_US, SITE, lived_in
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from collections.abc import Iterator


class TestPowerCut:
    pytestmark = NEEDS_MOSQUITTO

    def test_everything_killed_at_once_again_and_again(self, tmp_path: Path) -> None:
        outcome = run(tmp_path, Trial(5, every=2))
        assert outcome.ok, report(outcome)
        assert outcome.archived > 100

    def test_with_the_broker_elsewhere_nothing_acknowledged_is_lost(self, tmp_path: Path) -> None:
        outcome = run(tmp_path, Trial(4, every=2, spare_broker=True, careful=False))
        assert outcome.ok, report(outcome)
        assert outcome.stored == outcome.published


def test_a_commit_waits_for_the_disk(tmp_path: Path) -> None:
    """2 is FULL: an fsync of the WAL at every commit (SQLite, PRAGMA synchronous)."""
    store = SqliteStore(tmp_path)
    assert store.run("PRAGMA synchronous").fetchone() == (2,)
    assert store.run("PRAGMA journal_mode").fetchone() == ("wal",)
    store.close()


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Return what is synced and renamed, in order; a folder by its name with a slash behind it."""
    done: list[str] = []
    real_sync, real_rename = os.fsync, Path.rename

    def fsync(handle: int) -> None:
        path = Path(f"/proc/self/fd/{handle}").readlink()
        done.append(f"sync {path.name}{'/' if path.is_dir() else ''}")
        real_sync(handle)

    def rename(self: Path, target: Path) -> Path:
        done.append(f"rename {self.name}")
        return real_rename(self, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "rename", rename)
    yield done
    done.clear()


def test_archive_is_on_the_disk_before_the_live_rows_go(tmp_path: Path, told: list[str]) -> None:
    keep(tmp_path, some_days(4))
    store = SqliteStore(tmp_path)
    archive = Archive(store, tmp_path, SITE, told.append)
    archive.archive_closed(NOW_US, Rules(live_days=4))
    archive.close()
    store.close()
    part = "2026-01-01.g1.parquet.part"
    assert told[: told.index("before commit")] == [
        f"sync {part}",
        f"rename {part}",
        "sync month=2026-01/",
        f"sync site={SITE}/",
        f"sync {ARCHIVE}/",
        f"sync {tmp_path.name}/",
        "day written",
    ]


def test_copy_of_the_chain_is_synced(tmp_path: Path, told: list[str]) -> None:
    lived_in(tmp_path, 3600)
    told.clear()
    copy = copy_path(tmp_path, SITE)
    copy.unlink()
    store = SqliteStore(tmp_path)
    assert bring_up_copy(store, copy) > 0
    store.close()
    assert "sync events.jsonl" in told


def test_renewed_file_is_on_the_disk_before_it_takes_the_place(
    tmp_path: Path, told: list[str]
) -> None:
    lived_in(tmp_path, 3600)
    (tmp_path / LIVE_FILE).write_bytes(b"no database" * 500)
    told.clear()
    store, _ = open_or_renew(tmp_path, SITE, NOW_US)
    store.close()
    made = told.index("rename renewing")
    assert f"sync {LIVE_FILE}" in told[:made]
    assert "sync renewing/" in told[:made]
    assert f"sync {tmp_path.name}/" in told[made:]
