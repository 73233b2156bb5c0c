"""The watch's own troubles: broker, disk, clock, archive, notice; pure, time is given in.

A trouble is told by two events of the chain, ``trouble_began`` and ``trouble_over``, one of each
in turn. They are offered until the chain has them, so a disk that cannot be written loses none.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SECOND_US, iso_from_us
from envmon.facts import NewEvent
from envmon.guard.alarm_acts import TROUBLE_BEGAN, TROUBLE_OVER

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.facts import Event

LOW_BYTES = 1_000_000_000
"""Free room under which a disk is nearly full: half a year of a bay's raw readings (30 bytes each,
172 800 a day), so that days are left to act in, whatever else on the machine fills it."""
LOW_PART = 0.1
"""A small disk, such as a card of 4 GB, is nearly full only under this part of it."""
LOW_HOURS = 48.0
"""As the live file grows now, the room should last so long [h]: over a free day."""
ROOM_DEADBAND = 1.2
"""It is over only with so many times the room."""
JUMP_US = 5 * SECOND_US
"""A time server steers a clock; a step of more than this is a jump."""
CLOCK_STANDS_S = 3_600.0
"""So long a jump of the clock is told; a start of the watch counts anew."""
DELAYS_S = {
    "broker": (30.0, 10.0),
    "disk": (0.0, 0.0),
    "archive": (60.0, 60.0),
    "notice": (10.0, 10.0),
    "clock": (0.0, CLOCK_STANDS_S),
    "flood": (0.0, 60.0),
    "asking": (30.0, 60.0),
}
"""So long a trouble must stand before it is told, and be away before it is over [s, real time].

The keeper speaks once a minute. A file of the notice process may be met half-written."""
STORE_DELAY_S = 10.0
"""So long writing must fail before the disk is in trouble [s, real time]."""


class Room(NamedTuple):
    """How full the disk of the data folder is, or why nobody knows.

    Attributes:
        free_bytes: Room left.
        all_bytes: Size of the disk.
        error: Why nobody knows; empty when it is known.
        grows_bytes_h: How fast the live file has grown of late [bytes/h].
    """

    free_bytes: int
    all_bytes: int
    error: str = ""
    grows_bytes_h: float = 0.0

    @property
    def hours_left(self) -> float:
        """How long the room lasts if the live file goes on growing so [h]."""
        return self.free_bytes / self.grows_bytes_h if self.grows_bytes_h > 0 else math.inf


class Seen(NamedTuple):
    """What the watch sees of itself at a moment.

    Attributes:
        at_us: Time now by the watch's clock [µs, UTC].
        real_s: Time that passes evenly and stands while the machine sleeps [s].
        wall_lead_us: The machine's time of day, less a time that passes evenly and does not stand
            while the machine sleeps [µs].
        link_up: Whether the broker has accepted us.
        link_error: What the link last said.
        store_error: Why the last turn could not be written; empty when it was.
        room: The disk.
        archive: What the keeper says is wrong; empty when nothing is.
        notice: What the notice process says is wrong; empty when nothing is.
        set_back: How often the clock has been set back.
        flood: Which points send too much; empty when none does.
        asking: Who asks the screens for too much; empty when nobody does.
    """

    at_us: int
    real_s: float
    wall_lead_us: int
    link_up: bool
    link_error: str
    store_error: str
    room: Room
    archive: str
    notice: str
    set_back: int
    flood: str = ""
    asking: str = ""


class _Held:
    """Whether a trouble stands, once it has been there, or away, for long enough."""

    def __init__(self, on_s: float, off_s: float, *, stands: bool = False) -> None:
        self._on_s, self._off_s, self.stands = on_s, off_s, stands
        self._since: float | None = None

    def update(self, real_s: float, *, wrong: bool) -> bool:
        if wrong == self.stands:
            self._since = None
            return self.stands
        if self._since is None:
            self._since = real_s
        if real_s - self._since >= (self._off_s if self.stands else self._on_s):
            self.stands, self._since = wrong, None
        return self.stands


def standing(events: Iterable[Event]) -> set[str]:
    """Return what is in trouble according to the chain.

    Args:
        events: All events of it that tell of troubles, in any order.
    """
    last = {event.data["what"]: event.kind for event in sorted(events, key=lambda e: e.seq)}
    return {what for what, kind in last.items() if kind == TROUBLE_BEGAN}


class Troubles:
    """Makes what the watch sees of itself into events.

    ``look`` returns the events the chain does not have yet; ``kept`` takes them as written. Between
    the two nothing is forgotten: what could not be written is offered again, with the time of the
    new offer; a trouble that returns before its end was written has not ended.

    Args:
        stands: What is in trouble according to the chain, from ``standing``.
        set_back: How often the clock had been set back when the watch started.
    """

    def __init__(self, stands: Iterable[str], set_back: int) -> None:
        known = set(stands)
        self._held = {
            what: _Held(*delays, stands=what in known) for what, delays in DELAYS_S.items()
        }
        self._storing = _Held(STORE_DELAY_S, 0.0)
        self._offers: list[tuple[str, str, str]] = []
        self._set_back = set_back
        self._wall_lead_us: int | None = None
        self._down_us: int | None = None

    def look(self, seen: Seen) -> list[NewEvent]:
        """Return the events that the chain has yet to take, in order.

        Args:
            seen: What the watch sees of itself; ``real_s`` never falls.
        """
        texts = {
            "broker": self._broker(seen),
            "disk": self._disk(seen),
            "archive": seen.archive,
            "notice": seen.notice,
            "clock": self._clock(seen),
            "flood": seen.flood,
            "asking": seen.asking,
        }
        for what, text in texts.items():
            held = self._held[what]
            before = held.stands
            if held.update(seen.real_s, wrong=bool(text)) != before:
                self._offer(what, text)
        return [self._event(seen.at_us, *offer) for offer in self._offers]

    def kept(self, events: Iterable[NewEvent]) -> None:
        """Take events of the last ``look`` as written and committed."""
        del self._offers[: len(list(events))]

    def _offer(self, what: str, text: str) -> None:
        """Offer the beginning of a trouble, or its end when there is no text."""
        if text and (TROUBLE_OVER, what, "") in self._offers:
            self._offers.remove((TROUBLE_OVER, what, ""))
        else:
            self._offers.append((TROUBLE_BEGAN if text else TROUBLE_OVER, what, text))

    @staticmethod
    def _event(at_us: int, kind: str, what: str, text: str) -> NewEvent:
        return NewEvent(at_us, kind, "", {"what": what, **({"text": text} if text else {})})

    def _broker(self, seen: Seen) -> str:
        if seen.link_up:
            self._down_us = None
            return ""
        if self._down_us is None:
            self._down_us = seen.at_us
        why = seen.link_error or "it has not answered yet"
        return f"no connection to the broker since {iso_from_us(self._down_us)}: {why}"

    def _disk(self, seen: Seen) -> str:
        if self._storing.update(seen.real_s, wrong=bool(seen.store_error)):
            return seen.store_error or "nothing can be stored"
        room = seen.room
        if room.error:
            return room.error
        limit = min(LOW_BYTES, LOW_PART * room.all_bytes)
        more = ROOM_DEADBAND if self._held["disk"].stands else 1.0
        if room.free_bytes >= limit * more and room.hours_left >= LOW_HOURS * more:
            return ""
        left = f"{room.free_bytes / 1e6:,.0f} MB left of {room.all_bytes / 1e6:,.0f} MB"
        if room.hours_left < math.inf:
            left += f", enough for {room.hours_left:,.0f} h as it grows now"
        return (
            f"the disk has {left}; make room, {limit / 1e6:,.0f} MB or more should be free, "
            f"enough for {LOW_HOURS:g} h"
        )

    def _clock(self, seen: Seen) -> str:
        """Return what the clock did since the last look."""
        before = seen.wall_lead_us if self._wall_lead_us is None else self._wall_lead_us
        jump_us, self._wall_lead_us = seen.wall_lead_us - before, seen.wall_lead_us
        backs, self._set_back = seen.set_back - self._set_back, seen.set_back
        if abs(jump_us) > JUMP_US:
            way = "forward" if jump_us > 0 else "back"
            by = f"{abs(jump_us) / SECOND_US:,.0f} s"
            return f"the machine's clock was set {way} by {by}; check it and its time server"
        if backs > 0:
            return "the clock was set back; check it and its time server"
        return ""
