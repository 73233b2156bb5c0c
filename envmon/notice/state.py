"""What is remembered between two decisions, and the messages they give."""

from __future__ import annotations

from typing import Literal

import msgspec

How = Literal["raised", "again", "escalated", "repeat", "cleared"]
"""Why a person is told of an alarm."""


class Notice(msgspec.Struct, frozen=True):
    """One thing to tell one person: an alarm, and why they are told of it.

    Attributes:
        alarm: Id of the alarm.
        seq: Place of its event in the chain; 0 for what the notice process found itself.
        how: Why it is told.
        what: Kind of alarm.
        bay: Id of the bay; empty for the whole shop.
        stage: Stage it was raised in, or None.
        priority: How much it matters.
        text: What is wrong, where and how bad.
        do: What to do.
        since_us: When it was raised [µs].
        ready_us: Not told before this, so that others can join it [µs].
        over_us: When it was over, where it is [µs].
        why: Why it is over, where it did not clear by itself.
    """

    alarm: str
    seq: int
    how: How
    what: str
    bay: str
    stage: str | None
    priority: str
    text: str
    do: str
    since_us: int
    ready_us: int
    over_us: int | None = None
    why: str = ""


class Standing(msgspec.Struct):
    """An alarm that stands, as the notice process sees it.

    Attributes:
        notice: What it is; ``seq`` of its last raising.
        under: Id of the alarm it follows from, or None.
        acked: Somebody has acknowledged it.
        aside: Shelved or out of service.
        round_us: Since when it waits for somebody to acknowledge [µs].
        told: Ids of the people who were ever told of it.
        called: Ids of the people told, or about to be, since ``round_us``.
        repeat_us: When it is told again [µs], or None.
        repeats: How often it was told again.
    """

    notice: Notice
    under: str | None
    round_us: int
    acked: bool = False
    aside: bool = False
    told: list[str] = []
    called: list[str] = []
    repeat_us: int | None = None
    repeats: int = 0


class Flood(msgspec.Struct):
    """How many alarms came lately.

    Attributes:
        raised_us: When alarms were raised in the last ten minutes [µs].
        since_us: Since when it is a flood [µs], or None.
        sent_us: Person -> when they were last told of it [µs].
    """

    raised_us: list[int] = []
    since_us: int | None = None
    sent_us: dict[str, int] = {}


class NoticeState(msgspec.Struct):
    """Everything a decision depends on besides the events.

    Attributes:
        now_us: Time it stands for [µs].
        stages: Bay -> stage being worked.
        standing: Alarm id -> the alarm.
        waiting: Person -> what they are about to be told.
        flood: How many alarms came lately.
        count: Messages made so far.
    """

    now_us: int
    stages: dict[str, str] = {}
    standing: dict[str, Standing] = {}
    waiting: dict[str, list[Notice]] = {}
    flood: Flood = msgspec.field(default_factory=Flood)
    count: int = 0


class Message(msgspec.Struct, frozen=True):
    """One message to one person.

    Attributes:
        number: Counted from 1; with the person it names the message for ever.
        person: Id of the person.
        at_us: When it was decided [µs].
        priority: The highest in it.
        breaks_quiet: Goes out in quiet hours.
        line: Everything in one phone line.
        body: The same at length.
        alarms: Alarm id and place in the chain of what can be acknowledged from it.
        clear: It only says that alarms are over.
    """

    number: int
    person: str
    at_us: int
    priority: str
    breaks_quiet: bool
    line: str
    body: str
    alarms: tuple[tuple[str, int], ...] = ()
    clear: bool = False
