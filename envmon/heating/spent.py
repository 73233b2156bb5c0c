"""Who took the heat: each bay's share of it by the hour, its jobs, its door, and where it went."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US
from envmon.errors import InputError
from envmon.heating.bay_heat import USUAL
from envmon.heating.change_bays import of_bay, whose
from envmon.heating.compare import Days as BayDays
from envmon.heating.days import washes_us
from envmon.heating.events_cost import BayHours, DoorMinutes, job_costs, openings
from envmon.heating.local import WHOLE_SHARE, between
from envmon.heating.sides import cut
from envmon.heating.signature import signature
from envmon.heating.whereto import BayTimes, Stretch, where_heat_went
from envmon.heating.words import day_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from envmon.heating.bay_heat import BayHeat
    from envmon.heating.changes import Change
    from envmon.heating.days import Days
    from envmon.heating.energy import HeatBy
    from envmon.heating.events_cost import JobCost, Opening
    from envmon.heating.model import Floats, Ints, Winter
    from envmon.heating.signature import Signature
    from envmon.heating.whereto import Waterfall

    Bools = NDArray[np.bool_]

LEARNED_SHARE = 0.9
"""What is learned holds on a side of a change with this share of its days on it."""


class Spent(NamedTuple):
    """What took the heat.

    Attributes:
        jobs: Each job's heat above idle.
        openings: Each opening of a door.
        where: Where the heat of each bay went.
        loss_w_k: Heat lost by each bay for a kelvin, since the last change, where its days tell it
            [W/K].
    """

    jobs: tuple[JobCost, ...] = ()
    openings: tuple[Opening, ...] = ()
    where: tuple[Waterfall, ...] = ()
    loss_w_k: Mapping[str, float] = {}


class Scene(NamedTuple):
    """What it is worked out from.

    Attributes:
        winter: Everything the log is worked out from.
        heat: Heating of the shop and the bays' run time.
        edges_us: Where the log's hours begin and the last one ends [µs] (h + 1,).
        price_kwh: What one kWh more costs in each (h,); NaN where not known.
        bays: What each bay's heat goes by; what is usual for those that are not in it.
        changes: Days from which on the building or its use was another.
    """

    winter: Winter
    heat: HeatBy
    edges_us: Ints
    price_kwh: Floats
    bays: Mapping[str, BayHeat] = {}
    changes: tuple[Change, ...] = ()

    @property
    def currency(self) -> str:
        """Currency of every amount."""
        return self.heat.info.currency

    def by_minute(self, of_hours: Floats) -> Floats:
        """Return values of hours for each minute of the winter."""
        at = np.arange(self.winter.minutes) * MINUTE_US + self.winter.start_us - self.edges_us[0]
        found: Floats = of_hours[np.clip(at // HOUR_US, 0, len(of_hours) - 1)]
        return found


def spent_of(scene: Scene, days: Days) -> Spent:
    """Return what took the heat.

    Args:
        scene: What it is worked out from.
        days: The days, worked out.
    """
    jobs: list[JobCost] = []
    opened: list[Opening] = []
    where: list[Waterfall] = []
    losses: dict[str, float] = {}
    for bay, kwh in shares_of(scene, days).items():
        own = scene.bays.get(bay, USUAL)
        if any(job.bay == bay for job in scene.winter.jobs):
            jobs += job_costs(_hours(scene, bay, kwh), scene.winter.jobs)
        opened += _opened(scene, bay, own)
        sides = _sides(scene, days, bay, kwh)
        now = sides[-1].line
        losses |= {} if now is None else {bay: now.loss_w_k}
        of_own = scene._replace(changes=of_bay(scene.changes, bay))
        stretches = [_within(of_own, kwh, one, own, days) for one in sides]
        found = where_heat_went(_times(scene, bay, kwh), own, stretches)
        where += [found] if found is not None else []
    return Spent(tuple(jobs), tuple(opened), tuple(where), losses)


def changes_by_bay(scene: Scene, days: Days) -> tuple[Change, ...]:
    """Return the scene's changes, each with the bays it is of.

    Args:
        scene: What it is worked out from.
        days: The days, worked out.
    """
    outdoor, energy = days.outdoor, days.energy
    if not scene.changes or outdoor is None:
        return scene.changes
    whole = (energy.share >= WHOLE_SHARE) & (outdoor.share >= WHOLE_SHARE)
    bays = {
        bay: BayDays(
            np.where(whole, outdoor.mean, np.nan),
            _by_day(scene, days, kwh),
            days.indoor[bay].mean if bay in days.indoor else None,
        )
        for bay, kwh in shares_of(scene, days).items()
    }
    return whose(scene.changes, days.local.dates, bays)


def shares_of(scene: Scene, days: Days) -> dict[str, Floats]:
    """Return each heated bay's energy by the hour [kWh] (h,); NaN where not known.

    A day's energy is shared by run time times output; bays count alike where an output is not
    known. A day without any run time is shared evenly.
    """
    heat, edges = scene.heat, scene.edges_us
    outputs = {bay: heater.output if (heater := heat.heater(bay)) else None for bay in heat.heated}
    alike = any(output is None for output in outputs.values())
    gave = {
        bay: between(heat.runs[bay].share, scene.winter.start_us, edges).mean
        * (1.0 if alike else outputs[bay] or 1.0) / heat.efficiency(bay)
        for bay in heat.heated
    }  # fmt: skip
    place = np.clip(np.searchsorted(days.local.edges_us, edges[:-1], "right") - 1, 0, None)
    size = len(days.local.dates)
    total = np.sum(list(gave.values()), axis=0) if gave else np.zeros(0)
    of_day = np.bincount(place, np.nan_to_num(total), size) if gave else np.zeros(0)
    hours = np.bincount(place, minlength=size)
    energy = np.where(days.energy.share > 0, days.energy.energy_kwh, np.nan)
    found = {}
    for bay, weight in gave.items():
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(
                of_day[place] > 0, weight / of_day[place], 1 / hours[place] / len(gave)
            )
        found[bay] = share * energy[place]
    return found


def _hours(scene: Scene, bay: str, kwh: Floats) -> BayHours:
    outdoor = scene.winter.outdoor_c
    unknown = np.full(len(kwh), np.nan)
    start = scene.winter.start_us
    cold = unknown if outdoor is None else between(outdoor, start, scene.edges_us).mean
    first = int(scene.edges_us[0])
    price = scene.price_kwh
    return BayHours(bay, first, kwh, cold, price, scene.winter.zone, scene.currency)


def _opened(scene: Scene, bay: str, heat: BayHeat) -> list[Opening]:
    of, outdoor_c = scene.winter.bays[bay], scene.winter.outdoor_c
    if of.door_open is None or of.air_c is None or outdoor_c is None:
        return []
    price = scene.by_minute(scene.price_kwh)
    door = DoorMinutes(bay, scene.winter.start_us, of.door_open, of.air_c, outdoor_c, price)
    return openings(door, heat, scene.heat.efficiency(bay), scene.currency)


def _times(scene: Scene, bay: str, kwh: Floats) -> BayTimes:
    winter, of = scene.winter, scene.winter.bays[bay]
    unknown = np.full(winter.minutes, np.nan)
    known = np.isfinite(kwh)
    heat_kwh = float(kwh[known].sum()) * scene.heat.efficiency(bay) if known.any() else None
    outdoor = unknown if winter.outdoor_c is None else winter.outdoor_c
    told = _told(scene, kwh)
    door = None if of.door_open is None else of.door_open[told]
    air = unknown if of.air_c is None else of.air_c
    washes = len(washes_us([stage for stage in winter.stages if stage.bay == bay]))
    return BayTimes(
        bay, heat_kwh, air[told], outdoor[told], door, washes,
        tuple(_arrivals(winter, bay, outdoor)),
    )  # fmt: skip


def _arrivals(winter: Winter, bay: str, outdoor_c: Floats) -> Iterator[float]:
    """Yield how cold it was when each vehicle came in."""
    for job in winter.jobs:
        at = (job.from_us - winter.start_us) // MINUTE_US
        if job.bay == bay and 0 <= at < winter.minutes and np.isfinite(outdoor_c[at]):
            yield float(outdoor_c[at])


class _Side(NamedTuple):
    """Days on one side of a change: their places, the line that holds on them, which in words."""

    first: int
    end: int
    line: Signature | None
    when: str


def _sides(scene: Scene, days: Days, bay: str, kwh: Floats) -> list[_Side]:
    """Return the signature of a bay's heat on each side of a change.

    Where a side tells none, the line through all days stands in.
    """
    heat_kwh = _by_day(scene, days, kwh) * scene.heat.efficiency(bay)
    size, changed = len(days.local.dates), of_bay(scene.changes, bay)
    whole = _line(days, bay, heat_kwh, slice(0, size))
    if not changed:
        return [_Side(0, size, whole, "")]
    found = []
    for place, (first, end) in enumerate(cut(days.local.dates, changed)):
        line = _line(days, bay, heat_kwh, slice(first, end))
        began = f"from {day_name(days.local.dates[first])} on" if place else ""
        ended = f"before {day_name(days.local.dates[end])}" if place < len(changed) else ""
        when = " and ".join(text for text in (began, ended) if text)
        if line is None and whole is not None:
            when = f"before and after ({when} there are too few alone)"
        found.append(_Side(first, end, line or whole, when))
    return found


def _by_day(scene: Scene, days: Days, kwh: Floats) -> Floats:
    place = np.searchsorted(days.local.edges_us, scene.edges_us[:-1], "right") - 1
    found: Floats = np.bincount(place, kwh, len(days.local.dates)).astype(np.float64)
    return found


def _line(days: Days, bay: str, heat_kwh: Floats, part: slice) -> Signature | None:
    """Return the signature of a bay's heat; None where its days tell none."""
    indoor = days.indoor.get(bay)
    if days.outdoor is None:
        return None
    try:
        return signature(
            days.outdoor.mean[part], heat_kwh[part], indoor_c=indoor.mean[part] if indoor else None
        )
    except InputError:
        return None


def _told(scene: Scene, kwh: Floats) -> Bools:
    """Return in which minutes the heat is known; only these are in the waterfall."""
    told: Bools = scene.by_minute(np.isfinite(kwh).astype(float)) > 0
    return told


def _within(scene: Scene, kwh: Floats, side: _Side, heat: BayHeat, days: Days) -> Stretch:
    """Return a side as minutes of the waterfall."""
    edges = days.local.edges_us[[side.first, side.end]]
    told = np.concatenate(([0], np.cumsum(_told(scene, kwh))))
    minute = np.clip((edges - scene.winter.start_us) // MINUTE_US, 0, scene.winter.minutes)
    first, end = (int(told[at]) for at in minute)
    return Stretch(first, end, side.line, _holds(heat, scene, edges), side.when)


def _holds(heat: BayHeat, scene: Scene, edges_us: Ints) -> bool:
    """Return whether what is learned of a bay was learned on this side of all changes."""
    if heat.learned_us is None or not scene.changes:
        return True
    since, until = heat.learned_us
    shared = min(until, int(edges_us[1])) - max(since, int(edges_us[0]))
    return shared >= LEARNED_SHARE * (until - since)
