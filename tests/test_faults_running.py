"""Damage that comes while the watch runs, and what the screens say of it."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US, ScaledClock
from envmon.errors import StoreDamagedError
from envmon.service.keeping.keeper import Keeper
from envmon.service.supervisor import Child, Supervisor, module_argv
from envmon.service.watch_process import READY_FILE
from envmon.store.chain import first_break
from envmon.store.rescue import RENEWED
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.boards_support import Stand, page_of, wait_text
from tests.faults_support import (
    NOW_US,
    ROOT,
    WatchRun,
    beat_of,
    lived_in,
    overwrite_pages,
    page_count,
    send_panel,
)
from tests.guard_support import SHOP, shop_from
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]


def damage_old_readings(data: Path) -> None:
    """Overwrite some pages of the oldest live readings, as SQLite's dbstat tells where."""
    with closing(sqlite3.connect(data / LIVE_FILE)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        sql = "SELECT pageno - 1 FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf'"
        try:
            pages = [row[0] for row in db.execute(sql)]
        except sqlite3.OperationalError as error:
            pytest.skip(f"this SQLite cannot tell its pages: {error}")
    overwrite_pages(data / LIVE_FILE, pages[5:9])


class TestRunningWatch:
    pytestmark = NEEDS_MOSQUITTO

    def test_damage_met_while_running_ends_the_watch_which_renews_when_started_again(
        self, tmp_path: Path
    ) -> None:
        data = tmp_path / "data"
        lived_in(data)
        clock = ScaledClock(time.time_ns() // 1000, NOW_US, 1.0)
        keeper = Keeper(shop_from(SHOP), data)
        with (
            Mosquitto(tmp_path) as broker,
            Ear(broker.port, "envmon/#") as ear,
            WatchRun(tmp_path, broker.port, data, clock) as watch,
        ):
            wait_until(lambda: beat_of(ear).get("state") == "up", "the watch", 30)
            before = len(watch.values())
            send_panel(broker.port, range(10))
            wait_until(lambda: len(watch.values()) == before + 10, "ten to be stored", 30)
            damage_old_readings(data)
            with pytest.raises(StoreDamagedError):
                keeper.turn(NOW_US + 5 * DAY_US)
            assert watch.process is not None
            assert watch.process.wait(15) == 1
            watch.process = None
            assert "another process met damage" in watch.said()
            wait_until(lambda: beat_of(ear)["state"] == "down", "the last will", 15)
            send_panel(broker.port, range(10, 20))
            watch.start()
            wait_until(lambda: beat_of(ear)["state"] == "up", "the watch", 30)
            assert "the live file was renewed" in beat_of(ear)["text"]
            assert "the live file was renewed" in watch.said()
            wait_until(lambda: panels(data) == 20, "all to be stored", 30)
            assert watch.end(15) == 0
        assert keeper.turn(NOW_US).adopted == 3
        keeper.close()
        store = SqliteStore(data)
        assert first_break(store.events()) is None
        assert [e.kind for e in store.events()].count(RENEWED) == 1
        assert store.run("PRAGMA integrity_check").fetchone() == ("ok",)
        store.close()

    def test_supervisor_starts_it_again_by_itself(self, tmp_path: Path) -> None:
        """A run of the shop, in which the live file is found garbage at a restart."""
        data = tmp_path / "data"
        lived_in(data, 3600)
        with Mosquitto(tmp_path) as broker, Ear(broker.port, "envmon/#") as ear:
            shop = WatchRun(tmp_path, broker.port, data).shop_file
            said: list[str] = []
            argv = module_argv("envmon.service.watch_process", shop, "--data", data)
            child = Child("the watch", argv, ready_file=data / READY_FILE)
            supervisor = Supervisor([child], said.append)
            try:
                supervisor._start(child)
                (data / "live.suspect").touch()
                overwrite_pages(data / LIVE_FILE, list(range(page_count(data))))
                wait_until(
                    lambda: "was renewed" in (beat_of(ear).get("text") or ""),
                    "the renewed watch",
                    60,
                    supervisor._look,
                )
            finally:
                child.stop()
        assert said == ["the watch ended (exit 1); starting it again in 0.5 s"]


def panels(data: Path) -> int:
    with closing(sqlite3.connect(data / LIVE_FILE, timeout=10)) as db:
        sql = (
            "SELECT count(*) FROM reading JOIN series ON series_id = id "
            "WHERE point = 'panel' AND quantity = 'panel_temp_c'"
        )
        return int(db.execute(sql).fetchone()[0])


def test_now_says_that_the_file_is_damaged(tmp_path: Path) -> None:
    lived_in(tmp_path / "data", 3600)
    (tmp_path / "shop.toml").write_text(SHOP, encoding="utf-8")
    overwrite_pages(tmp_path / "data" / LIVE_FILE, [0])
    done = subprocess.run(
        [sys.executable, "-m", "envmon.cli", "now", str(tmp_path / "shop.toml"), "--json"],
        capture_output=True, text=True, timeout=60, check=False, cwd=ROOT,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert "it is damaged" in done.stderr
    assert "the watch renews it" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.browser
def test_wall_shows_what_is_wrong_though_the_watch_is_up(stand: Stand, browser: Browser) -> None:
    with page_of(browser, stand.url) as page:
        wait_text(page, '[data-f="trouble"]', "")
        stand.beat("up", "the live file was renewed: look at the disk")
        wait_text(page, '[data-f="trouble"]', "the live file was renewed: look at the disk")
        stand.beat("trouble", "the disk is full")
        wait_text(page, '[data-f="trouble"]', "watch: the disk is full")
        stand.mute(on=False)
        wait_text(page, '[data-f="trouble"]', "")
        health = page.request.get(f"{stand.url}/healthz")
        assert json.loads(health.text())["watch"]["text"] == ""
