"""The script of a day in the simulated shop: who comes, when doors open, when water runs.

An invented two-bay shop in a northern harbour town looks after camper vans, motorcycles and
small boats on trailers. The same day comes round every day, in local time; the seed and the
date shift each visit by up to three minutes and each flow of water by up to a tenth.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import MINUTE_US, SECOND_US, us_from_datetime
from envmon_sensors.hall import BOAT, CAMPER_VAN, MOTORCYCLE
from envmon_sensors.stores import BayControls, Spray, Vehicle

TIME_ZONE = "America/Anchorage"
OUTDOOR_OFFSET_K = -4.0
DEMO_DAY = date(2026, 1, 27)
BAYS = ("north", "south")


def at_minutes(clock: str) -> int:
    """Return minutes after midnight for ``"06:10"``; hours may go past 24 for the next day."""
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


@dataclass(frozen=True, slots=True)
class Visit:
    """A vehicle's stay in a bay; times are local, ``leave`` may lie on the next day."""

    bay: str
    vehicle: Vehicle
    arrive: str
    leave: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something done in a bay.

    Attributes:
        bay: Where.
        kind: ``door``, ``foam``, ``hand wash``, ``rinse``, ``blower``, ``wipe``, ``fan``, ``work``.
        start: Local time.
        minutes: How long.
        level: For a fan the humidity it holds [%], for work the persons.
    """

    bay: str
    kind: str
    start: str
    minutes: float
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class StageHint:
    """When the script works on a stage, for a demo that plays the person; local times."""

    bay: str
    stage: str
    start: str
    end: str


VISITS = (
    Visit("north", CAMPER_VAN, "06:10", "29:30"),
    Visit("south", MOTORCYCLE, "07:05", "10:15"),
    Visit("south", BOAT, "10:25", "17:30"),
)
EVENTS = (
    Event("north", "door", "05:29", 3),
    Event("north", "door", "06:09", 4),
    Event("north", "foam", "06:50", 12),
    Event("north", "hand wash", "07:02", 12),
    Event("north", "rinse", "07:14", 11),
    Event("north", "wipe", "08:15", 70),
    Event("north", "blower", "07:35", 40),
    Event("north", "fan", "08:55", 70, 54),
    Event("north", "fan", "11:32", 25, 51),
    Event("north", "work", "06:10", 470),
    Event("south", "door", "07:04", 3),
    Event("south", "foam", "07:30", 6),
    Event("south", "rinse", "07:38", 10),
    Event("south", "wipe", "07:50", 25),
    Event("south", "fan", "07:50", 120, 52),
    Event("south", "work", "07:05", 190),
    Event("south", "door", "10:14", 2),
    Event("south", "door", "10:24", 5),
    Event("south", "foam", "10:50", 12),
    Event("south", "rinse", "11:02", 24),
    Event("south", "wipe", "11:30", 50),
    Event("south", "fan", "11:30", 150, 52),
    Event("south", "work", "10:25", 425),
    Event("south", "door", "17:29", 4),
)
STAGES = (
    StageHint("north", "warm_up", "06:14", "06:50"),
    StageHint("north", "foam", "06:50", "07:02"),
    StageHint("north", "wash", "07:02", "07:14"),
    StageHint("north", "rinse", "07:14", "07:25"),
    StageHint("north", "drying", "07:25", "09:25"),
    StageHint("north", "polish", "09:25", "10:10"),
    StageHint("north", "wipe", "10:12", "10:24"),
    StageHint("north", "coating", "10:30", "12:00"),
    StageHint("north", "early_cure", "12:00", "13:00"),
    StageHint("north", "cure", "13:00", "29:30"),
    StageHint("south", "warm_up", "07:08", "07:30"),
    StageHint("south", "foam", "07:30", "07:36"),
    StageHint("south", "rinse", "07:38", "07:48"),
    StageHint("south", "drying", "07:50", "08:30"),
    StageHint("south", "wipe", "08:35", "08:45"),
    StageHint("south", "coating", "08:50", "09:10"),
    StageHint("south", "early_cure", "09:10", "10:12"),
    StageHint("south", "warm_up", "10:30", "10:50"),
    StageHint("south", "foam", "10:50", "11:02"),
    StageHint("south", "rinse", "11:02", "11:26"),
    StageHint("south", "drying", "11:26", "13:00"),
    StageHint("south", "polish", "13:00", "16:30"),
)
_SPRAYS = {
    "north": {
        "foam": Spray(0.07, 42.0, 140.0),
        "hand wash": Spray(0.08, 37.0, 140.0),
        "rinse": Spray(0.16, 37.0, 4.0),
    },
    "south": {"foam": Spray(0.05, 42.0, 140.0), "rinse": Spray(0.12, 34.0, 5.0)},
}
_SETPOINTS_C = {"north": (20.5, 20.0), "south": (20.0, 17.0)}


@dataclass(frozen=True, slots=True)
class DayVariation:
    """How one day differs: shift per bay [min] and factor on water flows."""

    shift_min: dict[str, float]
    flow_factor: dict[str, float]


@lru_cache(maxsize=16)
def day_variation(seed: int, day: date) -> DayVariation:
    """Return the variation of a day; the same seed and date give the same."""
    draw = np.random.default_rng([seed, day.toordinal()])
    shifts = {bay: round(float(draw.uniform(-3, 3)), 1) for bay in BAYS}
    factors = {bay: float(draw.uniform(0.9, 1.1)) for bay in BAYS}
    return DayVariation(shifts, factors)


def local_us(day: date, clock: str) -> int:
    """Return the time of a local clock on a day, next day for hours past 24 [µs, UTC]."""
    minutes = at_minutes(clock)
    moment = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(TIME_ZONE))
    moment += timedelta(minutes=minutes)  # wall-clock arithmetic: 06:10 stays 06:10 over DST
    return us_from_datetime(moment.astimezone(UTC))


def demo_start_us() -> int:
    """Return the start of the demo: 06:00 local time on the demo day [µs, UTC]."""
    return local_us(DEMO_DAY, "06:00")


def local_day(at_us: int) -> date:
    """Return the local date at a time [µs, UTC]."""
    return datetime.fromtimestamp(at_us // SECOND_US, ZoneInfo(TIME_ZONE)).date()


@lru_cache(maxsize=16)
def _timed_day(seed: int, day: date) -> tuple[tuple[int, int, Event | Visit], ...]:
    """Return start [µs], end [µs] and entry of all visits and events of a day's script."""
    shifts = day_variation(seed, day).shift_min
    entries: list[tuple[int, int, Event | Visit]] = []
    for entry in (*VISITS, *EVENTS):
        shift_us = round(shifts[entry.bay] * MINUTE_US)
        if isinstance(entry, Visit):
            start, end = local_us(day, entry.arrive), local_us(day, entry.leave)
        else:
            start = local_us(day, entry.start)
            end = start + round(entry.minutes * MINUTE_US)
        entries.append((start + shift_us, end + shift_us, entry))
    return tuple(entries)


@dataclass(frozen=True, slots=True)
class Scenario:
    """The script for a seed."""

    seed: int

    def vehicle(self, bay: str, at_us: int) -> Vehicle | None:
        """Return what stands in a bay at a time [µs]."""
        today = local_day(at_us)
        for day in (today, today - timedelta(days=1)):
            for start, end, entry in _timed_day(self.seed, day):
                if isinstance(entry, Visit) and entry.bay == bay and start <= at_us < end:
                    return entry.vehicle
        return None

    def events(self, bay: str, at_us: int) -> list[Event]:
        """Return what is being done in a bay at a time [µs]."""
        return [
            entry
            for start, end, entry in _timed_day(self.seed, local_day(at_us))
            if isinstance(entry, Event) and entry.bay == bay and start <= at_us < end
        ]

    def stage(self, bay: str, at_us: int) -> str | None:
        """Return the stage the person in the script works on at a time [µs], or None."""
        today = local_day(at_us)
        for day in (today, today - timedelta(days=1)):
            shift_us = round(day_variation(self.seed, day).shift_min[bay] * MINUTE_US)
            for hint in STAGES:
                start, end = (local_us(day, clock) + shift_us for clock in (hint.start, hint.end))
                if hint.bay == bay and start <= at_us < end:
                    return hint.stage
        return None

    def controls(self, bay: str, at_us: int) -> BayControls:
        """Return doors, water, fan, people and thermostat of a bay at a time [µs]."""
        active = {event.kind: event for event in self.events(bay, at_us)}
        day = local_day(at_us)
        by_day = local_us(day, "05:00") <= at_us < local_us(day, "18:00")
        return BayControls(
            door_open="door" in active,
            spray=self.spray(
                bay, next((kind for kind in _SPRAYS[bay] if kind in active), None), day
            ),
            fan_above_pct=active["fan"].level if "fan" in active else None,
            blower="blower" in active,
            wipe_kg_s=0.002 if "wipe" in active else 0.0,
            setpoint_c=_SETPOINTS_C[bay][0 if by_day else 1],
            people=int(active["work"].level) if "work" in active else 0,
        )

    def spray(self, bay: str, kind: str | None, day: date) -> Spray | None:
        """Return the water of a kind of wash, varied by the day; no kind gives none."""
        if kind is None:
            return None
        plain = _SPRAYS[bay][kind]
        flow_kg_s = plain.flow_kg_s * day_variation(self.seed, day).flow_factor[bay]
        return Spray(flow_kg_s, plain.temp_c, plain.solids_ppm)
