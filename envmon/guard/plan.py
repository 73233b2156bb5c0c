"""The shop file compiled for the guard: plain numbers, looked up once, ready to be stepped."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from envmon.clock import SECOND_US
from envmon.guard.trail import RATES
from envmon.physics.air import pressure_pa_from_altitude
from envmon.shop.points import expand_points
from envmon.shop.stages import stages_in_force
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.shop.limits import Limit, Stage
    from envmon.shop.models import Bay, Point, Shop
    from envmon.units import UnitSystem

SHARED_BY_AIR = ("air_temp_c", "rel_hum_pct", "air_pressure_pa")
"""What a bay without a sensor of its own takes from a bay in the same air space."""
SHOP_WIDE = ("outdoor_temp_c", "outdoor_rel_hum_pct", "air_pressure_pa")
"""What a point outside every bay tells all of them."""


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one point, as a bay uses it."""

    key: str
    point: str
    stale_us: int


@dataclass(frozen=True, slots=True)
class HeldLimit:
    """A limit in plain numbers; a side that is not limited is infinite."""

    key: str
    quantity: str
    low: float
    high: float
    margin: float
    deadband: float
    on_delay_us: int
    off_delay_us: int
    source: str


@dataclass(frozen=True, slots=True)
class StagePlan:
    """A stage with the limits the guard holds and those the person checks by hand."""

    id: str
    name: str
    goal: bool
    settle_us: int
    limits: tuple[HeldLimit, ...]
    by_hand: tuple[HeldLimit, ...]
    cautions: tuple[str, ...]
    sheet: str | None


@dataclass(frozen=True, slots=True)
class BayPlan:
    """Where a bay's conditions come from and what they are held to.

    Attributes:
        id: The bay.
        name: What people call it.
        sources: Quantity -> the points that measure it.
        stages: Every stage in order of work.
        pressure_pa: Air pressure where no sensor says it [Pa].
        holds_moist: A limit is on something that follows from the air and its humidity.
        held_rates: Rates of change that a limit is on.
    """

    id: str
    name: str
    sources: dict[str, tuple[Series, ...]]
    stages: tuple[StagePlan, ...]
    pressure_pa: float
    # They follow from the rest, so they are no part of what tells two plans apart.
    holds_moist: bool = field(init=False, repr=False, compare=False)
    held_rates: tuple[str, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        held = {limit.quantity for stage in self.stages for limit in stage.limits}
        derived = {name for name in held if QUANTITIES[name].derived}
        rates = tuple(sorted(derived & RATES.keys()))
        object.__setattr__(self, "holds_moist", len(derived) > len(rates))
        object.__setattr__(self, "held_rates", rates)


@dataclass(frozen=True, slots=True)
class GuardPlan:
    """Everything the guard must know besides readings, events and time.

    Attributes:
        bays: Bay id -> plan.
        series: (point, quantity) -> key and the bays it speaks for.
        units: What texts are written in.
        timezone: The shop's time zone, for times in texts.
    """

    bays: dict[str, BayPlan]
    units: UnitSystem
    timezone: str
    series: dict[tuple[str, str], tuple[str, tuple[str, ...]]] = field(default_factory=dict)


def plan_from_shop(shop: Shop) -> GuardPlan:
    """Compile a checked shop file.

    Args:
        shop: The shop file, free of faults.
    """
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    pressure = pressure_pa_from_altitude(shop.shop.altitude)
    bays = {
        bay.id: BayPlan(
            bay.id,
            bay.name,
            _sources(shop, bay, points),
            tuple(_stage_plan(stage, bay) for stage in stages_in_force(shop, bay)),
            pressure,
        )
        for bay in shop.bay
    }
    plan = GuardPlan(bays, shop.shop.units, shop.shop.timezone)
    for point in points:
        for quantity in point.reads:
            key = f"{point.id}/{quantity}"
            users = [b.id for b in bays.values() if any(s.key == key for s in _all_series(b))]
            plan.series[point.id, quantity] = (key, tuple(users))
    return plan


def _all_series(bay: BayPlan) -> list[Series]:
    return [series for group in bay.sources.values() for series in group]


def _sources(shop: Shop, bay: Bay, points: Sequence[Point]) -> dict[str, tuple[Series, ...]]:
    own = _series_of(points, {bay.id})
    neighbours = {
        b.id for b in shop.bay if bay.air_space is not None and b.air_space == bay.air_space
    }
    shared = _series_of(points, neighbours - {bay.id})
    outside = _series_of(points, {None})
    for quantity in SHARED_BY_AIR:
        if quantity not in own and quantity in shared:
            own[quantity] = shared[quantity]
    for quantity in SHOP_WIDE:
        if quantity not in own and quantity in outside:
            own[quantity] = outside[quantity]
    return {quantity: tuple(series) for quantity, series in own.items()}


def _series_of(points: Sequence[Point], bays: set[str] | set[None]) -> dict[str, list[Series]]:
    found: dict[str, list[Series]] = {}
    for point in points:
        if point.bay in bays:
            for quantity in point.reads:
                series = Series(
                    f"{point.id}/{quantity}", point.id, round(point.stale_after * SECOND_US)
                )
                found.setdefault(quantity, []).append(series)
    return found


def _stage_plan(stage: Stage, bay: Bay) -> StagePlan:
    held = [_held(stage.id, limit) for limit in stage.limits]
    return StagePlan(
        stage.id,
        stage.name,
        stage.goal,
        round(stage.settle * SECOND_US),
        tuple(limit for limit in held if limit.quantity not in bay.by_hand),
        tuple(limit for limit in held if limit.quantity in bay.by_hand),
        stage.cautions,
        stage.sheet.isoformat() if stage.sheet else None,
    )


def _held(stage_id: str, limit: Limit) -> HeldLimit:
    return HeldLimit(
        f"{stage_id}/{limit.quantity}",
        limit.quantity,
        -math.inf if limit.low is None else float(limit.low),
        math.inf if limit.high is None else float(limit.high),
        float(limit.margin or 0),
        float(limit.deadband or 0),
        round(limit.on_delay * SECOND_US),
        round(limit.off_delay * SECOND_US),
        limit.source,
    )
