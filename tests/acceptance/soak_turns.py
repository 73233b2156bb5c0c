"""Many turns of what goes by real time: the outlook, the messages to people, the boards.

``python tests/acceptance/soak_turns.py [outlook notice boards] [--minutes 10]`` lets each of them
turn as fast as it can, on loopback and with real files, and prints its memory in ten parts of the
time. The soak cannot say this: there these processes make as many turns as real seconds permit.

- outlook: a turn each ten minutes of the shop's clock, 56 days of history behind it, learning anew
  every night; it goes on until the time is over or a month is.
- notice: a look each half second of the shop's clock, as live; an alarm comes, is acknowledged and
  goes every quarter of an hour, so that messages go out over HTTP.
- boards: the real process; a broker hands it states, alarms and heartbeats without a pause, a
  screen listens to the stream, and pages and answers are asked for all the while.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US, ManualClock  # noqa: E402
from envmon.facts import Flag, NewEvent, Reading, kept_value  # noqa: E402
from envmon.guard.plan import plan_from_shop  # noqa: E402
from envmon.intake.link import BrokerLink  # noqa: E402
from envmon.service.broker import LOOPBACK  # noqa: E402
from envmon.service.heap import give_back_large_blocks  # noqa: E402
from envmon.service.keeping.keeper import archive_turn  # noqa: E402
from envmon.service.notice.process import Notice  # noqa: E402
from envmon.service.outlook.process import Outlooks  # noqa: E402
from envmon.store.sqlite import SqliteStore  # noqa: E402
from tests.acceptance.soak_phone import Phone  # noqa: E402
from tests.acceptance.soak_stage import rss_kb  # noqa: E402
from tests.benchmarks.broker_trials import free_port  # noqa: E402
from tests.boards_support import NOW_US, Air, live_state, shop_from, shop_text  # noqa: E402
from tests.mosquitto_support import Mosquitto, wait_until  # noqa: E402
from tests.notice_support import AT_US, DAY_PERSON, people_text, shop_of  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterator

PARTS = 10
HISTORY_DAYS, MONTH_DAYS = 56, 30
OUTLOOK_EVERY_US = 10 * MINUTE_US
LOOK_US = SECOND_US // 2
ALARM_US = 15 * MINUTE_US
WET_H, DRY_H, POLISH_H, END_H = 9.0, 9.5, 12.0, 17.0
ASKED = (
    "/", "/healthz", "/api/v1/bays", "/api/v1/alarms/recent", "/api/v1/jobs", "/api/v1/sensors",
    "/api/v1/bays/north/trend",
)  # fmt: skip


def a_day(start_us: int, bays: tuple[str, ...]) -> Iterator[Reading]:
    """Yield a day of readings, one in five minutes, with a wash in the morning."""
    for at_us in range(start_us, start_us + DAY_US, 5 * MINUTE_US):
        hour = (at_us - start_us) / HOUR_US
        since = hour - WET_H
        wet = 0 if since < 0 else 30 * min(1, since / 0.5) * math.exp(-max(0.0, since - 0.5))
        swing = math.sin(at_us / MINUTE_US / 10)
        values = {
            "air_temp_c": 20 + 0.4 * swing, "rel_hum_pct": 45 + wet - swing,
            "panel_temp_c": 18 + 0.1 * swing,
        }  # fmt: skip
        for bay in bays:
            for name, value in values.items():
                yield Reading(f"{bay}-all", name, at_us, kept_value(value), Flag.GOOD, at_us)


def fill(folder: Path, first_us: int, days: int) -> None:
    """Keep days of readings and stages of two bays, and move them to the archive."""
    store, bays = SqliteStore(folder), ("north", "south")
    for day in range(days):
        start_us = first_us + day * DAY_US
        store.add_readings(list(a_day(start_us, bays)))
        for stage, hour in (("wash", WET_H), ("drying", DRY_H), ("polish", POLISH_H)):
            at_us = start_us + round(hour * HOUR_US)
            store.add_events([NewEvent(at_us, "stage_started", b, {"stage": stage}) for b in bays])
        end_us = start_us + round(END_H * HOUR_US)
        store.add_events([NewEvent(end_us, "stage_ended", b, {"stage": "polish"}) for b in bays])
    store.close()
    archive_turn(shop_from(shop_text()), folder, first_us + (days + 1) * DAY_US)


def say(turns: int, pid: int = 0) -> None:
    """Print how many turns there were and the memory held then."""
    print(f"{turns} {rss_kb(pid or os.getpid()) / 1024:.1f}", flush=True)


def outlook(folder: Path, seconds: float) -> None:
    """Turn the outlook over the days behind its history."""
    give_back_large_blocks()
    first_us = NOW_US // DAY_US * DAY_US
    days = (folder, first_us, HISTORY_DAYS + MONTH_DAYS)
    filler = multiprocessing.get_context("spawn").Process(target=fill, args=days)
    filler.start()
    filler.join()
    assert filler.exitcode == 0
    clock = ManualClock(first_us + HISTORY_DAYS * DAY_US)
    link = BrokerLink(LOOPBACK, 1, "nobody", ())
    outlooks = Outlooks(shop_from(shop_text()), folder, clock, link)
    begun, turns, part = time.monotonic(), 0, 0
    while time.monotonic() < begun + seconds and turns < MONTH_DAYS * DAY_US // OUTLOOK_EVERY_US:
        outlooks.hasten()
        outlooks.turn(0)
        outlooks.learner.wait()
        turns += 1
        clock.at_us += OUTLOOK_EVERY_US
        if time.monotonic() > begun + (part + 1) * seconds / PARTS:
            part += 1
            say(turns)
    say(turns)


def notice(folder: Path, seconds: float) -> None:
    """Let the messages to people look at the chain as often as in days of the shop."""
    phone = Phone()
    os.environ["ENVMON_CHANNEL_OLA_PHONE"] = f"json://127.0.0.1:{phone.server_port}/"
    store, clock = SqliteStore(folder), ManualClock(AT_US)
    desk = Notice(shop_of(people_text(DAY_PERSON)), folder / "shop.toml", folder, clock)
    begun, turns, part = time.monotonic(), 0, 0
    kinds = ("alarm_raised", "alarm_acknowledged", "alarm_cleared")
    alarm = {
        "alarm": "north-window",
        "what": "window",
        "priority": "medium",
        "stage": "",
        "under": "",
        "do": "look",
        "text": "north",
    }
    while time.monotonic() < begun + seconds:
        if turns % (ALARM_US // LOOK_US) == 0:
            kind = kinds[turns // (ALARM_US // LOOK_US) % 3]
            store.add_events([NewEvent(clock.at_us, kind, "north", {**alarm, "by": "Ola"})])
        desk.look()
        desk.turn()
        turns += 1
        clock.at_us += LOOK_US
        if time.monotonic() > begun + (part + 1) * seconds / PARTS:
            part += 1
            say(turns)
    print(f"messages {phone.count}", flush=True)
    desk.close()
    store.close()


class Flood(threading.Thread):
    """Says of the bays, the alarms and the watch what a watch says, without a pause."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        plan = plan_from_shop(shop_from(shop_text()))
        self._said = [
            (f"envmon/{bay}/state", msgspec.json.encode(live_state(plan, bay, story=(air,) * 10)))
            for bay in ("north", "south")
            for air in (Air(20.0 + n / 10, 50.0, 19.0) for n in range(20))
        ]
        beat = b'{"state":"up","at":"2026-01-27T23:00:00Z","text":""}'
        self._said.append(("envmon/watch/heartbeat", beat))
        self.count, self._over = 0, threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.connect(LOOPBACK, port)

    def run(self) -> None:
        self._client.loop_start()
        while not self._over.is_set():
            topic, payload = self._said[self.count % len(self._said)]
            sent = self._client.publish(topic, payload, retain=True, qos=int(self.count % 50 == 0))
            if self.count % 50 == 0:
                sent.wait_for_publish(30)  # so that it is no faster than the broker
            self.count += 1
        self._client.disconnect()
        self._client.loop_stop()

    def end(self) -> int:
        """Stop, and return how many were said."""
        self._over.set()
        self.join()
        return self.count


class Screen(threading.Thread):
    """Reads the stream as a screen does."""

    def __init__(self, url: str) -> None:
        super().__init__(daemon=True)
        self._url, self.bytes = url, 0

    def run(self) -> None:
        with urllib.request.urlopen(f"{self._url}/api/v1/stream", timeout=60) as stream:
            while line := stream.readline():
                self.bytes += len(line)


def boards(folder: Path, seconds: float) -> None:
    """Flood the real boards and ask for everything meanwhile."""
    with Mosquitto(folder, on_disk=False) as broker:
        text = shop_text().replace("port = 1883", f'kind = "external"\nport = {broker.port}')
        (folder / "shop.toml").write_text(text, encoding="utf-8")
        SqliteStore(folder / "data").close()
        port = free_port()
        argv = [folder / "shop.toml", "--data", folder / "data", "--port", port]
        process = subprocess.Popen([sys.executable, "-m", "envmon_boards", *map(str, argv)])
        url = f"http://{LOOPBACK}:{port}"
        try:
            wait_until(lambda: status(f"{url}/healthz"), "the boards", 90)
            flood, screen = Flood(broker.port), Screen(url)
            flood.start()
            screen.start()
            flood_boards(url, flood, process.pid, seconds)
            print(f"messages {flood.end()}, stream {screen.bytes / 1e6:.0f} MB", flush=True)
        finally:
            process.terminate()
            process.wait(30)


def flood_boards(url: str, flood: Flood, pid: int, seconds: float) -> None:
    """Ask in turn for pages and answers until the time is over."""
    begun, asked, part = time.monotonic(), 0, 0
    wrong: dict[str, int] = {}
    while time.monotonic() < begun + seconds:
        path = ASKED[asked % len(ASKED)]
        if status(url + path) >= 500:
            wrong[path] = wrong.get(path, 0) + 1
        asked += 1
        if time.monotonic() > begun + (part + 1) * seconds / PARTS:
            part += 1
            say(flood.count, pid)
    print(f"asked {asked} times; answered 5xx: {wrong or 'never'}", flush=True)


def status(url: str) -> int:
    """Return the status of an answer, 0 for none."""
    try:
        with urllib.request.urlopen(url, timeout=10) as said:
            said.read()
            return int(said.status)
    except urllib.error.HTTPError as error:
        return error.code
    except OSError:
        return 0


CHILDREN = {"outlook": outlook, "notice": notice, "boards": boards}


def main() -> int:
    """Run what is asked for, each in a process of its own."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("which", nargs="*", default=list(CHILDREN), choices=CHILDREN)
    options.add_argument("--minutes", type=float, default=10.0, help="for each")
    options.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.child:
        with tempfile.TemporaryDirectory(prefix="envmon-turns-") as folder:
            CHILDREN[given.which[0]](Path(folder), given.minutes * 60)
        return 0
    codes = []
    for name in given.which:
        print(f"{name}: turns (boards: messages), memory [MB]", flush=True)
        argv = [sys.executable, __file__, name, "--child", "--minutes", str(given.minutes)]
        codes.append(subprocess.run(argv, check=False, cwd=ROOT).returncode)
    return max(codes)


if __name__ == "__main__":
    sys.exit(main())
