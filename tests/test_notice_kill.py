"""The notice process killed again and again: no message lost, none doubled without saying so.

Source of kill -9: POSIX, SIGKILL cannot be caught.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from typing import TYPE_CHECKING

import pytest

from envmon.clock import ScaledClock
from envmon.facts import NewEvent
from envmon.service.notice.outbox import Outbox
from envmon.service.notice.send import SECOND_COPY
from envmon.store.sqlite import SqliteStore
from tests.mosquitto_support import wait_until
from tests.notice_fixtures import ALONE
from tests.notice_support import AT_US, people_text, raised_event

if TYPE_CHECKING:
    from pathlib import Path

    from tests.notice_servers import HttpReceiver

SPEED = 100.0
ROUNDS = 14
pytest_plugins = ["tests.notice_fixtures"]


@pytest.mark.parametrize("when", ["at any time", "while sending"])
def test_killed_again_and_again_nothing_is_lost_and_no_second_copy_is_silent(
    tmp_path: Path, phone: HttpReceiver, when: str
) -> None:
    shop = tmp_path / "shop.toml"
    shop.write_text(people_text(ALONE), encoding="utf-8")
    clock = ScaledClock(time.time_ns() // 1_000, AT_US, SPEED)
    store = SqliteStore(tmp_path)
    chance = random.Random(4)
    running: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        argv = ["-m", "envmon.service.notice.process", str(shop), "--data", str(tmp_path)]
        process = subprocess.Popen(
            [sys.executable, *argv, "--clock", clock.as_text()], stderr=subprocess.DEVNULL
        )
        running[:] = [process]
        return process

    def kill_now() -> None:
        running[0].send_signal(signal.SIGKILL)

    # An empty chain is taken in first; what stands before that is told as standing.
    store.add_events([NewEvent(clock.now_us(), "limits_taken", "", {})])
    first = start()
    wait_until((tmp_path / "notice.word").exists, "the first start")
    for place in range(ROUNDS):
        alarm = f"north-x{place}"
        store.add_events([raised_event(clock.now_us(), alarm, priority="medium")])
        if when == "while sending":
            phone.came = kill_now
        else:
            threading.Event().wait(chance.uniform(0.0, 1.6))
            kill_now()
        running[0].wait(30)
        start()
    phone.came = lambda: None
    outbox = Outbox(tmp_path, look_only=True)

    def is_through() -> bool:
        told = [seq for d in outbox.all() for _, seq in d.message.alarms]
        return len(told) == ROUNDS and not outbox.waiting_channels()

    wait_until(is_through, "the rest", 60)
    running[0].terminate()
    assert running[0].wait(15) == 0
    assert first.returncode == -signal.SIGKILL
    deliveries = outbox.all()
    outbox.close()
    store.close()
    told = Counter(seq for d in deliveries for _, seq in d.message.alarms)
    assert set(told.values()) == {1}, "each event is decided exactly once"
    copies = Counter(line.removesuffix(SECOND_COPY) for line in phone.lines)
    silent = Counter(line for line in phone.lines if not line.endswith(SECOND_COPY))
    lines = {d.message.line for d in deliveries}
    assert {key for key in copies if key in lines} == lines, "every message came"
    assert max(silent.values(), default=0) <= 1, "a second copy says that it is one"
    if when == "while sending":
        assert sum(copies.values()) > len(lines)
