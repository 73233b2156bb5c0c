"""Each time an alarm stood, from the events of the chain: raised, over, acknowledged, by whom.

A shelved alarm and one out of service stand no longer: a person has set them aside. An alarm
raised again before anyone acknowledged it has waited since the first time.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, cast, get_args

from envmon.guard import alarm_acts as acts
from envmon.guard.alarm_kinds import KINDS, kind_of
from envmon.guard.live import Priority

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.facts import Event

_ENDS = {acts.CLEARED: "over", acts.SHELVED: "shelved", acts.REMOVED: "out of service"}
_ALL = acts.ACTS | acts.FOUND


@dataclass(slots=True, eq=False)
class Occurrence:
    """One time an alarm stood.

    Attributes:
        alarm: Id of the alarm.
        bay: Id of the bay; empty for the whole shop.
        what: Kind of alarm.
        priority: How much it mattered.
        raised_us: When it was raised [µs].
        text: What was wrong.
        stage: Stage it was raised in, or None.
        under: Id of the alarm it followed from, or None.
        again_us: When it was raised again because it still stood [µs].
        ended_us: When it stood no longer [µs]; None while it stands.
        end: ``over``, ``shelved`` or ``out of service``; empty while it stands.
        acknowledged_us: When it was first acknowledged [µs], or None.
        by: Who acknowledged it, or set it aside.
        via: By what way.
        reason: Why it was set aside.
    """

    alarm: str
    bay: str
    what: str
    priority: Priority
    raised_us: int
    text: str = ""
    stage: str | None = None
    under: str | None = None
    again_us: list[int] = field(default_factory=list)
    ended_us: int | None = None
    end: str = ""
    acknowledged_us: int | None = None
    by: str = ""
    via: str = ""
    reason: str = ""


class Response(NamedTuple):
    """An acknowledgement.

    Attributes:
        at_us: When [µs].
        waited_us: How long the alarm had waited for it [µs].
    """

    at_us: int
    waited_us: int


class AlarmLog:
    """Everything the chain says of alarms; ``update`` with events in their order.

    Attributes:
        past: Every time an alarm stood, in order of raising.
        responses: Every acknowledgement.
        first_us: Time of the first event of any kind [µs]; None before one.
        changed_us: Time of the last event about an alarm [µs], or None.
        seq: Place in the chain of the last event.
    """

    def __init__(self) -> None:
        self.past: list[Occurrence] = []
        self.responses: list[Response] = []
        self.first_us: int | None = None
        self.changed_us: int | None = None
        self.seq = 0
        self._standing: dict[str, Occurrence] = {}
        self._waiting: dict[str, list[Occurrence]] = {}
        self._since: dict[str, int] = {}

    @property
    def standing(self) -> list[Occurrence]:
        """Those that stand now, in order of raising."""
        return sorted(self._standing.values(), key=lambda one: one.raised_us)

    def update(self, events: Iterable[Event]) -> None:
        """Take in events, in the order of the chain."""
        for event in events:
            self.seq = event.seq
            if self.first_us is None:
                self.first_us = event.at_us
            if event.kind in _ALL and event.data.get("alarm"):
                self.changed_us = event.at_us
                self._take(event, str(event.data["alarm"]))

    def _take(self, event: Event, alarm: str) -> None:
        if event.kind == acts.RAISED:
            self._end(alarm, event, "over")  # a clearing that was never written
            self._raise(alarm, event)
        elif event.kind == acts.AGAIN and alarm in self._standing:
            self._standing[alarm].again_us.append(event.at_us)
            self._wait(self._standing[alarm], event.at_us)
        elif event.kind in _ENDS:
            self._end(alarm, event, _ENDS[event.kind])
        elif event.kind == acts.ACKNOWLEDGED:
            self._acknowledge(alarm, event)

    def _raise(self, alarm: str, event: Event) -> None:
        data = event.data
        what = str(data.get("what", kind_of(alarm)))
        stage, under = data.get("stage"), data.get("under")
        one = Occurrence(
            alarm,
            event.bay,
            what,
            _priority(data.get("priority"), what),
            event.at_us,
            str(data.get("text", "")),
            str(stage) if stage else None,
            str(under) if under else None,
        )
        self._standing[alarm] = one
        self.past.append(one)
        self._wait(one, event.at_us)

    def _wait(self, one: Occurrence, at_us: int) -> None:
        self._since.setdefault(one.alarm, at_us)
        waiting = self._waiting.setdefault(one.alarm, [])
        if one not in waiting:
            waiting.append(one)

    def _end(self, alarm: str, event: Event, end: str) -> None:
        one = self._standing.pop(alarm, None)
        kind = KINDS.get(one.what) if one else None
        if end != "over" or (kind is not None and not kind.wants_ack):
            self._waiting.pop(alarm, None)
            self._since.pop(alarm, None)
        if one is None:
            return
        # A clock that was set back ends things before they began.
        one.ended_us, one.end = max(event.at_us, one.raised_us), end
        if end != "over":
            _by(one, event)

    def _acknowledge(self, alarm: str, event: Event) -> None:
        for one in self._waiting.pop(alarm, ()):
            if one.acknowledged_us is None:
                one.acknowledged_us = max(event.at_us, one.raised_us)
            _by(one, event)
        since_us = self._since.pop(alarm, None)
        if since_us is not None:
            self.responses.append(Response(event.at_us, max(0, event.at_us - since_us)))


def log_of(events: Iterable[Event]) -> AlarmLog:
    """Return what a chain of events says of alarms."""
    log = AlarmLog()
    log.update(events)
    return log


def _by(one: Occurrence, event: Event) -> None:
    one.by, one.via = str(event.data.get("by", "")), str(event.data.get("via", ""))
    one.reason = str(event.data.get("reason", ""))


def _priority(said: object, what: str) -> Priority:
    if said in get_args(Priority):
        return cast("Priority", said)
    return KINDS[what].priority if what in KINDS else "high"
