"""A year of work in the simulated shop: who comes when, what is done, and what goes wrong.

Weekdays only; a bay gets a vehicle every one to two working days. Coated ones cure overnight, the
others leave in the evening. The heating is set back at night and at weekends. Numbers of faults a
year are guesses at a small shop's life (common practice), the same for the same seed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US
from envmon_sensors.hall import BOAT, CAMPER_VAN, MOTORCYCLE
from envmon_sensors.scenario import BAYS, local_us
from envmon_sensors.stores import BayControls, Spray

if TYPE_CHECKING:
    from envmon_sensors.stores import Vehicle


class Doing(NamedTuple):
    """Something done during a stay, in minutes after arrival."""

    kind: str
    start: float
    end: float
    level: float = 1.0


class Job(NamedTuple):
    """A kind of work: what stands there, what is done when, and the stages in order."""

    vehicle: Vehicle
    doings: tuple[Doing, ...]
    stages: tuple[tuple[str, int, int], ...]
    """(stage, planned start, minutes); the last one lasts until the vehicle leaves."""

    @property
    def overnight(self) -> bool:
        return self.stages[-1][0] == "cure"


_FOAM, _WASH, _RINSE = Spray(0.07, 42, 140), Spray(0.08, 37, 140), Spray(0.14, 37, 4)
SPRAYS = {"foam": _FOAM, "wash": _WASH, "rinse": _RINSE}
_WET = (
    Doing("door", 0, 4), Doing("foam", 40, 52), Doing("wash", 52, 64), Doing("rinse", 64, 75),
    Doing("blower", 85, 125), Doing("towel", 80, 170), Doing("fan", 85, 240, 53),
)  # fmt: skip
_FIRST = (("warm_up", 4, 36), ("foam", 40, 12), ("wash", 52, 12), ("rinse", 64, 11))
COATED = (
    *_FIRST, ("drying", 75, 120), ("polish", 195, 50), ("wipe", 250, 15), ("coating", 265, 85),
    ("early_cure", 350, 60), ("cure", 410, 0),
)  # fmt: skip
POLISHED = (*_FIRST, ("drying", 75, 100), ("polish", 180, 0))
JOBS = (
    Job(CAMPER_VAN, (*_WET, Doing("work", 0, 480)), COATED),
    Job(MOTORCYCLE, (*_WET, Doing("work", 0, 420)), COATED),
    Job(BOAT, (*_WET, Doing("work", 0, 540)), POLISHED),
)


class Stay(NamedTuple):
    """A vehicle's stay in a bay [µs]."""

    bay: str
    job: Job
    from_us: int
    to_us: int


class Mishap(NamedTuple):
    """Something that goes wrong for a time [µs]; ``where`` is a bay or a node."""

    kind: str
    where: str
    from_us: int
    to_us: int


HOLIDAYS = ((7, 6, 19), (12, 24, 31))
"""(month, first day, last day): nobody works."""
CURE_FAN_PCT = 58.0
"""Humidity above which the fan runs when nothing else is asked of it [%]."""
OPENS, CLOSES = "07:00", "17:30"


def works_on(day: date) -> bool:
    """Return whether people work on a day."""
    off = any(day.month == month and first <= day.day <= last for month, first, last in HOLIDAYS)
    return day.weekday() < 5 and not off


def stays_between(seed: int, first: date, days: int) -> dict[str, list[Stay]]:
    """Return the stays of each bay, in order of time."""
    draw = np.random.default_rng([seed, 11])
    stays: dict[str, list[Stay]] = {bay: [] for bay in BAYS}
    for day in (first + timedelta(days=n) for n in range(days)):
        for bay in BAYS:
            begins = local_us(day, OPENS) + round(draw.uniform(5, 40)) * MINUTE_US
            job, wanted = JOBS[int(draw.integers(len(JOBS)))], draw.random() < 0.75
            taken = stays[bay] and stays[bay][-1].to_us + 5 * MINUTE_US > begins
            if not works_on(day) or taken or not wanted:
                continue
            leaves = local_us(day + timedelta(days=1), "07:00") if job.overnight else None
            ends = (leaves or local_us(day, "17:00")) + round(draw.uniform(0, 20)) * MINUTE_US
            stays[bay].append(Stay(bay, job, begins, ends))
    return stays


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something goes wrong a year, and how long it lasts [h]."""

    kind: str
    where: tuple[str, ...]
    a_year: float
    least_h: float
    most_h: float
    winter: bool = False


NODES = tuple(f"{bay}/{what}" for bay in BAYS for what in ("air", "air2", "panel", "heater"))
RATES = (
    Rate("door", BAYS, 14, 0.3, 1.5),
    Rate("heater", BAYS, 4, 5, 30, winter=True),
    Rate("silent", (*NODES, "outdoor/air"), 22, 1, 60),
    Rate("radio", NODES, 150, 0.05, 0.2),
    Rate("stuck", NODES[:3] + NODES[4:7], 4, 6, 72),
    Rate("network", ("all",), 6, 0.1, 1),
)


def mishaps_between(seed: int, first: date, days: int) -> list[Mishap]:
    """Return what goes wrong, in order of time; a door is forgotten in working hours only."""
    draw = np.random.default_rng([seed, 12])
    found = []
    for rate in RATES:
        for _ in range(int(draw.poisson(rate.a_year * days / 365))):
            day = first + timedelta(days=int(draw.integers(days)))
            at_us = local_us(day, OPENS) + round(draw.uniform(0, 9)) * HOUR_US
            at_us += round(draw.uniform(0, 60)) * MINUTE_US
            if rate.kind != "door":
                at_us += round(draw.uniform(0, 15)) * HOUR_US
            where = str(draw.choice(rate.where))
            lasts_us = round(draw.uniform(rate.least_h, rate.most_h) * HOUR_US)
            if (rate.kind == "door" and not works_on(day)) or (rate.winter and 4 < day.month < 11):
                continue
            found.append(Mishap(rate.kind, where, at_us, at_us + lasts_us))
    return sorted(found, key=lambda mishap: mishap.from_us)


def setpoint_c(day: date, at_us: int, stay: Stay | None) -> float:
    """Return what the thermostat is set to: work, a cure overnight, set back, or weekend."""
    if works_on(day) and local_us(day, "05:00") <= at_us < local_us(day, CLOSES):
        return 20.5
    if stay is not None:
        return 20.0
    return 14.0 if works_on(day) else 10.0


def controls_of(day: date, at_us: int, stay: Stay | None, *, door_left: bool) -> BayControls:
    """Return doors, water, fan, people and thermostat of a bay at a time [µs].

    The door is open for five minutes before a vehicle leaves. While a coated one stands there the
    fan stays on its hygrostat.
    """
    doings: dict[str, float] = {}
    if stay is not None:
        minutes = (at_us - stay.from_us) / MINUTE_US
        doings = {d.kind: d.level for d in stay.job.doings if d.start <= minutes < d.end}
        if stay.job.overnight:
            doings.setdefault("fan", CURE_FAN_PCT)
        door_left = door_left or stay.to_us - at_us < 5 * MINUTE_US
    spray = next((SPRAYS[kind] for kind in SPRAYS if kind in doings), None)
    return BayControls(
        door_open=door_left or "door" in doings,
        spray=spray,
        fan_above_pct=doings.get("fan"),
        blower="blower" in doings,
        wipe_kg_s=0.002 if "towel" in doings else 0.0,
        setpoint_c=setpoint_c(day, at_us, stay),
        people=int("work" in doings),
    )
