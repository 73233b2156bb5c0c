"""The people of a shop who are told, and when their quiet hours are."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from envmon.clock import SECOND_US, us_from_datetime

if TYPE_CHECKING:
    from envmon.guard.live import Priority
    from envmon.shop.alerting import Contact
    from envmon.shop.models import Shop

RANKS: dict[str, int] = {"low": 0, "medium": 1, "high": 2}


@dataclass(frozen=True, slots=True)
class Quiet:
    """Quiet hours of every day, by the wall clock; they may go over midnight.

    Attributes:
        begins: Wall time they begin at.
        ends: Wall time they end at.
        zone: The shop's time zone.
    """

    begins: time
    ends: time
    zone: ZoneInfo

    def end_us(self, at_us: int) -> int | None:
        """Return when the quiet hours that hold at a time end [µs], or None when none do.

        Begin and end are moments, so a night with a changed clock is one span too: a wall time
        that comes twice ends them the second time, one that is skipped as much later.
        """
        today = datetime.fromtimestamp(at_us // SECOND_US, self.zone).date()
        for day in (today - timedelta(days=1), today):
            until = day + timedelta(days=self.ends <= self.begins)
            begin_us, end_us = self._moment(day, self.begins), self._moment(until, self.ends, 1)
            if begin_us <= at_us < end_us:
                return end_us
        return None

    def _moment(self, day: date, wall: time, fold: int = 0) -> int:
        moment = datetime.combine(day, wall, self.zone)
        # In a gap fold 0 lies behind it and fold 1 before it; twice, fold 1 is the second.
        skipped = moment.replace(fold=0).utcoffset() < moment.replace(fold=1).utcoffset()  # type: ignore[operator]
        return us_from_datetime(moment.replace(fold=0 if skipped else fold))


@dataclass(frozen=True, slots=True)
class Person:
    """A person to be told.

    Attributes:
        id: Short name.
        name: Name as in messages.
        channels: Names of the channels, told all at once.
        after_us: Told when nobody has acknowledged for so long [µs]; 0 is told at once.
        least: Lowest priority told of.
        quiet: Quiet hours, if any.
    """

    id: str
    name: str
    channels: tuple[str, ...]
    after_us: int = 0
    least: Priority = "medium"
    quiet: Quiet | None = None

    def wants(self, priority: str) -> bool:
        """Return whether an alarm of a priority is for this person."""
        return RANKS[priority] >= RANKS[self.least]

    def quiet_end_us(self, at_us: int) -> int | None:
        """Return when the quiet hours that hold at a time end [µs], or None."""
        return self.quiet.end_us(at_us) if self.quiet else None


@dataclass(frozen=True, slots=True)
class Book:
    """Whom to tell and how places are called.

    Attributes:
        people: In the order of the shop file.
        bays: Bay id -> its name.
        shop: Name of the shop.
        zone: The shop's time zone.
    """

    people: tuple[Person, ...]
    bays: dict[str, str]
    shop: str
    zone: ZoneInfo

    def person(self, person_id: str) -> Person | None:
        """Return a person, or None: the shop file may have changed since."""
        return next((person for person in self.people if person.id == person_id), None)


def _person(contact: Contact, zone: ZoneInfo) -> Person:
    quiet = None
    if contact.quiet:
        begins, ends = (time.fromisoformat(part) for part in contact.quiet.split("-"))
        quiet = Quiet(begins, ends, zone)
    after_us = round(contact.after * SECOND_US)
    return Person(contact.id, contact.name, contact.channels, after_us, contact.least, quiet)


def book_from_shop(shop: Shop) -> Book:
    """Return whom to tell, from a checked shop file."""
    zone = ZoneInfo(shop.shop.timezone)
    people = tuple(_person(contact, zone) for contact in shop.contact)
    return Book(people, {bay.id: bay.name for bay in shop.bay}, shop.shop.name, zone)
