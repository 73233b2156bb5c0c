"""The past as one set of limits judges it: alarms, days, longest fit stretches."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from envmon.guard.alarm_kinds import STAGE_KINDS
from envmon.service.replay.timeline import FITNESS
from envmon.service.restored import plan_fingerprint
from envmon.service.span import day_edges_us, local_from_us

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date

    from envmon.guard.plan import GuardPlan
    from envmon.service.replay.alarms import Alarm
    from envmon.service.replay.timeline import StageKey, Stretch, Timeline
    from envmon.service.replay.walk import Walker


class StageDay(NamedTuple):
    """One stage of one bay on one local day.

    Attributes:
        bay: The bay.
        stage: The stage.
        day: Local date.
        from_us: Start of the part of the day that was judged [µs].
        to_us: Its end [µs].
        spent_us: Time at each fitness, in the order of ``FITNESS`` [µs].
        longest: The longest fit stretch inside the day, or None.
    """

    bay: str
    stage: str
    day: date
    from_us: int
    to_us: int
    spent_us: tuple[int, ...]
    longest: Stretch | None


@dataclass(frozen=True, slots=True)
class Judged:
    """The past as one set of limits judges it.

    Attributes:
        plan: The limits.
        fingerprint: Their digest.
        alarms: In the order in which they were raised.
        timelines: How each stage stood.
        days: For each bay and stage, day by day.
        longest: The longest fit stretch of each bay and stage; None where it was never fit.
    """

    plan: GuardPlan
    fingerprint: str
    alarms: list[Alarm]
    timelines: dict[StageKey, Timeline]
    days: list[StageDay]
    longest: dict[StageKey, Stretch | None]


def judged_by(walker: Walker, zone: str, span: tuple[int, int]) -> Judged:
    """Return what a walker found on its way.

    Args:
        walker: A guard that has gone through the span.
        zone: The shop's time zone, which days follow.
        span: First moment and end of what was judged [µs].
    """
    lines = walker.painter.timelines()
    ordered = {
        (bay.id, stage.id): lines[bay.id, stage.id]
        for bay in walker.plan.bays.values()
        for stage in bay.stages
    }
    days = [day for key, line in ordered.items() for day in stage_days(key, line, zone, span)]
    longest = {key: line.longest(*span) for key, line in ordered.items()}
    fingerprint = walker.fingerprint or plan_fingerprint(walker.plan)
    return Judged(walker.plan, fingerprint, walker.alarms.alarms(), ordered, days, longest)


def stage_days(key: StageKey, line: Timeline, zone: str, span: tuple[int, int]) -> list[StageDay]:
    """Return how a stage stood on each local day of a span [µs]."""
    from_us, to_us = span
    days = day_edges_us(from_us, to_us, zone)
    edges = [from_us, *days[1:-1], to_us]
    spent = line.spent_us(edges).tolist()
    return [
        StageDay(
            *key, local_from_us(midnight, zone).date(), start, end,
            tuple(row[: len(FITNESS)]), line.longest(start, end),
        )
        for midnight, start, end, row in zip(days, edges, edges[1:], spent, strict=False)
    ]  # fmt: skip


ABOUT_A_STAGE = (*STAGE_KINDS, "condensation")


def narrowed(judged: Judged, stages: Collection[str]) -> Judged:
    """Return the same for some stages only."""
    return replace(
        judged,
        alarms=[
            alarm
            for alarm in judged.alarms
            if alarm.stage in stages and alarm.what in ABOUT_A_STAGE
        ],
        timelines={key: line for key, line in judged.timelines.items() if key[1] in stages},
        days=[day for day in judged.days if day.stage in stages],
        longest={key: stretch for key, stretch in judged.longest.items() if key[1] in stages},
    )
