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
from envmon.service.notice.outbox import KEPT_US, NOTICE_FILE, Kept, Outbox
from envmon.service.trouble_senses import notice_word
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.mosquitto_support import wait_until
from tests.notice_fixtures import ALONE
from tests.notice_support import Stand, book_of, people_text

if TYPE_CHECKING:
    from pathlib import Path

    from tests.notice_servers import HttpReceiver

pytest_plugins = ["tests.notice_fixtures"]


def restart(scene: Stand) -> None:
    scene.notice.close()
    scene.start()


def test_restart_between_any_two_steps_changes_nothing(scene: Stand, phone: HttpReceiver) -> None:
    for place in range(4):
        scene.raise_alarm(f"north-x{place}", priority="medium")
        restart(scene)
        scene.wait(15, 15)
        restart(scene)
        scene.wait(15, 15)
    for place in range(4):
        data = {"alarm": f"north-x{place}", "what": f"x{place}"}
        scene.add(NewEvent(scene.clock.now_us(), "alarm_cleared", "north", data))
    restart(scene)
    scene.wait(60)
    assert len(phone.lines) == 5
    assert phone.lines[-1].endswith("(+3 more)")
    assert phone.lines[-1].startswith("Over: ")


def test_first_start_on_an_old_chain_tells_what_stands_only(
    scene: Stand, phone: HttpReceiver
) -> None:
    scene.notice.close()
    for file in scene.folder.glob("notice.sqlite3*"):
        file.unlink()
    for place in range(12):
        scene.raise_alarm(f"north-x{place}")
        scene.clock.advance(3_600)
        data = {"alarm": f"north-x{place}", "what": "x"}
        if place != 7:
            scene.add(NewEvent(scene.clock.now_us(), "alarm_cleared", "north", data))
    scene.start()
    scene.wait(60)
    assert len(phone.lines) == 1
    assert phone.lines[0].startswith("HIGH North bay: north-x7 is wrong")
    assert "since 27 Jan 21:00" in phone.lines[0]


def test_restored_chain_is_taken_up_and_said(
    scene: Stand, phone: HttpReceiver, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    scene.raise_alarm("north-window", priority="medium")
    scene.wait(60)
    scene.store.run("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(tmp_path / LIVE_FILE, tmp_path / "older")
    scene.raise_alarm("south-window", priority="medium")
    scene.wait(60)
    scene.store.close()
    (tmp_path / "older").replace(tmp_path / LIVE_FILE)
    for tail in ("-wal", "-shm"):
        (tmp_path / f"{LIVE_FILE}{tail}").unlink(missing_ok=True)
    scene.store = SqliteStore(tmp_path)
    scene.raise_alarm("north-frost", priority="high")
    scene.wait(60)
    assert "is another than before" in caplog.text
    told = [line.partition(",")[0] for line in phone.lines]
    assert told == [
        "North bay: north-window is wrong at 20 °C",
        "South bay: south-window is wrong at 20 °C",
        "HIGH North bay: north-frost is wrong at 20 °C",
    ]
    assert phone.lines[2].endswith("(+1 more)"), "and that the lost one is over"


def test_full_disk_does_not_keep_people_from_being_told(
    scene: Stand, phone: HttpReceiver, caplog: pytest.LogCaptureFixture
) -> None:
    scene.settle()
    outbox = scene.notice.outbox
    pages = outbox._db.execute("PRAGMA page_count").fetchone()[0]
    outbox._db.execute(f"PRAGMA max_page_count = {pages}")
    for place in range(9):
        scene.raise_alarm(f"north-x{place}", priority="medium", text="panel cold " * 400)
    scene.notice.turn()
    scene.wait(60)
    assert outbox.in_memory
    assert "going on in memory" in caplog.text
    assert len(phone.lines) == 1
    assert outbox.try_the_disk()
    assert not outbox.in_memory
    restart(scene)
    scene.wait(60)
    assert len(phone.lines) == 1
    assert len(scene.notice.state.standing) == 9


def test_damaged_outbox_is_set_aside_and_what_stands_told_anew(
    scene: Stand, phone: HttpReceiver, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    scene.raise_alarm("north-window", priority="medium")
    scene.wait(60)
    scene.notice.close()
    file = tmp_path / NOTICE_FILE
    file.write_bytes(file.read_bytes()[:4_096] + b"\x55" * 8_192)
    scene.start()
    scene.wait(60)
    assert f"{NOTICE_FILE} was damaged" in caplog.text
    assert len(list(tmp_path.glob(f"{NOTICE_FILE}.damaged-*"))) == 1
    assert len(phone.lines) == 2


def test_damage_met_while_running_ends_the_process_for_a_fresh_start(
    scene: Stand, tmp_path: Path
) -> None:
    scene.settle()
    scene.notice.outbox._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    scene.notice.outbox._db.execute("PRAGMA cache_size = 0")
    with (tmp_path / NOTICE_FILE).open("r+b") as handle:
        handle.seek(4_096)
        handle.write(b"\x55" * 40_960)
    scene.raise_alarm()
    scene.clock.advance(60)
    with pytest.raises(StoreDamagedError, match="sets it aside"):
        scene.notice.look()


def test_word_is_what_the_watch_reads(scene: Stand, phone: HttpReceiver, tmp_path: Path) -> None:
    phone.stop()
    scene.raise_alarm()
    scene.wait(400)
    assert notice_word(tmp_path).startswith("1 message does not go out over phone")
    restart(scene)
    phone.start()
    scene.wait(120)
    assert notice_word(tmp_path) == ""


def test_what_is_done_is_forgotten_after_a_month(scene: Stand) -> None:
    scene.raise_alarm(priority="medium")
    scene.wait(60)
    assert len(scene.notice.outbox.all()) == 1
    scene.clock.at_us += KEPT_US + DAY_US
    scene.raise_alarm("south-window", priority="medium")
    scene.wait(60)
    (left,) = scene.notice.outbox.all()
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
    scene = Stand(tmp_path, people_text(ALONE.replace('"phone"', '"lost", "phone"')))
    scene.raise_alarm()
    scene.wait(60)
    wait_until(lambda: phone.got, "the phone")
    (failing,) = scene.notice.outbox.failing()
    assert failing.error == "channel lost has no address; set ENVMON_CHANNEL_LOST"
    scene.close()
