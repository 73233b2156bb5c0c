"""The outbox over restarts, a full disk, damage, and a chain that is another than before.

Source of the full disk: SQLite's own SQLITE_FULL, brought about by PRAGMA max_page_count.
"""

from __future__ import annotations

import shutil
import sqlite3
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US
from envmon.errors import StoreDamagedError
from envmon.facts import NewEvent
from envmon.notice.state import NoticeState
from envmon.service.notice_outbox import KEPT_US, NOTICE_FILE, Kept, Outbox
from envmon.service.trouble_senses import notice_word
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.mosquitto_support import wait_until
from tests.notice_fixtures import ALONE
from tests.notice_support import Stand, book_of, people_text

if TYPE_CHECKING:
    from pathlib import Path

    from tests.notice_servers import HttpReceiver

pytest_plugins = ["tests.notice_fixtures"]


def restart(stand: Stand) -> None:
    stand.notice.close()
    stand.start()


def test_restart_between_any_two_steps_changes_nothing(stand: Stand, phone: HttpReceiver) -> None:
    for place in range(4):
        stand.raise_alarm(f"north-x{place}", priority="medium")
        restart(stand)
        stand.wait(15, 15)
        restart(stand)
        stand.wait(15, 15)
    for place in range(4):
        data = {"alarm": f"north-x{place}", "what": f"x{place}"}
        stand.add(NewEvent(stand.clock.now_us(), "alarm_cleared", "north", data))
    restart(stand)
    stand.wait(60)
    assert len(phone.lines) == 5
    assert phone.lines[-1].endswith("(+3 more)")
    assert phone.lines[-1].startswith("Over: ")


def test_first_start_on_an_old_chain_tells_what_stands_only(
    stand: Stand, phone: HttpReceiver
) -> None:
    stand.notice.close()
    for file in stand.folder.glob("notice.sqlite3*"):
        file.unlink()
    for place in range(12):
        stand.raise_alarm(f"north-x{place}")
        stand.clock.advance(3_600)
        data = {"alarm": f"north-x{place}", "what": "x"}
        if place != 7:
            stand.add(NewEvent(stand.clock.now_us(), "alarm_cleared", "north", data))
    stand.start()
    stand.wait(60)
    assert len(phone.lines) == 1
    assert phone.lines[0].startswith("HIGH North bay: north-x7 is wrong")
    assert "since 27 Jan 21:00" in phone.lines[0]


def test_restored_chain_is_taken_up_and_said(
    stand: Stand, phone: HttpReceiver, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    stand.raise_alarm("north-window", priority="medium")
    stand.wait(60)
    stand.store.run("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(tmp_path / LIVE_FILE, tmp_path / "older")
    stand.raise_alarm("south-window", priority="medium")
    stand.wait(60)
    stand.store.close()
    (tmp_path / "older").replace(tmp_path / LIVE_FILE)
    for tail in ("-wal", "-shm"):
        (tmp_path / f"{LIVE_FILE}{tail}").unlink(missing_ok=True)
    stand.store = SqliteStore(tmp_path)
    stand.raise_alarm("north-frost", priority="high")
    stand.wait(60)
    assert "is another than before" in caplog.text
    told = [line.partition(",")[0] for line in phone.lines]
    assert told == [
        "North bay: north-window is wrong at 20 °C",
        "South bay: south-window is wrong at 20 °C",
        "HIGH North bay: north-frost is wrong at 20 °C",
    ]
    assert phone.lines[2].endswith("(+1 more)"), "and that the lost one is over"


def test_full_disk_does_not_keep_people_from_being_told(
    stand: Stand, phone: HttpReceiver, caplog: pytest.LogCaptureFixture
) -> None:
    stand.settle()
    outbox = stand.notice.outbox
    pages = outbox._db.execute("PRAGMA page_count").fetchone()[0]
    outbox._db.execute(f"PRAGMA max_page_count = {pages}")
    for place in range(9):
        stand.raise_alarm(f"north-x{place}", priority="medium", text="panel cold " * 400)
    stand.notice.turn()
    stand.wait(60)
    assert outbox.in_memory
    assert "going on in memory" in caplog.text
    assert len(phone.lines) == 1
    assert outbox.try_the_disk()
    assert not outbox.in_memory
    restart(stand)
    stand.wait(60)
    assert len(phone.lines) == 1
    assert len(stand.notice.state.standing) == 9


def test_damaged_outbox_is_set_aside_and_what_stands_told_anew(
    stand: Stand, phone: HttpReceiver, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    stand.raise_alarm("north-window", priority="medium")
    stand.wait(60)
    stand.notice.close()
    file = tmp_path / NOTICE_FILE
    file.write_bytes(file.read_bytes()[:4_096] + b"\x55" * 8_192)
    stand.start()
    stand.wait(60)
    assert f"{NOTICE_FILE} was damaged" in caplog.text
    assert len(list(tmp_path.glob(f"{NOTICE_FILE}.damaged-*"))) == 1
    assert len(phone.lines) == 2


def test_damage_met_while_running_ends_the_process_for_a_fresh_start(
    stand: Stand, tmp_path: Path
) -> None:
    stand.settle()
    stand.notice.outbox._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    stand.notice.outbox._db.execute("PRAGMA cache_size = 0")
    with (tmp_path / NOTICE_FILE).open("r+b") as handle:
        handle.seek(4_096)
        handle.write(b"\x55" * 40_960)
    stand.raise_alarm()
    stand.clock.advance(60)
    with pytest.raises(StoreDamagedError, match="sets it aside"):
        stand.notice.look()


def test_word_is_what_the_watch_reads(stand: Stand, phone: HttpReceiver, tmp_path: Path) -> None:
    phone.stop()
    stand.raise_alarm()
    stand.wait(400)
    assert notice_word(tmp_path).startswith("1 message does not go out over phone")
    restart(stand)
    phone.start()
    stand.wait(120)
    assert notice_word(tmp_path) == ""


def test_what_is_done_is_forgotten_after_a_month(stand: Stand) -> None:
    stand.raise_alarm(priority="medium")
    stand.wait(60)
    assert len(stand.notice.outbox.all()) == 1
    stand.clock.at_us += KEPT_US + DAY_US
    stand.raise_alarm("south-window", priority="medium")
    stand.wait(60)
    (left,) = stand.notice.outbox.all()
    assert "south-window" in left.message.line


def test_commit_is_all_or_nothing(tmp_path: Path) -> None:
    outbox, book = Outbox(tmp_path), book_of(ALONE)
    outbox.commit(Kept(3, "x", NoticeState(5)), [], book)
    outbox._db.execute(
        "CREATE TRIGGER no BEFORE INSERT ON delivery BEGIN SELECT RAISE(ABORT, 'no'); END"
    )
    from envmon.notice.state import Message

    message = Message(1, "ola", 5, "high", True, "line", "body")  # noqa: FBT003 - a message's own
    with pytest.raises(Exception, match="cannot write"):
        outbox.commit(Kept(4, "y", NoticeState(6)), [message], book)
    kept = outbox.kept()
    assert kept is not None
    assert kept[:2] == (3, "x")
    outbox.close()


def test_outbox_is_written_with_every_commit_on_the_disk(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path)
    assert outbox._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert outbox._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL
    outbox.close()
    with pytest.raises(sqlite3.ProgrammingError):
        outbox._db.execute("SELECT 1")


def test_channel_without_an_address_is_said_and_no_other_waits(
    tmp_path: Path, phone: HttpReceiver
) -> None:
    stand = Stand(tmp_path, people_text(ALONE.replace('"phone"', '"lost", "phone"')))
    stand.raise_alarm()
    stand.wait(60)
    wait_until(lambda: phone.got, "the phone")
    (failing,) = stand.notice.outbox.failing()
    assert failing.error == "channel lost has no address; set ENVMON_CHANNEL_LOST"
    stand.close()
