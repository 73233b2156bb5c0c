"""What a calibration would do, worked out before anybody accepts it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import DAY_US
from envmon.intake.calibration_record import Line, Record
from envmon.units import QUANTITIES, format_value, shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.facts import Reading
    from envmon.guard.plan import BayPlan, GuardPlan, HeldLimit, StagePlan
    from envmon.intake.calibrations import Calibrations, InForce
    from envmon.units import Quantity, UnitSystem

LOOKED_AT_US = DAY_US
"""So far back readings are looked at."""
LAST = 5
NEAR = 2.0
"""Pairs nearer than so many times what sound sensors may differ by tell no gain (practice)."""


class Moved(NamedTuple):
    """One reading: as it is kept, by the line in force now, and by the new one."""

    t_us: int
    kept: float
    before: float
    after: float


class LimitCount(NamedTuple):
    """How many readings of the last day lie inside a stage's limit.

    Attributes:
        bay: Id of the bay.
        stage: Id of the stage.
        name: Name of the stage.
        low: Lowest allowed, infinite where there is none.
        high: Highest allowed.
        before: Readings inside by the line in force now.
        after: Readings inside by the new one.
        changed: Readings judged differently.
    """

    bay: str
    stage: str
    name: str
    low: float
    high: float
    before: int
    after: int
    changed: int


class Effect(NamedTuple):
    """What accepting would change.

    Attributes:
        record: What would be kept.
        in_force: What holds now.
        readings: Readings of the last day.
        limits: Each stage limit on the quantity.
        warnings: What a person should think about first.
    """

    record: Record
    in_force: InForce
    readings: tuple[Moved, ...]
    limits: tuple[LimitCount, ...]
    warnings: tuple[str, ...]

    @property
    def last(self) -> tuple[Moved, ...]:
        """The newest few readings, oldest first."""
        return self.readings[-LAST:]

    @property
    def largest_move(self) -> float:
        """How far it moves a reading of the last day, or a pair, at most [quantity's unit]."""
        return _largest_move(self.record, self.in_force.line, self.readings)


def effect_of(
    record: Record, calibrations: Calibrations, readings: Iterable[Reading], plan: GuardPlan
) -> Effect:
    """Return what a record would change.

    Args:
        record: What would be accepted.
        calibrations: In force now and before.
        readings: Stored readings of the last day, in order of time; other series are passed over.
        plan: The limits of the stages.
    """
    now = calibrations.in_force(record.point, record.quantity)
    moved = tuple(
        _moved(reading, calibrations, now.line, record.line)
        for reading in readings
        if reading[:2] == (record.point, record.quantity) and reading.flag.charted
    )
    limits = tuple(
        _counted(bay, stage, limit, moved)
        for bay in _bays_of(record, plan)
        for stage in bay.stages
        for limit in stage.limits
        if limit.quantity == record.quantity
    )
    return Effect(record, now, moved, limits, tuple(_warnings(record, now, moved, plan.units)))


def _moved(reading: Reading, calibrations: Calibrations, now: Line, new: Line) -> Moved:
    made_by = calibrations.at(reading.point, reading.quantity, reading.seen_us).line
    raw = made_by.raw(reading.value)
    return Moved(reading.t_us, reading.value, now.true(raw), new.true(raw))


def _bays_of(record: Record, plan: GuardPlan) -> list[BayPlan]:
    _, bays = plan.series.get((record.point, record.quantity), ("", ()))
    return [plan.bays[bay] for bay in bays]


def _counted(
    bay: BayPlan, stage: StagePlan, limit: HeldLimit, moved: Sequence[Moved]
) -> LimitCount:
    before = [limit.low <= each.before <= limit.high for each in moved]
    after = [limit.low <= each.after <= limit.high for each in moved]
    changed = sum(a != b for a, b in zip(before, after, strict=True))
    ends = (limit.low, limit.high, sum(before), sum(after), changed)
    return LimitCount(bay.id, stage.id, stage.name, *ends)


def _largest_move(record: Record, now: Line, moved: Sequence[Moved]) -> float:
    raws = [Line(*record.shown_by).raw(read) for read, _ in record.pairs]
    at_pairs = [abs(record.line.true(raw) - now.true(raw)) for raw in raws]
    return max([*at_pairs, *(abs(each.after - each.before) for each in moved)])


def _warnings(
    record: Record, now: InForce, moved: Sequence[Moved], units: UnitSystem
) -> Iterable[str]:
    quantity = QUANTITIES[record.quantity]
    largest = _largest_move(record, now.line, moved)
    if largest > quantity.agree_within:
        yield (
            f"it moves readings by up to {spread_text(largest, quantity, units)}, and two sound "
            f"sensors differ by {spread_text(quantity.agree_within, quantity, units)} at most: "
            "suspect the reference or a worn sensor before you accept"
        )
    reads = sorted(pair[0] for pair in record.pairs)
    if len(reads) == 1:
        yield "one pair moves all values alike; only two pairs far apart tell the gain"
    elif reads[1] - reads[0] < NEAR * quantity.agree_within:
        yield (
            f"the two pairs lie {spread_text(reads[1] - reads[0], quantity, units)} apart; a small "
            "error in one of them tilts the whole line"
        )
    yield from _beyond(record, moved, quantity, units)
    if record.due is None:
        yield "no date for the next check; give --due or --due-in"


def _beyond(
    record: Record, moved: Sequence[Moved], quantity: Quantity, units: UnitSystem
) -> Iterable[str]:
    if not moved:
        yield "no reading of the last day to show it on"
        return
    low, high = (pick(true for _, true in record.pairs) for pick in (min, max))
    room = quantity.agree_within
    outside = sum(not low - room <= each.after <= high + room for each in moved)
    if len(record.pairs) == 2 and outside:
        ends = " to ".join(format_value(end, quantity, units, finer=1) for end in (low, high))
        yield (
            f"{outside} of {len(moved)} readings of the last day lie beyond the pairs ({ends}), "
            "where the line is only carried on"
        )


def spread_text(value: float, quantity: Quantity, units: UnitSystem) -> str:
    """Return a difference in a quantity as a person reads it."""
    how = shown(quantity, units)
    unit = "K" if how.unit == "°C" else how.unit
    return f"{value * how.factor:.{how.decimals + 1}f} {unit}".strip()
