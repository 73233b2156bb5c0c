"""A data folder as a shop leaves it, small disks, and ways to damage a file."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.clock import DAY_US
from envmon.facts import NewEvent, Reading
from envmon.service.broker import LOOPBACK
from envmon.service.heartbeat import HEARTBEAT_TOPIC
from envmon.service.keeping.keeper import Keeper
from envmon.store.past import EVER, Past
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.archive_support import DAY0, keep, some_days
from tests.guard_support import SHOP, shop_from
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from types import TracebackType
    from typing import Self

    from envmon.clock import ScaledClock
    from tests.mosquitto_support import Ear

ROOT = Path(__file__).resolve().parent.parent
DAYS = 5
NOW_US = (DAY0 + DAYS) * DAY_US
SITE = "harbour_row"
PAGE = 4096


def lived_in(folder: Path, every_s: int = 60) -> None:
    """Leave what a shop leaves: five days, three of them archived, a stage, a long chain."""
    hand = HandWatch(folder, at_us=NOW_US)
    hand.store.add_events(
        [NewEvent(NOW_US - n, "note", "one", {"n": n, "text": "x" * 300}) for n in range(200)]
    )
    hand.store.ask("stage_started", "one", {"stage": "polish"}, NOW_US)
    hand.link.put("hall/air-a", senml("temp", 20.0))
    hand.watch.turn(0)
    hand.watch.finish()
    keep(folder, some_days(DAYS, every_s))
    keeper = Keeper(shop_from(SHOP), folder)
    keeper.turn(NOW_US)
    keeper.close()


def live_rows(folder: Path) -> set[Reading]:
    """Return the readings of the live file."""
    store = SqliteStore(folder)
    rows = set(store.readings(*EVER))
    store.close()
    return rows


def all_rows(folder: Path) -> dict[int, list[Reading]]:
    """Return everything kept, live and archived, by UTC day."""
    store = SqliteStore(folder)
    past = Past(store, folder)
    days: dict[int, list[Reading]] = {}
    for columns in past.columns(*EVER):
        days.setdefault(int(columns.t_us[0]) // DAY_US, []).extend(columns.readings())
    past.close()
    store.close()
    return days


def overwrite_pages(live: Path, pages: list[int], byte: int = 0x5A) -> None:
    """Overwrite whole pages, counted from 0, with one byte."""
    with live.open("r+b") as handle:
        for page in pages:
            handle.seek(page * PAGE)
            handle.write(bytes([byte]) * PAGE)


def page_count(folder: Path) -> int:
    return (folder / LIVE_FILE).stat().st_size // PAGE


def _mount(*argv: str) -> None:
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    done = subprocess.run(["mount", *argv], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"mounting is not permitted here: {done.stderr.strip()}")


@contextlib.contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """Give a disk of its own of so many bytes (as tmpfs takes them, such as 2m)."""
    folder.mkdir()
    _mount("-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder))
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def remount(folder: Path, option: str) -> None:
    """Mount a small disk anew with another option, such as ro, rw or size=4m."""
    subprocess.run(["mount", "-o", f"remount,{option}", str(folder)], check=True)


def fill_up(folder: Path) -> Path:
    """Write a file until the disk is full, and return it."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as handle, contextlib.suppress(OSError):
        for size in (65_536, PAGE, 1):
            with contextlib.suppress(OSError):
                while True:
                    handle.write(b"\0" * size)
    return filler


@contextlib.contextmanager
def loop_disk(folder: Path) -> Iterator[Path]:
    """Give a disk of 32 MB with a real file system of its own (ext4 in a file)."""
    image = folder.with_suffix(".img")
    with image.open("wb") as handle:
        handle.truncate(32 << 20)
    maker = shutil.which("mkfs.ext4", path="/usr/sbin:/sbin:/usr/bin")
    if maker is None:
        pytest.skip("mkfs.ext4 is not installed")
    subprocess.run([maker, "-q", str(image)], check=True)
    folder.mkdir()
    _mount("-o", "loop", str(image), str(folder))
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=False)


def check_and_mount(folder: Path) -> None:
    """Do what a person does whose disk went read-only: unmount it, check it, mount it."""
    image = folder.with_suffix(".img")
    subprocess.run(["umount", str(folder)], check=True)
    checker = shutil.which("e2fsck", path="/usr/sbin:/sbin:/usr/bin")
    done = subprocess.run([str(checker), "-y", str(image)], capture_output=True, check=False)
    assert done.returncode in {0, 1}, done.stdout
    _mount("-o", "loop", str(image), str(folder))


class WatchRun:
    """A watch in a process of its own; what it says goes to a file."""

    def __init__(
        self, folder: Path, port: int, data: Path, clock: ScaledClock | None = None
    ) -> None:
        self.folder, self.data = folder, data
        self._clock = ["--clock", clock.as_text()] if clock else []
        self.log = folder / "watch.log"
        self.shop_file = folder / "shop.toml"
        where = f'[broker]\nkind = "external"\nport = {port}\n'
        self.shop_file.write_text(SHOP + where, encoding="utf-8")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        argv = [sys.executable, "-m", "envmon.service.watch_process", str(self.shop_file)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*argv, "--data", str(self.data), *self._clock], stderr=log, cwd=ROOT
            )

    def end(self, number: int = signal.SIGKILL) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        code, self.process = self.process.wait(30), None
        return code

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8")

    def values(self) -> list[float]:
        """Return the stored values of all readings, sorted."""
        if not (self.data / LIVE_FILE).exists():
            return []
        with contextlib.closing(sqlite3.connect(self.data / LIVE_FILE, timeout=10)) as db:
            try:
                return [row[0] for row in db.execute("SELECT value FROM reading ORDER BY value")]
            except sqlite3.OperationalError:
                return []

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()


def beat_of(ear: Ear) -> dict[str, Any]:
    """Return the watch's last word."""
    text = ear.newest(HEARTBEAT_TOPIC)
    return json.loads(text) if text else {}


def send_panel(port: int, numbers: Iterable[int]) -> None:
    """Send numbered readings with times of their own; return when the broker has them."""
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect(LOOPBACK, port)
    client.loop_start()
    base_s = time.time() - 10_000
    for number in numbers:
        payload = json.dumps([{"n": "temp", "v": number, "t": int(base_s) + number}])
        client.publish("hall/panel", payload, qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
