"""Injected time: a live shop, a demo at 60 times real speed and a test share one interface.

Times inside envmon are integer microseconds since 1970-01-01T00:00:00Z.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from envmon.errors import InputError

SECOND_US = 1_000_000
MINUTE_US = 60 * SECOND_US
HOUR_US = 3_600 * SECOND_US
DAY_US = 24 * HOUR_US


class Clock(Protocol):
    """What the rest of envmon may know about time."""

    @property
    def speed(self) -> float:
        """Clock seconds that pass per real second."""
        ...

    def now_us(self) -> int:
        """Return the time now in microseconds since 1970 [µs, UTC]."""
        ...


class SystemClock:
    """The machine's own time of day."""

    speed = 1.0

    def now_us(self) -> int:
        """Return the time now in microseconds since 1970 [µs, UTC]."""
        return time.time_ns() // 1_000


@dataclass(frozen=True, slots=True)
class ScaledClock:
    """Time that starts at a chosen moment and runs faster (or slower) than real time.

    Several processes given the same three numbers agree on the time.

    Attributes:
        real_start_us: Real time at which the clock was started [µs].
        start_us: What it showed then [µs].
        speed: Clock seconds per real second, above 0.
    """

    real_start_us: int
    start_us: int
    speed: float

    def __post_init__(self) -> None:
        if not 0 < self.speed <= 100_000:
            raise InputError(f"clock speed is {self.speed}; allowed is above 0 up to 100 000")

    def now_us(self) -> int:
        """Return the scaled time now [µs, UTC]."""
        real_us = time.time_ns() // 1_000
        return self.start_us + round((real_us - self.real_start_us) * self.speed)

    def as_text(self) -> str:
        """Return the clock as text that ``clock_from_text`` reads back in another process."""
        return f"{self.real_start_us}:{self.start_us}:{self.speed!r}"


@dataclass(slots=True)
class ManualClock:
    """Time that moves only when told; for tests and replay."""

    at_us: int
    speed: float = 1.0

    def now_us(self) -> int:
        """Return the time that was last set [µs, UTC]."""
        return self.at_us

    def advance(self, seconds: float) -> int:
        """Move on by ``seconds`` [s] and return the new time [µs]."""
        self.at_us += round(seconds * SECOND_US)
        return self.at_us


def clock_from_text(text: str | None) -> Clock:
    """Return the system clock for no text, else the scaled clock ``as_text`` described.

    Raises:
        InputError: The text is not three numbers joined by colons.
    """
    if not text:
        return SystemClock()
    try:
        real_start, start, speed = text.split(":")
        return ScaledClock(int(real_start), int(start), float(speed))
    except ValueError as error:
        raise InputError(
            f"clock setting is {text!r}; allowed is REAL_START:START:SPEED in µs, µs and a number"
        ) from error


def iso_from_us(at_us: int) -> str:
    """Return ``2026-01-14T07:00:00.250Z`` for a time [µs, UTC], to the millisecond."""
    moment = datetime.fromtimestamp(at_us // SECOND_US, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{at_us % SECOND_US // 1000:03d}Z"


def us_from_iso(text: str) -> int:
    """Return the time [µs, UTC] of an ISO 8601 text; one without an offset is taken as UTC.

    Raises:
        InputError: The text is no ISO 8601 date or date-time.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            f"time is {text!r}; allowed is ISO 8601 such as 2026-01-14T07:00:00Z"
        ) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return us_from_datetime(moment)


def us_from_datetime(moment: datetime) -> int:
    """Return the time [µs, UTC] of an aware datetime, exactly."""
    delta = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * SECOND_US + delta.microseconds
