"""The shop file compiled for the guard: plain numbers, looked up once, ready to be stepped."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from envmon.clock import SECOND_US
from envmon.guard.alarm_kinds import BAY_KINDS, POINT_KINDS, SHOP_KINDS
from envmon.guard.trail import RATES
from envmon.physics.air import pressure_pa_from_altitude
from envmon.shop.air import others_in_air
from envmon.shop.points import expand_points, read_by, sends_readings
from envmon.shop.stages import stages_of
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.guard.state import GuardState
    from envmon.shop.alerting import AlarmsInfo
    from envmon.shop.limits import Limit, Stage
    from envmon.shop.models import Bay, Point, Shop
    from envmon.units import UnitSystem

SHARED_BY_AIR = ("air_temp_c", "rel_hum_pct", "air_pressure_pa")
"""What a bay without a sensor of its own takes from a bay in the same air space."""
SHOP = ""
"""Stands for a bay where something belongs to none: outdoor sensors, meters, the broker."""
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
class AlarmRules:
    """What the whole shop's alarms go by.

    Attributes:
        leaving_lead_us: How far ahead a stage is said to be about to leave its window [µs].
        cure_break_us: So long outside its window a cure counts as interrupted [µs].
        heater_wait_us: So long a heater may take to answer the cold [µs].
        again_us: An acknowledged alarm that stands for so long is raised again [µs].
        longest_shelf_us: The longest an alarm can be shelved for [µs].
    """

    leaving_lead_us: int
    cure_break_us: int
    heater_wait_us: int
    again_us: int
    longest_shelf_us: int


@dataclass(frozen=True, slots=True)
class BayPlan:
    """Where a bay's conditions come from and what they are held to.

    Attributes:
        id: The bay; ``SHOP`` for what belongs to no bay.
        name: What people call it.
        sources: Quantity -> the points that measure it.
        stages: Every stage in order of work.
        pressure_pa: Air pressure where no sensor says it [Pa].
        rules: What alarms go by.
        watched: Limits held whatever stage is being worked, for alarms of their own.
        points: Its own points -> what they measure.
        alarms: Id of every alarm it can have -> its kind.
        has_partners: A quantity has more than one sensor, one of them its own.
        holds_moist: A limit is on something that follows from the air and its humidity.
        held_rates: Rates of change that a limit is on.
    """

    id: str
    name: str
    sources: dict[str, tuple[Series, ...]]
    stages: tuple[StagePlan, ...]
    pressure_pa: float
    rules: AlarmRules
    watched: tuple[HeldLimit, ...] = ()
    points: dict[str, tuple[Series, ...]] = field(default_factory=dict)
    # They follow from the rest, so they are no part of what tells two plans apart.
    alarms: dict[str, str] = field(init=False, repr=False, compare=False)
    has_partners: bool = field(init=False, repr=False, compare=False)
    holds_moist: bool = field(init=False, repr=False, compare=False)
    held_rates: tuple[str, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        held = {limit.quantity for stage in self.stages for limit in stage.limits}
        held |= {limit.quantity for limit in self.watched}
        derived = {name for name in held if QUANTITIES[name].derived}
        rates = tuple(sorted(derived & RATES.keys()))
        object.__setattr__(self, "holds_moist", len(derived) > len(rates))
        object.__setattr__(self, "held_rates", rates)
        own: tuple[str, ...] = BAY_KINDS if self.id != SHOP else SHOP_KINDS
        if self.frost_limit is None:
            own = tuple(what for what in own if not what.startswith("frost"))
        alarms = {self.alarm_id(what): what for what in own}
        alarms |= {f"{point}-{what}": what for point in self.points for what in POINT_KINDS}
        object.__setattr__(self, "alarms", alarms)
        partners = any(len(group) > 1 and self.is_own(q) for q, group in self.sources.items())
        object.__setattr__(self, "has_partners", partners)

    @property
    def frost_limit(self) -> HeldLimit | None:
        """The limit that keeps its stores from freezing; None where nothing would."""
        return next((limit for limit in self.watched if limit.key.startswith("frost/")), None)

    def is_own(self, quantity: str) -> bool:
        """Return whether a sensor of its own measures a quantity, not only a neighbour's."""
        return any(series.point in self.points for series in self.sources.get(quantity, ()))

    def alarm_id(self, what: str) -> str:
        """Return the id of an alarm of this bay, or of the shop."""
        return f"{self.id or 'shop'}-{what}"


@dataclass(frozen=True, slots=True)
class GuardPlan:
    """Everything the guard must know besides readings, events and time.

    Attributes:
        bays: Bay id -> plan.
        series: (point, quantity) -> key and the bays it speaks for.
        units: What texts are written in.
        timezone: The shop's time zone, for times in texts.
        shop: What belongs to no bay.
        silence_us: Nothing heard from any sensor for so long is an alarm [µs].
        variants: (bay, procedure) -> plan while a job with it is open, where that differs.
        places: Every bay, and the shop under ``SHOP``, as they usually are.
    """

    bays: dict[str, BayPlan]
    units: UnitSystem
    timezone: str
    shop: BayPlan
    silence_us: int
    series: dict[tuple[str, str], tuple[str, tuple[str, ...]]] = field(default_factory=dict)
    # Beside ``repr``, so that a shop whose procedures ask for nothing else is told apart by the
    # same digest as before there were any.
    variants: dict[tuple[str, str], BayPlan] = field(default_factory=dict, repr=False)
    places: dict[str, BayPlan] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "places", {**self.bays, SHOP: self.shop})

    def variant(self, place_id: str, procedure: str | None) -> BayPlan:
        """Return a place's plan while a procedure is worked in it; its usual one for None.

        Args:
            place_id: The bay, or the shop.
            procedure: Id of the procedure; one that is not in the shop file changes nothing.
        """
        usual = self.places[place_id]
        return usual if procedure is None else self.variants.get((place_id, procedure), usual)

    def place(self, place_id: str, state: GuardState) -> BayPlan:
        """Return the plan that holds in a place now: that of its job, or else its usual one."""
        return self.variant(place_id, state.bays[place_id].procedure)


def plan_from_shop(shop: Shop) -> GuardPlan:
    """Compile a checked shop file.

    Args:
        shop: The shop file, free of faults.
    """
    every = expand_points(shop.point, [bay.id for bay in shop.bay])
    points = [point for point in every if sends_readings(point)]
    pressure = pressure_pa_from_altitude(shop.shop.altitude)
    rules = _rules(shop.alarms)
    bays = {
        bay.id: BayPlan(
            bay.id,
            bay.name,
            _sources(shop, bay, points),
            _stage_plans(shop, bay, bay.procedure),
            pressure,
            rules,
            _watched(shop, bay, points),
            _points_of(points, bay.id),
        )
        for bay in shop.bay
    }
    outside = {name: tuple(found) for name, found in _series_of(points, {None}).items()}
    whole = BayPlan(
        SHOP, shop.shop.name, outside, (), pressure, rules, (), _points_of(points, None)
    )
    silence_us = max(
        round(SILENCE_LEAST_S * SECOND_US),
        min((round(point.stale_after * SECOND_US) for point in points), default=0),
    )
    plan = GuardPlan(
        bays, shop.shop.units, shop.shop.timezone, whole, silence_us,
        variants=dict(_variants(shop, bays)),
    )  # fmt: skip
    for point in points:
        for quantity in read_by(point):
            key = f"{point.id}/{quantity}"
            users = [
                place.id
                for place in plan.places.values()
                if any(series.key == key for series in _all_series(place))
            ]
            plan.series[point.id, quantity] = (key, tuple(users))
    return plan


def _variants(shop: Shop, bays: dict[str, BayPlan]) -> Iterator[tuple[tuple[str, str], BayPlan]]:
    for bay in shop.bay:
        for procedure in shop.procedure:
            stages = _stage_plans(shop, bay, procedure.id)
            if stages != bays[bay.id].stages:
                yield (bay.id, procedure.id), replace(bays[bay.id], stages=stages)


SILENCE_LEAST_S = 90.0
"""Silence of all sensors is no alarm before this [s], however soon their readings grow stale."""


def _rules(alarms: AlarmsInfo) -> AlarmRules:
    spans = (
        alarms.leaving_lead,
        alarms.cure_break,
        alarms.heater_wait,
        alarms.again_after,
        alarms.longest_shelf,
    )
    return AlarmRules(*(round(seconds * SECOND_US) for seconds in spans))


def _watched(shop: Shop, bay: Bay, points: Sequence[Point]) -> tuple[HeldLimit, ...]:
    """Return the limits that hold whatever is being worked: frost, and water on the panel.

    Where bays share their air, the one with the sensor tells of frost.
    """
    wet = HeldLimit("condensation/dew_margin_k", "dew_margin_k", 0.0, math.inf, 0.0, 0.5, 0, 0, "")
    own = any(point.bay == bay.id and "air_temp_c" in point.reads for point in points)
    if not bay.keeps_stock or not own:
        return (wet,)
    low_c = float(shop.alarms.frost_low)
    return (wet, HeldLimit("frost/air_temp_c", "air_temp_c", low_c, math.inf, 0.0, 1.0, 0, 0, ""))


def _points_of(points: Sequence[Point], bay_id: str | None) -> dict[str, tuple[Series, ...]]:
    return {point.id: _series_of_point(point) for point in points if point.bay == bay_id}


def _series_of_point(point: Point) -> tuple[Series, ...]:
    stale_us = round(point.stale_after * SECOND_US)
    return tuple(Series(f"{point.id}/{name}", point.id, stale_us) for name in read_by(point))


def _all_series(bay: BayPlan) -> list[Series]:
    return [series for group in bay.sources.values() for series in group]


def _sources(shop: Shop, bay: Bay, points: Sequence[Point]) -> dict[str, tuple[Series, ...]]:
    own = _series_of(points, {bay.id})
    shared = _series_of(points, set(others_in_air(shop)[bay.id]))
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
            for quantity, series in zip(read_by(point), _series_of_point(point), strict=True):
                found.setdefault(quantity, []).append(series)
    return found


def _stage_plans(shop: Shop, bay: Bay, procedure: str | None) -> tuple[StagePlan, ...]:
    return tuple(_stage_plan(stage, bay) for stage in stages_of(shop, procedure))


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
