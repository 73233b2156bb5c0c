"""What the sensors of the simulated shop send in a year of work, without a broker.

The hall is stepped by 5 s as in the demo; each node takes a sample a minute through the channel
(lag, noise, offset, steps of the converter) it has there. Faults are put on afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from zlib import crc32

import numpy as np

import envmon
from envmon.clock import DAY_US, MINUTE_US
from envmon.facts import Flag, Reading, kept_value
from envmon.shop.load import load_shop
from envmon.shop.points import expand_points
from envmon_sensors.channel import AIR_HUM, AIR_HUM_DRIFTING, Channel
from envmon_sensors.hall import NORTH, SOUTH, STEP_S
from envmon_sensors.nodes import KINDS, NodeKind
from envmon_sensors.scenario import BAYS, local_day, local_us
from envmon_sensors.simulation import STEP_US, Simulation
from envmon_sensors.weather import outdoor
from tests.year_calendar import Mishap, Stay, controls_of, mishaps_between, stays_between

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    import numpy.typing as npt

    from envmon.shop.models import Shop
    from envmon_sensors.stores import Bay

    Values = npt.NDArray[np.float64]

EVERY_S = 60
_WHOLE = {"north": NORTH, "south": SOUTH}
DRIFTING, DRIFT_PCT_DAY, DRIFT_DAYS = "south/air2", 0.1, (60, 150)
"""A humidity sensor drifts from one day of the year to another, then it is replaced."""


@dataclass(slots=True)
class YearShop(Simulation):
    """The simulated shop that follows a calendar instead of the demo's day."""

    stays: dict[str, list[Stay]] = field(default_factory=dict)
    mishaps: list[Mishap] = field(default_factory=list)
    offset_k: float = 0.0

    def minute(self) -> None:
        """Live through a minute."""
        day = local_day(self.at_us)
        self.outside = outdoor(self.at_us, self.offset_k)
        wrong = {(m.kind, m.where) for m in self.mishaps if m.from_us <= self.at_us < m.to_us}
        for bay in BAYS:
            stay = self._stay(bay)
            self._place(bay, stay)
            self.hall.bays[bay] = self._heated(bay, works=("heater", bay) not in wrong)
            self.controls[bay] = controls_of(
                day, self.at_us, stay, door_left=("door", bay) in wrong
            )
        for _ in range(EVERY_S // STEP_S):
            self.at_us += STEP_US
            self.hall.step(self.controls, self.outside)

    def _stay(self, bay: str) -> Stay | None:
        stays = self.stays[bay]
        while stays and stays[0].to_us <= self.at_us:
            stays.pop(0)
        return stays[0] if stays and stays[0].from_us <= self.at_us else None

    def _place(self, bay: str, stay: Stay | None) -> None:
        there = self.hall.states[bay].vehicle
        if stay is None and there is not None:
            self.hall.take_out(bay)
        elif stay is not None and (there is None or stay.from_us > self.at_us - MINUTE_US):
            self.hall.bring_in(bay, stay.job.vehicle, self.outside.temp_c)

    def _heated(self, bay: str, *, works: bool) -> Bay:
        whole = _WHOLE[bay]
        return whole if works else replace(whole, heater_w=0.0)


class Sent(NamedTuple):
    """A year of samples: node -> measure -> a value a minute; NaN where none came."""

    start_us: int
    values: dict[str, dict[str, Values]]
    seen_late: tuple[Mishap, ...]
    """Times in which the nodes kept what they measured and sent it afterwards."""


def year_of(seed: int, first: date, days: int, offset_k: float = 0.0) -> Sent:
    """Return what the nodes send from a day on.

    Args:
        seed: Any whole number; the same one gives the same year.
        first: The first day, local.
        days: How many.
        offset_k: Shift of the weather's temperature [K].
    """
    start_us = local_us(first, "00:00")
    mishaps = mishaps_between(seed, first, days)
    stays = stays_between(seed, first, days)
    before = outdoor(start_us - DAY_US, offset_k)
    shop = YearShop(
        seed, start_us - DAY_US, before, stays=stays, mishaps=mishaps, offset_k=offset_k
    )
    while shop.at_us < start_us:
        shop.minute()
    values = _measured(shop, seed, days * DAY_US // MINUTE_US)
    for node, measures in values.items():
        _put_faults(node, measures, mishaps, start_us, seed)
    return Sent(start_us, values, tuple(m for m in mishaps if m.kind == "network"))


def _measured(shop: YearShop, seed: int, minutes: int) -> dict[str, dict[str, Values]]:
    """Live through the time and return what faultless nodes measure in it."""
    series = [
        (kind, measure, _channel(seed, kind, place))
        for kind in KINDS
        for place, measure in enumerate(kind.measures)
    ]
    columns = [np.empty(minutes) for _ in series]
    for minute in range(minutes):
        shop.minute()
        for (kind, measure, channel), column in zip(series, columns, strict=True):
            value = float(measure.truth(shop, kind.bay))
            if channel is not None:
                channel.update(value, EVERY_S)
                value = channel.read()
            column[minute] = value
    values: dict[str, dict[str, Values]] = {kind.name: {} for kind in KINDS}
    for (kind, measure, _), column in zip(series, columns, strict=True):
        values[kind.name][measure.name] = column
    return values


def _channel(seed: int, kind: NodeKind, place: int) -> Channel | None:
    element = kind.measures[place].element
    if element is None:
        return None
    draw = np.random.default_rng([seed, crc32(kind.name.encode()), place])
    return Channel(AIR_HUM if element is AIR_HUM_DRIFTING else element, draw)


def _put_faults(
    node: str, measures: dict[str, Values], mishaps: list[Mishap], start_us: int, seed: int
) -> None:
    """Put on what goes wrong with a node: lost samples, leaps, drift, standstill, silence."""
    draw = np.random.default_rng([seed, crc32(node.encode()), 99])
    size = len(next(iter(measures.values())))
    if node == DRIFTING:
        days = np.arange(size) / 1440
        drifts = (days >= DRIFT_DAYS[0]) & (days < DRIFT_DAYS[1])
        drift = np.where(drifts, DRIFT_PCT_DAY * (days - DRIFT_DAYS[0]), 0.0)
        measures["rh"][:] = np.minimum(measures["rh"] + drift, 100.0)
    leaps = draw.random(size) < 50 / 525_600
    if "surface" in measures:  # a hand or a lamp before the infra-red sensor
        measures["surface"] += leaps * draw.uniform(6, 15, size)
    elif node.endswith(("/air", "/air2")):  # a word lost on the wires reads as both ends
        measures["temp"][leaps], measures["rh"][leaps] = -45.0, 100.0
    lost = draw.random(size) < 0.003
    for values in measures.values():
        values[lost] = np.nan
    for mishap in mishaps:
        if mishap.where == node and mishap.kind in {"silent", "radio", "stuck"}:
            from_n, to_n = ((t - start_us) // MINUTE_US for t in (mishap.from_us, mishap.to_us))
            for values in measures.values():
                stands = values[from_n - 1] if mishap.kind == "stuck" else np.nan
                values[from_n:to_n] = stands


def demo_shop() -> Shop:
    """Return the demo's shop file: everything about alarms is left as it comes."""
    return load_shop(Path(envmon.__file__).with_name("service") / "demo_shop.toml")


def _node_of(point: str) -> str:
    return "outdoor/air" if point == "outdoor" else point.replace("-", "/", 1)


class Feed:
    """Readings of a year, handed out from time to time in the order in which they come in."""

    def __init__(self, sent: Sent) -> None:
        self._sent, self._minute = sent, 0
        self._waiting: list[Reading] = []
        points = {
            (_node_of(point.id), reads.name or ""): (point.id, quantity)
            for point in expand_points(demo_shop().point, BAYS)
            for quantity, reads in point.reads.items()
        }
        self._series = [
            (*points[node, name], crc32(node.encode()) % 55 * 1_000_000, values)
            for node, measures in sent.values.items()
            for name, values in measures.items()
        ]

    def until(self, to_us: int) -> list[Reading]:
        """Return what comes in from the last time asked for up to a time."""
        first, self._minute = self._minute, (to_us - self._sent.start_us) // MINUTE_US
        coming = [*self._waiting, *self._between(first, self._minute)]
        self._waiting = [reading for reading in coming if reading.seen_us >= to_us]
        return [reading for reading in coming if reading.seen_us < to_us]

    def _between(self, first: int, last: int) -> Iterator[Reading]:
        start_us = self._sent.start_us
        from_us, to_us = (start_us + minute * MINUTE_US for minute in (first, last))
        late = [m for m in self._sent.seen_late if m.from_us < to_us and m.to_us > from_us]
        for point, quantity, phase_us, values in self._series:
            for place, value in enumerate(values[first:last].tolist()):
                if value == value:  # noqa: PLR0124 - not NaN
                    t_us = from_us + place * MINUTE_US + phase_us
                    seen_us = next((m.to_us for m in late if m.from_us <= t_us < m.to_us), t_us)
                    yield Reading(point, quantity, t_us, kept_value(value), Flag.GOOD, seen_us)
