"""Alarms as the watch publishes them, made by hand, on boards that run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from envmon.clock import MINUTE_US, iso_from_us
from envmon.facts import NewEvent
from envmon.guard.alarm_kinds import KINDS
from envmon.guard.live import AlarmState, Life, Priority, ShopAlarms
from envmon.store.sqlite import SqliteStore
from envmon_boards.feed import ALARMS_TOPIC
from tests.boards_support import NOW_US, Stand

if TYPE_CHECKING:
    from pathlib import Path

NAMES = {"north": "North bay", "south": "South bay", "": "Shop"}
TEXTS = {
    "window": "Coating outside its window: humidity 67 %, needs 35–60 %: ventilate or heat",
    "unknown": "Coating not known: panel: nothing heard for 4 min",
    "leaving": "Coating about to leave its window: humidity 58 %, at 60 % in 9 min",
    "condensation": "Early cure: panel 6.1 °C, dew point 7.4 °C",
    "cure_break": "Full cure outside its window for 12 min",
    "frost": "air 3.2 °C, stores must stay above 5 °C",
    "heater": "heater on for 24 min, air falls 1.8 K an hour",
    "lost": "nothing heard for 6 min",
    "silence": "no sensor is heard since 14:01",
    "broker": "the broker is gone since 14:02",
}


def alarm(
    what: str,
    bay: str = "north",
    life: Life = "UNACK",
    priority: Priority = "high",
    minutes: float = 3,
    **more: Any,
) -> AlarmState:
    """Return an alarm that came so many minutes ago."""
    kind = KINDS[what]
    since = iso_from_us(NOW_US - round(minutes * MINUTE_US))
    given: dict[str, Any] = {
        "id": f"{bay or 'shop'}-{what}", "bay": bay, "what": what, "since": since,
        "stage": "coating" if what == "window" else None, "text": TEXTS.get(what, kind.name),
        "name": kind.name, "priority": priority, "life": life, "do": kind.do,
        "active": life in {"UNACK", "ACKED", "SHLVD", "OOSRV"},
    }  # fmt: skip
    return AlarmState(**(given | more))


def say_alarms(stand: Stand, *alarms: AlarmState) -> None:
    """Publish the shop's alarms, again and again."""
    stand.say_alarms(ShopAlarms(iso_from_us(NOW_US), alarms))


def say_alarms_once(stand: Stand, *alarms: AlarmState, live: bool = True) -> None:
    """Publish the shop's alarms once, or hand them over as the broker does that had kept them."""
    said = ShopAlarms(iso_from_us(NOW_US), alarms)
    stand.feed.take(ALARMS_TOPIC, msgspec.json.encode(said), live=live)


def add_events(folder: Path, *said: tuple[float, str, str, dict[str, Any]]) -> None:
    """Write events of the bay north: minutes ago, kind, alarm, more data."""
    store = SqliteStore(folder)
    store.add_events([
        NewEvent(
            NOW_US - round(minutes * MINUTE_US), f"alarm_{kind}", "north",
            {"alarm": name, "what": name.rpartition("-")[2], **more},
        )
        for minutes, kind, name, more in said
    ])  # fmt: skip
    store.close()


def requests_in(folder: Path) -> list[tuple[str, str, dict[str, Any]]]:
    """Return what was asked of the watch."""
    store = SqliteStore(folder)
    try:
        return [(r.kind, r.bay, r.data) for r in store.requests()]
    finally:
        store.close()
