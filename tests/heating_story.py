"""Made-up spans of local days for the heating log, filled by the minute."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import MINUTE_US, us_from_datetime
from envmon.heating.days import days_between, rows_of
from envmon.heating.model import BayMinutes, Winter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.heating.model import DayRow, Floats
    from envmon.shop.heat import Heater, HeatingInfo

OSLO = "Europe/Oslo"


@dataclass
class Story:
    """A made-up span of local days, filled by the minute."""

    first: date
    days: int
    zone: str = OSLO
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def start_us(self) -> int:
        return local_us(self.first, zone=self.zone)

    @property
    def minutes(self) -> int:
        after = date.fromordinal(self.first.toordinal() + self.days)
        return (local_us(after, zone=self.zone) - self.start_us) // MINUTE_US

    def flat(self, value: float) -> Floats:
        return np.full(self.minutes, value)

    def winter(self, bays: dict[str, BayMinutes], **more: Any) -> Winter:
        usual = {"outdoor_c": self.flat(-2.0), "counters": {}}
        return Winter(
            start_us=self.start_us, minutes=self.minutes, zone=self.zone, bays=bays,
            **{**usual, **more},
        )  # fmt: skip


def local_us(day: date, hour: int = 0, zone: str = OSLO) -> int:
    return us_from_datetime(datetime(day.year, day.month, day.day, hour, tzinfo=ZoneInfo(zone)))


def on_for(story: Story, hours_a_day: float) -> Floats:
    """Return a heater that runs the first hours of each local day."""
    at_us = story.start_us + np.arange(story.minutes) * MINUTE_US
    zone = ZoneInfo(story.zone)
    hour = np.array(
        [
            (moment := datetime.fromtimestamp(at / 1e6, UTC).astimezone(zone)).hour
            + moment.minute / 60
            for at in at_us.tolist()
        ]
    )
    return (hour < hours_a_day).astype(float)


def rising(count: int) -> Floats:
    """Return a meter that counts a hundredth a minute."""
    return np.linspace(0.0, (count - 1) / 100, count)


def day_rows(
    winter: Winter,
    info: HeatingInfo,
    heaters: Sequence[Heater],
    costs: Sequence[float | None] = (),
    balance_c: float | None = None,
) -> list[DayRow]:
    """Return the row of each local day that a winter touches, in order."""
    return rows_of(winter, days_between(winter, info, heaters, balance_c), costs)
