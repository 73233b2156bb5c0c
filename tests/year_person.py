"""Who works in the simulated shop: goes from stage to stage, and answers alarms.

Starts polishing, wiping and coating when the wall says the stage may start; waits for that at most
two hours and then starts all the same. Says that a stage is over before opening the door. Answers
an alarm in working hours within ten minutes, at home what has priority high after half an hour and
what has medium by day; takes a sensor out of service when its alarm comes a second time in a day.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import DAY_US, MINUTE_US
from envmon.guard import alarm_acts as acts
from envmon.guard.alarm_kinds import POINT_KINDS
from envmon.guard.lifecycle import UNACKNOWLEDGED
from envmon_sensors.scenario import local_day, local_us
from tests.year_calendar import CLOSES, OPENS, works_on

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.guard.lifecycle import AlarmNow
    from envmon.guard.state import Finding, GuardState
    from tests.year_calendar import Stay

TURN_US = 10 * MINUTE_US
"""How often a person looks at the wall."""
NIGHT_CALL_US = 30 * MINUTE_US
PATIENCE_US = 120 * MINUTE_US
WAITS_FOR = {"polish", "wipe", "coating"}


class Act(NamedTuple):
    """What a person does: an event that has no place in the chain yet."""

    kind: str
    bay: str
    data: dict[str, Any]


class Worker:
    """Works through the stays of a bay, stage by stage, as the verdicts allow."""

    def __init__(self, bay: str, stays: Iterable[Stay]) -> None:
        self._bay, self._stays = bay, list(stays)
        self._late_us, self._next, self._busy = 0, 0, False

    def act(self, state: GuardState, now_us: int) -> list[Act]:
        """Return the stage started or ended at a time [µs], if any."""
        if not self._stays or now_us < self._stays[0].from_us:
            return []
        stay = self._stays[0]
        if now_us + 2 * TURN_US > stay.to_us:
            self._stays.pop(0)
            was_busy = self._busy
            self._late_us, self._next, self._busy = 0, 0, False
            return [Act("stage_ended", self._bay, {})] if was_busy else []
        if self._next == len(stay.job.stages):
            return []
        stage, start, _ = stay.job.stages[self._next]
        if now_us < stay.from_us + start * MINUTE_US + self._late_us:
            return []
        verdict = state.bays[self._bay].stages[stage].fitness
        waits = stage in WAITS_FOR and verdict in {"unfit", "unknown"}
        if waits and self._late_us < PATIENCE_US:
            self._late_us += TURN_US
            return []
        self._next, self._busy = self._next + 1, True
        return [Act("stage_started", self._bay, {"stage": stage})]


def at_work(at_us: int) -> bool:
    """Return whether somebody is there at a time [µs]."""
    day = local_day(at_us)
    return works_on(day) and local_us(day, OPENS) <= at_us < local_us(day, CLOSES)


def is_day(at_us: int) -> bool:
    """Return whether people are up at a time [µs]."""
    day = local_day(at_us)
    return local_us(day, "07:00") <= at_us < local_us(day, "22:00")


class Keeper:
    """Answers alarms."""

    def __init__(self, *, sets_aside: bool = True) -> None:
        self._sets_aside = sets_aside
        self._priority: dict[str, str] = {}
        self._answered_us: dict[str, int] = {}

    def act(self, state: GuardState, findings: Iterable[Finding], now_us: int) -> list[Act]:
        """Return what is done to alarms at a time [µs], after what the guard just found."""
        for finding in findings:
            if finding.kind in {acts.RAISED, acts.AGAIN}:
                self._priority[finding.data["alarm"]] = finding.data["priority"]
        done = [
            (place, alarm_id, self._answer(alarm_id, alarm, now_us))
            for place, bay in state.bays.items()
            for alarm_id, alarm in bay.alarms.items()
        ]
        data = {"by": "Kim", "via": "wall", "reason": "a new one is on its way"}
        return [
            Act(kind, place, {"alarm": alarm_id, **data}) for place, alarm_id, kind in done if kind
        ]

    def _answer(self, alarm_id: str, alarm: AlarmNow, now_us: int) -> str:
        if alarm.life == "LTACK" and at_work(now_us):
            return acts.RESET
        if alarm.life == "OOSRV" and not alarm.active and at_work(now_us):
            return acts.RETURNED
        if alarm.life not in UNACKNOWLEDGED or not self._is_due(alarm_id, alarm, now_us):
            return ""
        before_us = self._answered_us.get(alarm_id, 0)
        self._answered_us[alarm_id] = now_us
        is_sensor = alarm_id.rpartition("-")[2] in POINT_KINDS
        if self._sets_aside and is_sensor and alarm.active and now_us - before_us < DAY_US:
            return acts.REMOVED
        return acts.ACKNOWLEDGED

    def _is_due(self, alarm_id: str, alarm: AlarmNow, now_us: int) -> bool:
        waited_us = now_us - (alarm.raised_us or now_us)
        priority = self._priority.get(alarm_id)
        if at_work(now_us):
            return waited_us >= TURN_US / 2
        called = priority == "high" or (priority == "medium" and is_day(now_us))
        return called and waited_us >= NIGHT_CALL_US
