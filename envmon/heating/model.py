"""What the heating log is made from, and the rows it is made of.

A minute without a reading is NaN: unknown, never zero. Times are [µs, UTC]; days are local.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Literal, NamedTuple

import msgspec

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

Kind = Literal["measured", "inferred", "unknown"]
"""How a number was come by: a state, power or meter point; the temperature curve; not at all."""


class BayMinutes(NamedTuple):
    """A bay by the minute, each array (n,); None where no point measures it.

    Attributes:
        air_c: Mean of the minute [°C], the median of its sensors.
        heater_on: Share of the minute, 0…1.
        heater_w: Mean power the heater's point says [W].
        door_open: Share of the minute, 0…1.
    """

    air_c: Floats | None
    heater_on: Floats | None = None
    heater_w: Floats | None = None
    door_open: Floats | None = None


class Counter(NamedTuple):
    """A meter's readings, in order of time.

    Attributes:
        quantity: ``energy_kwh``, ``fuel_m3`` or ``fuel_l``.
        t_us: Times [µs], int64 (m,).
        value: What it showed, in the quantity's unit (m,).
    """

    quantity: str
    t_us: Ints
    value: Floats


class Span(NamedTuple):
    """A stage, a job or a washing, in a bay [µs]; ``to_us`` is None while it lasts."""

    bay: str
    what: str
    from_us: int
    to_us: int | None


class Bill(NamedTuple):
    """A bill of a time before, or beside, the meters.

    Attributes:
        first: First day.
        last: Last day.
        amount: In ``unit``, or None.
        unit: ``kWh``, ``m3``, ``l`` …, as of the tariff.
        cost: In the shop's currency, or None.
    """

    first: date
    last: date
    amount: float | None
    unit: str
    cost: float | None


class Winter(NamedTuple):
    """Everything the log of a span is worked out from.

    Attributes:
        start_us: First minute [µs].
        minutes: How many, n.
        zone: The shop's time zone.
        outdoor_c: Mean of each minute [°C] (n,), or None.
        bays: Bay id -> its minutes.
        counters: (point, quantity) -> the meter.
        stages: Stages worked.
        jobs: Jobs, ``what`` is the id.
        notes: Local day and what people noted.
        bills: Bills known.
        outdoor_note: Where the outdoor temperatures are from, where that is to be said.
        air_every_min: Bay id -> minutes that usually lie between readings of its air.
    """

    start_us: int
    minutes: int
    zone: str
    outdoor_c: Floats | None
    bays: dict[str, BayMinutes]
    counters: dict[tuple[str, str], Counter]
    stages: tuple[Span, ...] = ()
    jobs: tuple[Span, ...] = ()
    notes: tuple[tuple[date, str], ...] = ()
    bills: tuple[Bill, ...] = ()
    outdoor_note: str = ""
    air_every_min: Mapping[str, int] = {}


class DayRow(msgspec.Struct, frozen=True):
    """One local day of the log; None is not known.

    Attributes:
        day: The day.
        hours: Hours it has: 23, 24 or 25.
        outdoor_mean_c: Mean outdoors [°C].
        outdoor_low_c: Lowest outdoors [°C].
        outdoor_h: Hours with outdoor data.
        indoor_mean_c: Mean of the bays [°C].
        indoor_low_c: Lowest of the bays [°C].
        run_h: Hours the heaters ran, summed over the bays.
        run_kind: How ``run_h`` was come by.
        fuel: Amount by the meter, in the fuel's unit.
        energy_kwh: Energy of the fuel, upper heating value [kWh].
        heat_kwh: Heat into the bays [kWh].
        energy_kind: How the energy was come by.
        cost: In the shop's currency.
        degree_days: By the shop's base and method [K·d].
        partial: Less than 23 of 24 parts of the day have what the row needs.
        washes: Washes begun.
        jobs: Jobs open at some time of the day.
        notes: What people noted.
        faults: What the log found wrong, in words.
    """

    day: date
    hours: float
    outdoor_mean_c: float | None = None
    outdoor_low_c: float | None = None
    outdoor_h: float = 0.0
    indoor_mean_c: float | None = None
    indoor_low_c: float | None = None
    run_h: float | None = None
    run_kind: Kind = "unknown"
    fuel: float | None = None
    energy_kwh: float | None = None
    heat_kwh: float | None = None
    energy_kind: Kind = "unknown"
    cost: float | None = None
    degree_days: float | None = None
    partial: bool = False
    washes: int = 0
    jobs: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
