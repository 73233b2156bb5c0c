"""The facts everything is made from: a reading of a sensor, a forecast, and an event."""

from __future__ import annotations

from enum import IntFlag
from typing import Any, NamedTuple

import msgspec


class Flag(IntFlag):
    """What is known against a reading; 0 is a good one. Kept with the reading for ever."""

    GOOD = 0
    LATE = 1
    """Older than what was already known of its point and quantity, or than it may be."""
    CLOCK = 2
    """Its own time lies in the future: the sensor's clock is wrong."""
    RANGE = 4
    """Outside what a working sensor can send."""
    SPIKE = 8
    """A leap from the one before that the next has not confirmed yet."""
    RATE = 16
    """Changed faster than the air of a bay can; a doubt, not a verdict."""
    FLAT = 32
    """Has not moved for longer than a working sensor can stand still."""
    WET = 64
    """A humidity sensor at its upper end for long: wet, and reads high; a doubt."""
    APART = 128
    """Other sensors of the same air said something else; a doubt, since nobody knows who errs."""

    @property
    def usable(self) -> bool:
        """Whether the reading may speak for the present."""
        return not self & _BARRED

    @property
    def charted(self) -> bool:
        """Whether it is a true value of its time, however late it came."""
        return not self & _BARRED & ~Flag.LATE


DOUBTS = Flag.RATE | Flag.WET | Flag.APART
"""What is kept beside a reading without taking its word away."""
_BARRED = ~DOUBTS


PARTS = 1_000
"""Values are kept in thousandths of their unit, so that sums repeat exactly."""


def kept_value(value: float) -> float:
    """Return the value as it is kept: a whole number of thousandths of its unit.

    No sensor of a bay resolves more, and the archive holds such values as integers. A value too
    large for that (beyond 2**53 thousandths) stays as it is.
    """
    scaled = value * PARTS
    return round(scaled) / PARTS if -(2.0**53) < scaled < 2.0**53 else value


class Reading(NamedTuple):
    """One number from one sensor.

    Attributes:
        point: Id of the point.
        quantity: Name of the quantity; the value is in its unit.
        t_us: When it was true: the payload's own time, else arrival [µs, UTC].
        value: Calibrated, finite number.
        flag: What is known against it.
        seen_us: When envmon took it in [µs, UTC]; replay follows this order.
    """

    point: str
    quantity: str
    t_us: int
    value: float
    flag: Flag
    seen_us: int


class Foretold(NamedTuple):
    """What a point says the weather will be.

    Attributes:
        point: Id of the point.
        t_us: The time it speaks of [µs, UTC].
        temp_c: Outdoor temperature then [°C].
        heard_us: When it was said, as far as that is known [µs, UTC].
    """

    point: str
    t_us: int
    temp_c: float
    heard_us: int


class NewEvent(NamedTuple):
    """An event that has no place in the chain yet."""

    at_us: int
    kind: str
    bay: str
    data: dict[str, Any]


CALIBRATION_ACCEPTED = "calibration_accepted"
"""Event: a sensor is calibrated anew; it counts for what is taken in after it."""


JOB_OPENED = "job_opened"
"""Event: a vehicle is in the bay; its own procedure and products decide from here on."""
JOB_CLOSED = "job_closed"
"""Event: it has left the bay."""
OUTLOOK_SAID = "outlook_said"
"""Event: the outlook of a stage being worked changed in kind: ``stage``, ``leaves_from`` and
``leaves_to`` (ISO times; both None: it does not leave its window soon)."""
CURE_FITNESS = "cure_fitness"
"""Event: the guard found that the cure window of a coated vehicle has another verdict."""


class Event(msgspec.Struct, frozen=True):
    """One entry of the append-only chain.

    Attributes:
        seq: Place in the chain, from 1.
        at_us: When it happened [µs, UTC].
        kind: What happened, such as ``stage_started`` or ``alarm_raised``.
        bay: Id of the bay, or empty for the whole shop.
        data: Further facts, JSON types only.
        hash: SHA-256 over this entry and the hash of the one before, as hex.
    """

    seq: int
    at_us: int
    kind: str
    bay: str
    data: dict[str, Any]
    hash: str
