"""Two days of a shop for the history board: readings every two minutes, a silence, events."""

from __future__ import annotations

import http.client
import json
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from envmon.clock import HOUR_US, MINUTE_US, us_from_iso
from envmon.facts import Flag, NewEvent, Reading
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, Air

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from tests.boards_support import Stand

DAY_START_US = us_from_iso("2026-01-27T00:00:00-09:00")
"""Midnight of the test shop's present day."""
AT = {
    "coating": DAY_START_US + 8 * HOUR_US,
    "alarm": DAY_START_US + 9 * HOUR_US,
    "cleared": DAY_START_US + 10 * HOUR_US,
    "silent": DAY_START_US + 11 * HOUR_US,
    "heard": DAY_START_US + 12 * HOUR_US,
    "ended": DAY_START_US + 13 * HOUR_US,
}
"""What happened in the north bay, and when [µs]."""
SPIKE_US = DAY_START_US + 9 * HOUR_US + 20 * MINUTE_US


def add(folder: Path, readings: Iterable[Reading], events: Sequence[NewEvent] = ()) -> None:
    store = SqliteStore(folder)
    store.add_readings(list(readings))
    store.add_events(events)
    store.close()


def told_day() -> tuple[list[Reading], list[NewEvent]]:
    """Return a day of the north bay: coating from 8, humid from 9 to 10, silent from 11 to 12.

    One reading of the air at 9:20 says 31 °C.
    """
    readings: list[Reading] = []
    for t_us in range(DAY_START_US - 24 * HOUR_US, NOW_US, 2 * MINUTE_US):
        if AT["silent"] <= t_us < AT["heard"]:
            continue
        humid = 71.0 if AT["alarm"] <= t_us < AT["cleared"] else 44.0
        readings += Air(31.0 if t_us == SPIKE_US else 20.4, humid).readings("north", t_us)
    stage = {"stage": "coating"}
    alarm = {"alarm": "north-window", "what": "window", **stage}
    unknown = {"alarm": "north-unknown", "what": "unknown", **stage}
    events = [
        NewEvent(AT["coating"], "stage_started", "north", stage),
        NewEvent(AT["coating"], "stage_fitness", "north", {**stage, "fitness": "fit"}),
        NewEvent(AT["alarm"], "stage_fitness", "north", {**stage, "fitness": "unfit"}),
        NewEvent(AT["alarm"] + 3 * MINUTE_US, "alarm_raised", "north", alarm),
        NewEvent(AT["cleared"], "stage_fitness", "north", {**stage, "fitness": "fit"}),
        NewEvent(AT["cleared"], "alarm_cleared", "north", alarm),
        NewEvent(AT["silent"] + MINUTE_US, "stage_fitness", "north",
                 {**stage, "fitness": "unknown"}),
        NewEvent(AT["silent"] + 6 * MINUTE_US, "alarm_raised", "north", unknown),
        NewEvent(AT["heard"], "stage_fitness", "north", {**stage, "fitness": "fit"}),
        NewEvent(AT["heard"], "alarm_cleared", "north", unknown),
        NewEvent(AT["ended"], "stage_ended", "north", {}),
    ]  # fmt: skip
    return readings, events


def flagged(readings: Iterable[Reading], flag: Flag) -> list[Reading]:
    return [reading._replace(flag=flag) for reading in readings]


def get(stand: Stand, path: str, **query: Any) -> tuple[int, bytes, dict[str, str]]:
    """Ask the boards; return status, body and headers."""
    connection = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=20)
    connection.request("GET", f"{path}?{urlencode(query)}" if query else path)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer.status, body, dict(answer.getheaders())


def history_of(stand: Stand, from_us: int, to_us: int, **query: Any) -> dict[str, Any]:
    """Return the history of the north bay that the boards answer with."""
    asked = {"bay": "north", "from_ms": from_us // 1000, "to_ms": to_us // 1000, **query}
    status, body, _ = get(stand, "/api/v1/history", **asked)
    assert status == 200, body
    document: dict[str, Any] = json.loads(body)
    return document


def line_of(document: dict[str, Any], quantity: str) -> dict[str, Any]:
    lines: list[dict[str, Any]] = document["lines"]
    return next(line for line in lines if line["quantity"] == quantity)
