"""The vehicle's reference is kept apart: in older files too, over damage and in backups; or gone.

Sources: SQLite's own documentation of secure_delete and of its file format (pages), FIPS 180-4.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.guard.state import GuardState
from envmon.service.keeping.backup import make_backup
from envmon.store.base import Reference
from envmon.store.migrations import MIGRATIONS
from envmon.store.rescue import open_or_renew
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.faults_support import NOW_US, SITE, lived_in, overwrite_pages, page_count
from tests.job_support import JobHand
from tests.transfer_support import Bench

if TYPE_CHECKING:
    from pathlib import Path

TEXT = "AB 123 CD, grey estate of Ada"
ADA = Reference("260127-1", TEXT, "5a" * 16)


def test_a_file_of_before_jobs_is_brought_to_the_present_form(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / LIVE_FILE, isolation_level=None)) as old:
        old.execute("CREATE TABLE migration (name TEXT PRIMARY KEY, applied_us INTEGER NOT NULL)")
        for name, statements in MIGRATIONS[:2]:
            for statement in statements:
                old.execute(statement)
            old.execute("INSERT INTO migration VALUES (?, 0)", (name,))
    with closing(SqliteStore(tmp_path)) as store:
        assert store.reference(ADA.job) is None
        store.keep_reference(ADA)
        assert store.reference(ADA.job) == ADA
        store.forget_reference(ADA.job)
        assert store.reference(ADA.job) is None
        assert store.rows("PRAGMA integrity_check").__next__()[0] == "ok"


@pytest.mark.parametrize("pages", ["first", "middle"])
def test_a_reference_comes_over_when_the_live_file_is_renewed(tmp_path: Path, pages: str) -> None:
    lived_in(tmp_path)
    with closing(SqliteStore(tmp_path)) as store:
        store.keep_reference(ADA)
    live = tmp_path / LIVE_FILE
    middle = page_count(tmp_path) // 2
    overwrite_pages(live, [0] if pages == "first" else list(range(middle, middle + 8)))
    store, renewal = open_or_renew(tmp_path, SITE, NOW_US + 60_000_000)
    assert renewal is not None
    assert store.reference(ADA.job) == ADA
    store.close()


def test_an_older_file_without_its_first_page_brings_nothing_made_up(tmp_path: Path) -> None:
    """Its table lies elsewhere than in a fresh file, so another page is read in its place."""
    lived_in(tmp_path)
    with closing(sqlite3.connect(tmp_path / LIVE_FILE, isolation_level=None)) as old:
        old.execute("DROP TABLE job_reference")
        old.execute("DELETE FROM migration WHERE name = '0003_job_reference'")
    with closing(SqliteStore(tmp_path)) as store:
        store.keep_reference(ADA)
    overwrite_pages(tmp_path / LIVE_FILE, [0])
    store, _ = open_or_renew(tmp_path, SITE, NOW_US + 60_000_000)
    kept = list(store.rows("SELECT * FROM job_reference"))
    assert kept in ([], [tuple(ADA)])
    store.close()


def test_a_backup_has_the_reference_and_after_erasing_no_trace_of_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    with closing(SqliteStore(bench.data)) as store:
        store.keep_reference(ADA)
        for number in range(200):  # so that the table has pages to move about
            store.keep_reference(Reference(f"260127-{number + 2}", f"{number} " * 40, "0" * 32))
    make_backup(bench.shop, tmp_path / "before", str(bench.data), lambda _: None)
    with closing(SqliteStore(tmp_path / "before")) as copy:
        assert copy.reference(ADA.job) == ADA
    with closing(SqliteStore(bench.data)) as store:
        for number in range(1, 202):
            store.forget_reference(f"260127-{number}")
        assert store.scrub()
    make_backup(bench.shop, tmp_path / "after", str(bench.data), lambda _: None)
    assert TEXT.encode() in (tmp_path / "before" / LIVE_FILE).read_bytes()
    for folder in (bench.data, tmp_path / "after"):
        assert not any(TEXT.encode() in file.read_bytes() for file in folder.glob("live.sqlite3*"))


def test_a_reader_does_not_hold_erasing_up_and_it_is_finished_later(tmp_path: Path) -> None:
    hand = JobHand(tmp_path)
    hand.ask("open", procedure="coat", body="trike", reference=TEXT)
    with closing(SqliteStore(tmp_path)) as reader:
        reader.run("BEGIN")
        assert reader.reference("260127-1") is not None  # it reads what is there now
        (erased,) = hand.ask("erase", job="260127-1")
        assert erased.kind == "reference_erased"
        assert hand.watch.desk._to_scrub
        reader.run("ROLLBACK")
    hand.ask("note", text="anything that is written")
    assert not hand.watch.desk._to_scrub
    files = list(tmp_path.glob("live.sqlite3*"))
    assert not any(TEXT.encode() in file.read_bytes() for file in files)
    hand.store.close()


def test_a_state_of_the_guard_of_before_jobs_can_be_read(tmp_path: Path) -> None:
    hand = JobHand(tmp_path)
    hand.go(60)
    state = hand.watch.state
    old: dict[str, Any] = json.loads(msgspec.json.encode(state))
    for bay in old["bays"].values():
        for name in ("procedure", "cures", "cure_told"):
            del bay[name]
    assert msgspec.json.decode(json.dumps(old).encode(), type=GuardState) == state
    hand.store.close()
