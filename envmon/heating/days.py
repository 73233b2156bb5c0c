"""The log's day rows: weather, bays, run time, energy, degree days, work and notes."""

from __future__ import annotations

import math
from bisect import bisect_right
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.clock import DAY_US, HOUR_US
from envmon.heating.degree_days import DegreeDays, degree_days
from envmon.heating.energy import EnergyUse, HeatBy, energy_between
from envmon.heating.faults import day_faults
from envmon.heating.local import WHOLE_SHARE as WHOLE
from envmon.heating.local import Between, LocalDays, between, days_of
from envmon.heating.model import DayRow
from envmon.heating.runtime import run_share
from envmon.heating.tidy import to_decimals

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date

    from envmon.heating.model import Floats, Ints, Kind, Span, Winter
    from envmon.heating.runtime import Bools, RunTime
    from envmon.shop.heat import Heater, HeatingInfo

WHOLE_SHARE = WHOLE
"""With less than this of what the winter has a day is partial."""
WASH_STAGES = frozenset({"foam", "wash", "rinse"})
USUAL_BASE_C = 18.0


class Days(NamedTuple):
    """Everything about the local days of a winter, before it becomes rows; arrays are (d,).

    Attributes:
        local: The days.
        outdoor: Outdoors.
        indoor: The bays, by id.
        runs: The bays' run time by the minute.
        run: Run time of the heated bays.
        inferred: Whether more than an hour of it is inferred, of each heated bay.
        energy: Energy.
        degree_days: Degree days; None without outdoor data.
    """

    local: LocalDays
    outdoor: Between | None
    indoor: Mapping[str, Between]
    runs: Mapping[str, RunTime]
    run: Mapping[str, Between]
    inferred: Mapping[str, Bools]
    energy: EnergyUse
    degree_days: DegreeDays | None


def days_between(
    winter: Winter, info: HeatingInfo, heaters: Sequence[Heater], balance_c: float | None = None
) -> Days:
    """Return what the days of a winter come to.

    Args:
        winter: What the log is made from.
        info: The shop's ``[heating]``.
        heaters: Its ``[[heater]]``.
        balance_c: The shop's own balance point [°C], for the base ``"balance"``; without it 18 °C.
    """
    local = days_of(winter)
    edges, start = local.edges_us, winter.start_us
    by_bay = {heater.bay: heater for heater in heaters}
    runs = {bay: run_share(of, by_bay.get(bay)) for bay, of in winter.bays.items()}
    heat = HeatBy(info, heaters, runs)
    outdoor = winter.outdoor_c
    return Days(
        local,
        None if outdoor is None else between(outdoor, start, edges),
        {bay: between(of.air_c, start, edges)
         for bay, of in winter.bays.items() if of.air_c is not None},
        runs,
        {bay: between(runs[bay].share, start, edges) for bay in heat.heated},
        {bay: _inferred(runs[bay], start, edges) for bay in heat.heated},
        energy_between(winter, heat, edges),
        None if outdoor is None
        else degree_days(outdoor, start, edges, base_c(info, balance_c), info.method),
    )  # fmt: skip


def _inferred(run: RunTime, start_us: int, edges_us: Ints) -> Bools:
    """Return of each day whether more than an hour of its run time is inferred."""
    cut = between(run.inferred.astype(float), start_us, edges_us)
    inferred: Bools = cut.mean * cut.share > 1 - WHOLE_SHARE
    return inferred


def base_c(info: HeatingInfo, balance_c: float | None) -> float:
    """Return the base of degree days [°C]; 18 while the shop's balance point is not known."""
    if info.base == "balance":
        return USUAL_BASE_C if balance_c is None else balance_c
    return info.base


def rows_of(winter: Winter, days: Days, costs: Sequence[float | None] = ()) -> list[DayRow]:
    """Return the rows of days that are worked out.

    Args:
        winter: What the days are from.
        days: From ``days_between``.
        costs: Cost of each day, or nothing.
    """
    work, faults = _work(winter, days.local), day_faults(winter, days)
    rows = [_row(days, place, work, costs) for place in range(len(days.local.dates))]
    return [msgspec.structs.replace(row, faults=faults.get(row.day, ())) for row in rows]


class _Work(NamedTuple):
    """What people did and noted, by local day."""

    washes: list[int]
    jobs: list[tuple[str, ...]]
    notes: list[tuple[str, ...]]


def _row(days: Days, place: int, work: _Work, costs: Sequence[float | None]) -> DayRow:
    hours = float(days.local.hours[place])
    out, use = days.outdoor, days.energy
    run_h, run_kind = _run(days, place)
    return DayRow(
        day=days.local.dates[place],
        hours=hours,
        outdoor_mean_c=_at(out.mean, place) if out else None,
        outdoor_low_c=_at(out.low, place) if out else None,
        outdoor_h=to_decimals(hours * float(out.share[place])) if out else 0.0,
        indoor_mean_c=_of_all([at.mean[place] for at in days.indoor.values()], np.mean),
        indoor_low_c=_of_all([at.low[place] for at in days.indoor.values()], np.min),
        run_h=run_h,
        run_kind=run_kind,
        fuel=_at(use.fuel, place),
        energy_kwh=_at(use.energy_kwh, place),
        heat_kwh=_at(use.heat_kwh, place),
        energy_kind=use.kind if math.isfinite(use.energy_kwh[place]) else "unknown",
        cost=costs[place] if place < len(costs) else None,
        degree_days=_at(days.degree_days.value, place) if days.degree_days else None,
        partial=_partial(days, place),
        washes=work.washes[place],
        jobs=work.jobs[place],
        notes=work.notes[place],
    )


def _at(values: Floats, place: int) -> float | None:
    value = float(values[place])
    return to_decimals(value) if math.isfinite(value) else None


def _of_all(values: Sequence[float], how: Callable[[list[float]], np.floating]) -> float | None:
    known = [float(value) for value in values if math.isfinite(value)]
    return to_decimals(float(how(known))) if known else None


def _run(days: Days, place: int) -> tuple[float | None, Kind]:
    """Return hours run of all heated bays, and how they were come by; unknown if one bay's is."""
    known = {bay: cut for bay, cut in days.run.items() if cut.minutes[place] > 0}
    if not known or len(known) < len(days.run):
        return None, "unknown"
    run_h = sum(float(cut.total_min[place]) / 60 for cut in known.values())
    inferred = any(days.inferred[bay][place] for bay in known)
    return to_decimals(run_h), "inferred" if inferred else "measured"


def _partial(days: Days, place: int) -> bool:
    """Return whether a day lacks more than an hour of what the winter has at all."""
    shares = [cut.share for cut in days.indoor.values()]
    shares += [cut.share for cut in days.run.values() if cut.share.any()]
    shares += [days.outdoor.share] if days.outdoor else []
    shares += [days.energy.share] if days.energy.kind != "unknown" else []
    return any(share[place] < WHOLE_SHARE for share in shares)


def _work(winter: Winter, local: LocalDays) -> _Work:
    """Return washes begun, jobs open and notes of each day."""
    edges = local.edges_us.tolist()
    spans = list(pairwise(edges))
    begun = [bisect_right(edges, at_us) - 1 for at_us in washes_us(winter.stages)]
    noted: dict[date, tuple[str, ...]] = dict.fromkeys(local.dates, ())
    for day, text in winter.notes:
        if day in noted:
            noted[day] = (*noted[day], text)
    return _Work(
        [begun.count(place) for place in range(len(spans))],
        [_open(winter.jobs, first, after) for first, after in spans],
        list(noted.values()),
    )


def _open(jobs: Sequence[Span], first_us: int, after_us: int) -> tuple[str, ...]:
    found = [
        job.what
        for job in jobs
        if job.from_us < after_us and (job.to_us is None or job.to_us > first_us)
    ]
    return tuple(dict.fromkeys(found))


def washes_us(stages: Sequence[Span]) -> list[int]:
    """Return when washes began: wet stages of a bay that follow within two hours are one [µs]."""
    last: dict[str, int] = {}
    begun = []
    for stage in sorted(stages, key=lambda stage: stage.from_us):
        if stage.what not in WASH_STAGES:
            continue
        if stage.from_us - last.get(stage.bay, -2 * DAY_US) > 2 * HOUR_US:
            begun.append(stage.from_us)
        last[stage.bay] = max(last.get(stage.bay, 0), stage.to_us or stage.from_us)
    return begun
