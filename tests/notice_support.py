"""A shop with people, events of its chain made by hand, and a desk that decides step by step."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from envmon.clock import MINUTE_US, SECOND_US, ManualClock, us_from_iso
from envmon.facts import Event, NewEvent
from envmon.notice.decide import decide
from envmon.notice.people import book_from_shop
from envmon.notice.state import Message, NoticeState
from envmon.service.notice.process import Notice
from envmon.shop.load import check_text
from envmon.store.sqlite import SqliteStore
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.notice.people import Book
    from envmon.shop.models import Shop

SHOP = """
[shop]
name = "Kelp Quay Vehicle Care"
site = "kelp_quay"
timezone = "America/Anchorage"

[[bay]]
id = "north"
name = "North bay"

[[bay]]
id = "south"
name = "South bay"
"""

AT_US = us_from_iso("2026-01-27T14:00:00-09:00")
NIGHT_US = us_from_iso("2026-01-28T01:00:00-09:00")
DAY_PERSON = '[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["ola-phone"]\nleast = "low"\n'
SECOND_PERSON = (
    '[[contact]]\nid = "kari"\nname = "Kari"\nchannels = ["kari-phone"]\nafter = "15 min"\n'
    'least = "high"\n'
)
QUIET_PERSON = (
    '[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["ola-phone"]\nleast = "low"\n'
    'quiet = "22:00-06:30"\n'
)


def people_text(*people: str) -> str:
    """Return the shop file of two bays with these ``[[contact]]`` tables."""
    return SHOP + "\n" + "\n".join(people)


def shop_of(text: str) -> Shop:
    shop, faults = check_text(text, "notice.toml")
    assert shop is not None, faults
    assert not faults
    return shop


def book_of(*people: str) -> Book:
    return book_from_shop(shop_of(people_text(*people)))


def event(kind: str, at_us: int, bay: str = "north", seq: int = 1, **data: Any) -> Event:
    return Event(seq, at_us, kind, bay, data, f"{seq:064x}")


@dataclass
class Desk:
    """Decides event after event; what was sent is kept."""

    book: Book
    at_us: int = AT_US
    seq: int = 0
    sent: list[Message] = field(default_factory=list)
    state: NoticeState = field(init=False)

    def __post_init__(self) -> None:
        self.state = NoticeState(self.at_us)

    def take(self, kind: str, bay: str = "north", **data: Any) -> list[Message]:
        """Take an event of this moment in."""
        self.seq += 1
        return self._decide([event(kind, self.at_us, bay, self.seq, **data)])

    def wait(self, seconds: float) -> list[Message]:
        """Let time go on."""
        self.at_us += round(seconds * SECOND_US)
        return self._decide([])

    def wait_min(self, minutes: float) -> list[Message]:
        return self.wait(minutes * 60)

    def until(self, text: str) -> list[Message]:
        """Let time go on until a moment."""
        return self.wait((us_from_iso(text) - self.at_us) / SECOND_US)

    def raise_alarm(self, alarm: str, priority: str = "high", **more: Any) -> list[Message]:
        bay, _, what = alarm.partition("-")
        bay = "" if bay == "shop" else bay
        data = {"alarm": alarm, "what": what, "priority": priority, "stage": None, "under": None}
        data |= {"text": f"{alarm} is wrong", "do": "bring the air back"}
        return self.take("alarm_raised", bay, **(data | more))

    def _decide(self, events: list[Event]) -> list[Message]:
        self.state, new = decide(self.book, self.state, events, self.at_us)
        self.sent += new
        return new


def told(messages: list[Message]) -> list[str]:
    """Return ``person: beginning of the line`` of each message."""
    return [f"{message.person}: {message.line}" for message in messages]


def minutes(count: float) -> int:
    return round(count * MINUTE_US)


def raised_event(at_us: int, alarm: str = "north-window", **more: Any) -> NewEvent:
    """Return an alarm as the guard raises it."""
    bay, _, what = alarm.partition("-")
    data = {"alarm": alarm, "what": what, "priority": "high", "stage": "coating"}
    data |= {"text": f"{alarm} is wrong at 20 °C", "do": "bring the air back"}
    return NewEvent(at_us, "alarm_raised", "" if bay == "shop" else bay, data | more)


@dataclass
class Stand:
    """A shop on disk with a chain the test writes, and the notice process's own parts in it.

    Attributes:
        folder: Data folder.
        text: The shop file.
        clock: Moves when told.
    """

    folder: Path
    text: str
    clock: ManualClock = field(default_factory=lambda: ManualClock(AT_US))
    notice: Notice = field(init=False)
    store: SqliteStore = field(init=False)

    def __post_init__(self) -> None:
        self.path = self.folder / "shop.toml"
        self.path.write_text(self.text, encoding="utf-8")
        self.store = SqliteStore(self.folder)
        self.start()

    def start(self) -> None:
        """Begin as a fresh process does."""
        self.notice = Notice(shop_of(self.text), self.path, self.folder, self.clock)
        self.notice.look()

    def add(self, *events: NewEvent) -> list[Event]:
        return self.store.add_events(list(events))

    def raise_alarm(self, alarm: str = "north-window", **more: Any) -> Event:
        return self.add(raised_event(self.clock.now_us(), alarm, **more))[0]

    def settle(self) -> None:
        """Decide, and deliver what is due, until nothing is under way."""
        self.notice._look_s = 0.0
        self.notice.turn()
        wait_until(lambda: not self.notice.desk.is_busy, "deliveries", meanwhile=self._pause)
        self.notice.turn()
        wait_until(lambda: not self.notice.desk.is_busy, "deliveries", meanwhile=self._pause)

    def _pause(self) -> None:
        self.notice.turn()
        threading.Event().wait(0.005)

    def wait(self, seconds: float, step: float = 30.0) -> None:
        """Let time go on in steps, delivering at each."""
        end_us = self.clock.at_us + round(seconds * SECOND_US)
        while self.clock.at_us < end_us:
            self.clock.at_us = min(end_us, self.clock.at_us + round(step * SECOND_US))
            self.settle()

    def close(self) -> None:
        self.notice.close()
        self.store.close()
