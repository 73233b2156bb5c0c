"""A winter read from everything kept: minutes, meters, stages, jobs and notes.

The minutes come from the summaries of archived days and from live readings, as charts do, so a
winter is a few hundred rows of SQLite. Nothing is made up: a minute without a reading is unknown,
unless the reading before it still holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.counters import ACROSS_US
from envmon.heating.model import BayMinutes, Counter, Span, Winter
from envmon.heating.outdoor import merged
from envmon.job import events as names
from envmon.service.heating.bills import bills_kept
from envmon.service.job.book import book_from
from envmon.service.span import local_from_us
from envmon.store.history import minute_means
from envmon.store.history_buckets import Buckets
from envmon.store.history_count import counted
from envmon.store.history_tally import Tally

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import date

    from envmon.facts import Event
    from envmon.guard.plan import BayPlan, GuardPlan
    from envmon.guard.plan import Series as GuardSeries
    from envmon.heating.model import Floats, Ints
    from envmon.shop.models import Shop
    from envmon.store.base import Store
    from envmon.store.columns import SeriesName
    from envmon.store.past import Past

OUTDOOR = "outdoor_temp_c"
AIR = "air_temp_c"
COUNTERS = ("energy_kwh", "fuel_m3", "fuel_l")
STATES = frozenset({"heater_on", "door_open"})
OF_BAYS = (AIR, "heater_on", "heater_power_w", "door_open")
_HELD_LEAST_MIN = 1
SLOWEST_MIN = STATION_MIN = 60
"""A value of a weather station's file holds for so long [min]."""


class Sensor(NamedTuple):
    """A series of the store, and for how many minutes one of its readings holds."""

    name: SeriesName
    hold_min: int


Sensors = dict[str, tuple[Sensor, ...]]


def winter_of(past: Past, shop: Shop, plan: GuardPlan, span: tuple[int, int]) -> Winter:
    """Return what is kept of a span.

    Several points of a temperature in a bay become their median, as in the guard. Several heaters
    of a bay: their powers are added up (unknown while one of them is), their states averaged. A
    door of several counts as open while one is.

    Args:
        past: Everything kept.
        shop: The shop file.
        plan: The same, compiled: says which points belong to a bay.
        span: Start and end [µs, UTC], on whole minutes.

    Raises:
        StoreError: The live file cannot be read.
    """
    edges = np.arange(span[0], span[1] + 1, MINUTE_US, dtype=np.int64)
    outdoor, stations = outdoor_sensors(past, plan)
    bays = {bay.id: bay_sensors(shop, plan.bays[bay.id]) for bay in shop.bay}
    groups = [outdoor, stations, *(group for of in bays.values() for group in of.values())]
    wanted = dict.fromkeys(sensor.name for group in groups for sensor in group)
    found = minute_means(past, wanted, edges)
    own, others = (_joined(OUTDOOR, sensors, found) for sensors in (outdoor, stations))
    weather = merged(own, others, _not_in_file(stations, found))
    return Winter(
        start_us=span[0],
        minutes=len(edges) - 1,
        zone=shop.shop.timezone,
        outdoor_c=weather.outdoor_c if weather else None,
        bays={bay: _bay(sensors, found) for bay, sensors in bays.items()},
        counters=meters(past, edges),
        stages=tuple(stages_worked(past.store, list(plan.bays), span)),
        jobs=tuple(jobs_open(past.store, span)),
        notes=tuple(notes_of(past.store, span, shop.shop.timezone)),
        bills=bills_kept(past.store),
        outdoor_note=weather.note if weather else "",
        air_every_min={bay: every for bay, of in bays.items() if (every := _every_min(of, found))},
    )


def _not_in_file(stations: Sequence[Sensor], found: Mapping[SeriesName, Floats]) -> str:
    """Return what to call points of the outdoors that the shop file has not.

    Nothing kept tells a weather station's file from a point that was taken out of the shop file.
    """
    names = sorted({sensor.name[0] for sensor in stations if sensor.name in found})
    return f"{', '.join(names)}, not in the shop file (imported, or taken out of it),"


def _every_min(sensors: Sensors, found: Mapping[SeriesName, Floats]) -> int:
    """Return how many minutes usually lie between readings of a bay's air; 0 without any."""
    lines = [found[sensor.name] for sensor in sensors.get(AIR, ()) if sensor.name in found]
    return min((pace for line in lines if (pace := _pace_min(line))), default=0)


def outdoor_sensors(past: Past, plan: GuardPlan) -> tuple[tuple[Sensor, ...], tuple[Sensor, ...]]:
    """Return the shop's own outdoor sensors, and points that only an import has brought."""
    places = [plan.shop, *plan.bays.values()]
    own = [series for place in places for series in place.sources.get(OUTDOOR, ())]
    sensors = tuple(dict.fromkeys(_sensor(series, OUTDOOR) for series in own))
    known = {sensor.name for sensor in sensors}
    others = sorted(name for name in past.series() if name[1] == OUTDOOR and name not in known)
    return sensors, tuple(Sensor(name, STATION_MIN) for name in others)


def bay_sensors(shop: Shop, bay: BayPlan) -> Sensors:
    """Return a bay's sensors; air of a neighbour only where it has a heater of its own."""
    heated = any(heater.bay == bay.id for heater in shop.heater)
    return {
        name: tuple(_sensor(series, name) for series in bay.sources[name])
        for name in OF_BAYS
        if name in bay.sources and (bay.is_own(name) or (heated and name == AIR))
    }


def _sensor(series: GuardSeries, quantity: str) -> Sensor:
    return Sensor((series.point, quantity), max(_HELD_LEAST_MIN, series.stale_us // MINUTE_US))


def _bay(sensors: Sensors, found: Mapping[SeriesName, Floats]) -> BayMinutes:
    return BayMinutes(*(_joined(name, sensors.get(name, ()), found) for name in OF_BAYS))


def _joined(
    quantity: str, sensors: Sequence[Sensor], found: Mapping[SeriesName, Floats]
) -> Floats | None:
    """Return a quantity from all its sensors; None where none of them ever spoke."""
    lines = [
        held(found[sensor.name], _hold_min(sensor, found), state=quantity in STATES)
        for sensor in sensors
        if sensor.name in found
    ]
    lines = [line for line in lines if not np.isnan(line).all()]
    if not lines:
        return None
    return lines[0] if len(lines) == 1 else _JOINS.get(quantity, _median)(np.array(lines))


def _hold_min(sensor: Sensor, found: Mapping[SeriesName, Floats]) -> int:
    """Return how long a reading holds: its stale time, or its usual pace where that is slower.

    A file of last winter may have a reading an hour, where the sensor now sends one a minute.
    """
    if sensor.name[1] in STATES:
        return sensor.hold_min
    return max(sensor.hold_min, min(_pace_min(found[sensor.name]), SLOWEST_MIN))


def _pace_min(line: Floats) -> int:
    """Return how many minutes usually lie between readings; 0 where there are not two."""
    known = np.flatnonzero(~np.isnan(line))
    return int(np.median(np.diff(known))) if len(known) > 1 else 0


def held(values: Floats, minutes: int, *, state: bool = False) -> Floats:
    """Return a line in which a reading holds on into minutes that have none.

    Args:
        values: Mean of each minute, NaN without a reading (n,).
        minutes: So many minutes at most.
        state: It is 0 or 1; of a minute that had both nobody knows which one holds on.
    """
    if not np.isnan(values).any():
        return values
    places = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isnan(values), -1, places))
    filled = np.where((last >= 0) & (places - last <= minutes), values[last], np.nan)
    if state:
        mixed = (filled > 0) & (filled < 1) & (places != last)
        filled[mixed] = np.nan
    line: Floats = filled
    return line


def _median(lines: Floats) -> Floats:
    """Return the median of those known in each minute; two have their mean, as in the guard."""
    if len(lines) == 2:  # as nearly always, and much faster
        pair: Floats = (np.fmin(*lines) + np.fmax(*lines)) / 2
        return pair
    ranked = np.sort(lines, axis=0)  # NaN goes last
    count = np.count_nonzero(~np.isnan(ranked), axis=0)
    at = np.arange(lines.shape[1])
    last = np.maximum(count - 1, 0)
    low, high = last // 2, np.minimum(count // 2, last)
    middle: Floats = (ranked[low, at] + ranked[high, at]) / 2
    return middle


def _largest(lines: Floats) -> Floats:
    most: Floats = np.fmax.reduce(lines, axis=0)
    return most


_JOINS: dict[str, Callable[[Floats], Floats]] = {
    "heater_on": lambda lines: lines.mean(axis=0),
    "heater_power_w": lambda lines: lines.sum(axis=0),
    "door_open": _largest,
}


def meters(past: Past, edges: Ints) -> dict[tuple[str, str], Counter]:
    """Return what every meter showed, once a minute.

    It is the lowest reading of the minute, which of a meter that counts up is the first one; it
    stands at the minute's start, so it is at most a minute early. Readings just outside the span
    come too: they say what was used up to its ends.
    """
    edges = np.arange(edges[0] - ACROSS_US, edges[-1] + ACROSS_US + 1, MINUTE_US, dtype=np.int64)
    there = [name for name in past.series() if name[1] in COUNTERS]
    tallies = counted(past, [(name,) for name in there], Buckets(edges, 60), Tally)
    found = {}
    for name, tally in zip(there, tallies, strict=True):
        low = tally.line().low
        known = np.flatnonzero(~np.isnan(low))
        if known.size:
            found[name] = Counter(name[1], edges[known], low[known])
    return found


def stages_worked(store: Store, bays: Sequence[str], span: tuple[int, int]) -> Iterator[Span]:
    """Yield the stages of a span, cut to nothing: one that began before it keeps its beginning."""
    kinds = {names.STAGE_STARTED, names.STAGE_ENDED}
    moves: dict[str, list[Event]] = {bay: [] for bay in bays}
    for bay in bays:
        before = store.stage_before(bay, span[0])
        moves[bay] += [before] if before is not None else []
    for kind in sorted(kinds):
        for event in store.events_of(kind):
            if event.bay in moves and span[0] <= event.at_us < span[1]:
                moves[event.bay].append(event)
    for bay, events in moves.items():
        yield from _spans(bay, sorted(events, key=lambda event: event.seq))


def _spans(bay: str, events: Sequence[Event]) -> Iterator[Span]:
    for event, after in zip(events, [*events, None][1:], strict=True):
        if event.kind == names.STAGE_STARTED:
            # A clock that was set back ends things before they began.
            end = None if after is None else max(after.at_us, event.at_us)
            yield Span(bay, str(event.data.get("stage") or ""), event.at_us, end)


def jobs_open(store: Store, span: tuple[int, int]) -> Iterator[Span]:
    """Yield the jobs that were open at some time of a span."""
    for job in book_from(store).jobs.values():
        if job.opened_us < span[1] and (job.closed_us is None or job.closed_us >= span[0]):
            yield Span(job.bay, job.id, job.opened_us, job.closed_us)


def notes_of(store: Store, span: tuple[int, int], zone: str) -> Iterator[tuple[date, str]]:
    """Yield what people noted at their jobs, with the local day."""
    for event in store.events_of(names.NOTED):
        text = str(event.data.get("text") or "").strip()
        if text and span[0] <= event.at_us < span[1]:
            yield local_from_us(event.at_us, zone).date(), text
