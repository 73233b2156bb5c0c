"""A shop with people, events of its chain made by hand, and a desk that decides step by step."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from envmon.clock import MINUTE_US, SECOND_US, us_from_iso
from envmon.facts import Event
from envmon.notice.decide import decide
from envmon.notice.people import book_from_shop
from envmon.notice.state import Message, NoticeState
from envmon.shop.load import check_text

if TYPE_CHECKING:
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
