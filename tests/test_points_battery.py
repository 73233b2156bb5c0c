"""The last word of each node's battery is kept by the watch, also where nobody listens.

SenML's units for it (``V``, ``%EL``): RFC 8428, 12.1.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from envmon.clock import ManualClock
from envmon.intake.link import Message
from envmon.service.points.battery import (
    BATTERIES,
    LOOKS_SAVED,
    MOST_TOPICS,
    Batteries,
    batteries_in,
    battery_texts,
)
from envmon.service.points.claimed import claimed_document
from envmon.store.sqlite import SqliteStore
from envmon_boards.sensors_api import Sensors
from tests.boards_support import stand_of
from tests.guard_support import SHOP, START_US, shop_from, us
from tests.hostile_support import ODD
from tests.watch_support import HandWatch

if TYPE_CHECKING:
    from pathlib import Path

HOUR_S = 3_600


def pack(volts: float, at_s: float) -> bytes:
    """Return what a node sends: what is measured, and its battery."""
    records = [{"n": "temp", "u": "Cel", "v": 20.5, "t": us(at_s) / 1e6}]
    return json.dumps([*records, {"n": "battery", "u": "V", "v": volts}]).encode()


def said(folder: Path, at_s: float) -> dict[str, str]:
    """Return what ``envmon points`` says of batteries where it has heard none itself."""
    rows = claimed_document(shop_from(SHOP), folder, us(at_s), {})
    return {row["point"]: row["battery"] for row in rows if row["battery"]}


def test_it_is_kept_with_its_age_and_outlives_a_restart(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path)
    watch.turn(1, ("hall/air-a", pack(2.914, 1)), ("hall/panel", b'[{"n":"temp","v":20}]'))
    watch.watch.finish()
    assert said(tmp_path, 61) == {"air-a": "2.91 V, 1 min ago"}

    again = HandWatch(tmp_path, at_us=us(60))
    again.turn(3 * HOUR_S, ("hall/panel", b'[{"n":"temp","v":20}]'))
    again.watch.finish()
    assert said(tmp_path, 3 * HOUR_S) == {"air-a": "2.91 V, 2 h ago"}
    assert said(tmp_path, 72 * HOUR_S) == {"air-a": "2.91 V, 2 days ago"}


def test_the_newest_word_counts_by_its_own_time(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path)
    watch.turn(1_000, ("hall/air-a", pack(2.9, 1_000)))
    watch.turn(1_400, ("hall/air-a", pack(3.1, 400)))  # sent late, from before
    watch.watch.finish()
    assert said(tmp_path, 1_400) == {"air-a": "2.90 V, 6 min ago"}


def test_what_is_heard_now_goes_before_what_was_kept(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path)
    watch.turn(1, ("hall/air-a", pack(2.9, 1)))
    watch.watch.finish()
    rows = claimed_document(shop_from(SHOP), tmp_path, us(9), {"air-a": "2.80 V"})
    assert {row["battery"] for row in rows} == {"", "2.80 V"}


def test_the_sensors_board_has_it(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path)
    watch.turn(1, ("hall/air-a", pack(2.9, 1)))
    watch.watch.finish()
    boards = stand_of(tmp_path, SHOP).boards
    assert isinstance(boards.clock, ManualClock)
    boards.clock.at_us = us(301)
    sensors = {one["id"]: one for one in Sensors(boards).document()["sensors"]}
    assert sensors["air-a"]["battery"] == "2.90 V, 5 min ago"
    assert sensors["panel"]["battery"] == ""


def test_a_flood_and_odd_bytes_cost_no_more_than_a_few_looks(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    text = SHOP.replace('topic = "hall/panel"', 'topic = "hall/+/panel"')
    kept = Batteries(shop_from(text), store)
    flood = [Message(f"hall/{n}/panel", pack(3.0, n), 1, 1, 1) for n in range(5 * MOST_TOPICS)]
    kept.look(flood, START_US)
    assert len(kept._looked_us) == LOOKS_SAVED
    for minute, odd in enumerate(ODD):
        payload = json.dumps([{"n": "battery", "u": "V", "v": odd}]).encode()
        kept.look([Message("hall/air-a", payload, 1, 1, 1)], START_US + minute * 600_000_000)
    assert all(len(one.text) < 10 for one in kept._kept.values())
    late_us = us(90 * HOUR_S)
    kept.look([Message("hall/panel", pack(2.0, 90 * HOUR_S), 1, 1, 1, retained=True)], late_us)
    kept.save(late_us)
    assert batteries_in(store)["panel"].text == "3.00 V"
    store.save_snapshot(BATTERIES, 0, b"[torn")
    assert battery_texts(batteries_in(store), 0) == {}
    store.close()
