"""Calibrations in force: the shop file's to begin with, then the records of the event chain.

A record counts for what is taken in after it. Readings already stored are never changed.
"""

from __future__ import annotations

import logging
import re
from datetime import date
from typing import TYPE_CHECKING, NamedTuple, Self

from envmon.errors import InputError
from envmon.facts import CALIBRATION_ACCEPTED
from envmon.intake.calibration_record import PLAIN, Line, record_from
from envmon.shop.calibration import calibration
from envmon.shop.points import expand_points

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from envmon.facts import Event
    from envmon.intake.calibration_record import Record
    from envmon.shop.models import Shop

log = logging.getLogger("envmon.watch")

_SLOT = re.compile(r"\\\{[1-9]\\\}")


def slot_pattern(point: str) -> re.Pattern[str]:
    """Return what the filled-in ids look like of a point whose id has slots such as ``{1}``."""
    return re.compile(_SLOT.sub("[a-z0-9_-]+", re.escape(point)))


class InForce(NamedTuple):
    """What a series is calibrated by.

    Attributes:
        line: The line.
        since_us: From when on it counts [µs, UTC]; None for the shop file's.
        record: The record behind it; None for the shop file's.
    """

    line: Line
    since_us: int | None = None
    record: Record | None = None

    def is_overdue(self, today: date) -> bool:
        """Return whether its due date has passed."""
        due = self.record.due if self.record else None
        return due is not None and date.fromisoformat(due) < today


class Calibrations:
    """What every series is calibrated by, now and at any time before.

    Args:
        baseline: (point, quantity) -> gain and offset from before the first record; the id of a
            point may have slots such as ``{1}``.
        events: Events of the chain, in its order; others than calibrations are passed over.
    """

    def __init__(
        self,
        baseline: Mapping[tuple[str, str], tuple[float, float]],
        events: Iterable[Event] = (),
    ) -> None:
        self._baseline = {key: Line(*pair) for key, pair in baseline.items()}
        self._slotted = [
            (slot_pattern(point), point)
            for point in dict.fromkeys(point for point, _ in baseline)
            if "{" in point
        ]
        self._records: dict[tuple[str, str], list[InForce]] = {}
        self.take(events)

    @classmethod
    def of_shop(cls, shop: Shop, events: Iterable[Event] = ()) -> Self:
        """Return the shop file's calibrations and what the chain made of them."""
        points = [*shop.point, *expand_points(shop.point, [bay.id for bay in shop.bay])]
        baseline = {
            (point.id, quantity): calibration(read, quantity)
            for point in points
            for quantity, read in point.reads.items()
        }
        return cls(baseline, events)

    def take(self, events: Iterable[Event]) -> set[tuple[str, str]]:
        """Take in events as they were appended; return the series that are calibrated anew.

        An event that cannot be read is passed over and named in the log.
        """
        changed: set[tuple[str, str]] = set()
        for event in events:
            if event.kind != CALIBRATION_ACCEPTED:
                continue
            try:
                record = record_from(event.data)
            except InputError as error:
                log.warning("event %d is passed over: %s", event.seq, error)
                continue
            key = (record.point, record.quantity)
            self._records.setdefault(key, []).append(InForce(record.line, event.at_us, record))
            changed.add(key)
        return changed

    def lines(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Return gain and offset of every series, as the decoder wants them."""
        newest = {key: records[-1].line for key, records in self._records.items()}
        return {**self._baseline, **newest}

    def knows(self, point: str, quantity: str) -> bool:
        """Return whether the shop file has such a point with such a quantity."""
        return self._from_file(point, quantity) is not None

    def in_force(self, point: str, quantity: str) -> InForce:
        """Return what is in force for what is taken in from now on."""
        return self.at(point, quantity, None)

    def at(self, point: str, quantity: str, seen_us: int | None) -> InForce:
        """Return what a reading was made with that was taken in at a time [µs, UTC]."""
        for entry in reversed(self._records.get((point, quantity), [])):
            # What came in the turn that took the record in had been decoded before it.
            if seen_us is None or (entry.since_us or 0) < seen_us:
                return entry
        return InForce(self._from_file(point, quantity) or PLAIN)

    def history(self, point: str, quantity: str) -> list[InForce]:
        """Return the records of a series, oldest first."""
        return list(self._records.get((point, quantity), []))

    def _from_file(self, point: str, quantity: str) -> Line | None:
        found = self._baseline.get((point, quantity))
        if found is not None:
            return found
        for pattern, template in self._slotted:
            if pattern.fullmatch(point) and (template, quantity) in self._baseline:
                return self._baseline[template, quantity]
        return None
