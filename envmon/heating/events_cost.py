"""What a job and an opening of the door cost in heat: estimates, each with its range.

A job's heat is what the bay took while the job held it, above idle. Idle is what the same bay takes
at the same hours of the same kind of day without a job, put right for the outdoors. Jobs leave heat
in slab and walls, so idle hours after them take less: in the simulated shop the estimate was 16 to
18 % below what jobs truly took while they held the bay. An opening's heat follows from the air
exchanged at the temperatures measured while it was open.

Prices are those of the hour, without standing charges, which are there anyway.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.heating.money_round import digits_of
from envmon.heating.money_times import offsets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from envmon.heating.bay_heat import BayHeat
    from envmon.heating.model import Floats, Ints, Span

    Bools = NDArray[np.bool_]

CELLS, BLOCK_H = 16, 3
"""Kinds of day and time with an idle level of their own: blocks of hours, weekends apart."""
LEAST_IDLE_H = 12
"""Idle hours each of them needs."""
LEAST_SHARE = 0.9
"""So much of a job's hours must be known."""
GAP_MIN = 2
"""A door shut for less than this is the same opening."""


class BayHours(NamedTuple):
    """A bay by the hour.

    Attributes:
        bay: Its id.
        start_us: First hour [µs].
        kwh: Energy of the fuel in each hour [kWh] (h,); NaN where not known.
        outdoor_c: Mean outdoors [°C] (h,).
        price_kwh: Price of a kWh [currency] (h,); NaN where not known.
        zone: The shop's time zone.
        currency: ISO 4217.
    """

    bay: str
    start_us: int
    kwh: Floats
    outdoor_c: Floats
    price_kwh: Floats
    zone: str
    currency: str


class JobCost(NamedTuple):
    """What a job took.

    Attributes:
        job: Its id.
        bay: Where.
        hours: How long it held the bay, in the log.
        kwh: Energy the bay took meanwhile.
        above: Of that what an idle bay would not have taken [kWh]; None where idle is not known.
        within: Nine cases of ten lie in this range [kWh].
        cost: What ``above`` cost; None where no price is known.
        rests: What it rests on.
    """

    job: str
    bay: str
    hours: float
    kwh: float | None
    above: float | None
    within: tuple[float, float] | None
    cost: Decimal | None
    rests: str


class Idle(NamedTuple):
    """What a bay takes without a job.

    Attributes:
        expected: In each hour [kWh] (h,); NaN where it cannot be told.
        day_sd: Deviation of whole days from it [kWh].
        days: Days of idle hours it rests on.
    """

    expected: Floats
    day_sd: float
    days: float


def job_costs(hours: BayHours, jobs: Sequence[Span]) -> list[JobCost]:
    """Return what each job of a bay took above idle, in order.

    Args:
        hours: The bay.
        jobs: Jobs; those of other bays are left out.
    """
    own = [job for job in jobs if job.bay == hours.bay]
    held = [_share(hours, job) for job in own]
    at_work = np.sum(held, axis=0) if held else np.zeros(len(hours.kwh))
    idle = idle_of(hours, at_work > 0)
    # Two jobs in one bay at a time share its heat.
    crowd = np.maximum(at_work, 1.0)
    return [_job(hours, job, of / crowd, idle) for job, of in zip(own, held, strict=True)]


def _share(hours: BayHours, job: Span) -> Floats:
    """Return the share of each hour that a job held the bay."""
    begins = hours.start_us + np.arange(len(hours.kwh)) * HOUR_US
    to_us = begins[-1] + HOUR_US if job.to_us is None else job.to_us
    lasts = np.minimum(begins + HOUR_US, to_us) - np.maximum(begins, job.from_us)
    return np.clip(lasts / HOUR_US, 0.0, 1.0)


def idle_of(hours: BayHours, held: Bools) -> Idle:
    """Return what the bay takes without a job, learned from the hours without one.

    Args:
        hours: The bay.
        held: Hours in which a job held it (h,).
    """
    free = np.isfinite(hours.kwh) & np.isfinite(hours.outdoor_c) & ~held
    cell = _cells(hours)
    count = np.bincount(cell[free], minlength=CELLS)
    # A block that is never idle on weekdays goes by weekends, and the other way round.
    other = (np.arange(CELLS) + CELLS // 2) % CELLS
    stands = np.where(count >= LEAST_IDLE_H, np.arange(CELLS), other)
    told = np.flatnonzero(count >= LEAST_IDLE_H)
    if not len(told):
        return Idle(np.full(len(held), np.nan), np.nan, 0.0)
    return _fitted(hours, stands[cell], free & np.isin(cell, told), told)


def _cells(hours: BayHours) -> Ints:
    """Return kind of day and block of hours of each hour, 0…15."""
    begins = hours.start_us + np.arange(len(hours.kwh)) * HOUR_US
    since, offset = offsets(int(begins[0]), int(begins[-1]) + HOUR_US, hours.zone)
    wall = begins + offset[np.searchsorted(since, begins, side="right") - 1]
    weekend = (wall // DAY_US + 3) % 7 >= 5
    cells: Ints = weekend * 8 + wall % DAY_US // (BLOCK_H * HOUR_US)
    return cells


def _fitted(hours: BayHours, cell: Ints, free: Bools, told: Ints) -> Idle:
    levels = (cell[:, None] == told).astype(float)
    columns = np.hstack((levels, hours.outdoor_c[:, None]))
    found = np.linalg.lstsq(columns[free], hours.kwh[free], rcond=None)[0]
    expected = np.where(np.isin(cell, told), np.maximum(columns @ found, 0.0), np.nan)
    off = np.where(free, hours.kwh - expected, np.nan)
    whole = off[: len(off) // 24 * 24].reshape(-1, 24)
    some = np.isfinite(whole).sum(axis=1) >= 6
    if some.sum() < 3:
        day_sd = float(np.nanstd(off)) * 24
    else:
        day_sd = float(np.sqrt(np.mean((np.nanmean(whole[some], axis=1) * 24) ** 2)))
    return Idle(expected, day_sd, float(free.sum()) / 24)


def _job(hours: BayHours, job: Span, held: Floats, idle: Idle) -> JobCost:
    lasts = float(held.sum())
    inside = held > 0
    known = inside & np.isfinite(hours.kwh) & np.isfinite(idle.expected)
    metered = inside & np.isfinite(hours.kwh)
    if lasts == 0 or held[metered].sum() < LEAST_SHARE * lasts:
        return JobCost(job.what, job.bay, lasts, None, None, None, None, "its heat is not known")
    kwh = float(held[metered] @ hours.kwh[metered])
    if held[known].sum() < LEAST_SHARE * lasts:
        rests = "the bay was never idle long enough to tell"
        return JobCost(job.what, job.bay, lasts, kwh, None, None, None, rests)
    more = held[known] * (hours.kwh[known] - idle.expected[known])
    above = float(more.sum())
    half = 1.645 * idle.day_sd * float(np.sqrt(lasts / 24))
    cost = _money(float(more @ hours.price_kwh[known]), hours.currency)
    rests = f"{idle.days:.0f} days of the bay without a job"
    return JobCost(job.what, job.bay, lasts, kwh, above, (above - half, above + half), cost, rests)


def _money(value: float, currency: str) -> Decimal | None:
    if not math.isfinite(value):
        return None
    # As half_up of the fraction, twenty times as fast: a winter has thousands of openings.
    return Decimal(value).quantize(Decimal(1).scaleb(-digits_of(currency)), ROUND_HALF_UP)


class Opening(NamedTuple):
    """A door held open, for a vehicle or for air.

    Attributes:
        bay: Where.
        from_us: When [µs].
        minutes: How long.
        kwh: Energy of the fuel it takes to make good [kWh]; None where temperatures lack.
        within: Nine cases of ten lie in this range [kWh].
        cost: In the shop's currency; None where no price is known.
        rests: What it rests on.
    """

    bay: str
    from_us: int
    minutes: float
    kwh: float | None
    within: tuple[float, float] | None
    cost: Decimal | None
    rests: str


class DoorMinutes(NamedTuple):
    """A bay's door by the minute.

    Attributes:
        bay: Its id.
        start_us: First minute [µs].
        open: Share of each minute it was open (n,).
        air_c: Air [°C] (n,).
        outdoor_c: Outdoors [°C] (n,).
        price_kwh: Price of a kWh (n,); NaN where not known.
    """

    bay: str
    start_us: int
    open: Floats
    air_c: Floats
    outdoor_c: Floats
    price_kwh: Floats


def openings(door: DoorMinutes, heat: BayHeat, efficiency: float, currency: str) -> list[Opening]:
    """Return each opening of a door with the heat it took.

    Args:
        door: The door.
        heat: What the bay's heat goes by.
        efficiency: Heat into the bay over energy of the fuel.
        currency: ISO 4217.
    """
    opened = np.nan_to_num(door.open)
    lost = door_k15_h(door.open, door.air_c, door.outdoor_c)
    factor = heat.door_w_k15.times(1 / 1000 / efficiency)
    stretches = _stretches(opened > 0)
    sums = [_sums(values, stretches) for values in (opened, lost, lost * door.price_kwh)]
    found = []
    for (first, _), minutes, k15_h, priced in zip(stretches, *sums, strict=True):
        from_us = door.start_us + first * MINUTE_US
        if not math.isfinite(k15_h):
            found.append(Opening(door.bay, from_us, minutes, None, None, None, "temperatures lack"))
            continue
        kwh = factor.times(k15_h)
        cost = _money(priced * factor.value, currency)
        within = (kwh.low, kwh.high)
        found.append(Opening(door.bay, from_us, minutes, kwh.value, within, cost, heat.door_rests))
    return found


def _sums(values: Floats, stretches: Sequence[tuple[int, int]]) -> list[float]:
    """Return the sum of each stretch."""
    if not stretches:
        return []
    edges = np.array(stretches).ravel()
    sums: list[float] = np.add.reduceat(np.append(values, 0.0), edges)[::2].tolist()
    return sums


def door_k15_h(is_open: Floats, air_c: Floats, outdoor_c: Floats) -> Floats:
    """Return what an open door's loss is proportional to in each minute [K^1.5·h]; NaN unknown."""
    apart_k = np.maximum(air_c - outdoor_c, 0.0)
    return np.where(is_open > 0, is_open * apart_k**1.5 / 60, 0.0)


def _stretches(inside: Bools) -> list[tuple[int, int]]:
    """Return first and last place of each stretch; short gaps are bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(int), [0]))))
    found: list[tuple[int, int]] = []
    for first, last in edges.reshape(-1, 2).tolist():
        if found and first - found[-1][1] < GAP_MIN:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found
