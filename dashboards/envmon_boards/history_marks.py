"""Marks of the history board: stages, alarms, times of unknown and clocks set back.

The chain of events only grows, so what was read of it once is kept and only the rest is read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from threading import Lock
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.guard.alarm_acts import CLEARED, RAISED
from envmon.guard.alarm_kinds import POINT_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.facts import Event
    from envmon.guard.plan import BayPlan
    from envmon.store.base import Store

MOST_MARKS = 600
"""With more marks of a kind in a span, neighbours nearer than a pixel or so become one."""


class Mark(NamedTuple):
    """Something that lasted in a bay.

    Attributes:
        from_us: When it began [µs].
        to_us: When it ended [µs]; None while it lasts.
        what: What an alarm is about; empty otherwise.
        stage: Stage it happened in.
        many: So many that were too near to each other to be drawn apart.
    """

    from_us: int
    to_us: int | None
    what: str
    stage: str
    many: int = 1


class ClockSetBack(NamedTuple):
    """The machine's clock was set back."""

    at_us: int
    from_text: str
    to_text: str


@dataclass
class _BayMarks:
    """What is known of a bay so far; the last of each kind may still last."""

    stages: list[Mark] = field(default_factory=list)
    alarms: list[Mark] = field(default_factory=list)
    unknown: list[Mark] = field(default_factory=list)

    def take(self, event: Event) -> None:
        """Note an event of the bay."""
        if event.kind in {"stage_started", "stage_ended"}:
            _end_last(self.stages, event.at_us)
            _end_last(self.unknown, event.at_us)
        stage = str(event.data.get("stage") or "")
        what = str(event.data.get("what", ""))
        if event.kind == "stage_started":
            self.stages.append(Mark(event.at_us, None, "", stage))
        elif event.kind == "stage_fitness":
            _end_last(self.unknown, event.at_us)
            if event.data.get("fitness") == "unknown":
                self.unknown.append(Mark(event.at_us, None, "", stage))
        elif what in POINT_KINDS:
            return  # a chart of the air is no list of sensors; the alarm board has them
        elif event.kind == RAISED:
            self._clear(what, event.at_us)
            self.alarms.append(Mark(event.at_us, None, what, stage))
        elif event.kind == CLEARED:
            self._clear(what, event.at_us)

    def _clear(self, what: str, at_us: int) -> None:
        for place in range(len(self.alarms) - 1, -1, -1):
            alarm = self.alarms[place]
            if alarm.what == what and alarm.to_us is None:
                self.alarms[place] = alarm._replace(to_us=max(at_us, alarm.from_us))
                return


def _end_last(marks: list[Mark], at_us: int) -> None:
    if marks and marks[-1].to_us is None:
        # A clock that was set back ends things before they began.
        marks[-1] = marks[-1]._replace(to_us=max(at_us, marks[-1].from_us))


class BayHistory(NamedTuple):
    """The marks of a bay that touch a span."""

    stages: list[Mark]
    alarms: list[Mark]
    unknown: list[Mark]
    clock: list[ClockSetBack]


class MarkBook:
    """Everything the chain says that the history board draws; shared by its threads."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._seq = 0
        self._bays: dict[str, _BayMarks] = {}
        self._clock: list[ClockSetBack] = []

    def marks(self, store: Store, bay: str, from_us: int, to_us: int) -> BayHistory:
        """Return the marks of a bay that touch ``from_us <= t < to_us``.

        Args:
            store: The store, to read on from where the book ends.
            bay: Id of the bay.
            from_us: Start of the span [µs].
            to_us: End of the span [µs].

        Raises:
            StoreError: The events cannot be read.
        """
        with self._lock:
            for event in store.events(self._seq):
                self._take(event)
            known = self._bays.get(bay, _BayMarks())
            near_us = (to_us - from_us) // MOST_MARKS
            return BayHistory(
                _touching(known.stages, from_us, to_us),
                thinned(_touching(known.alarms, from_us, to_us), near_us),
                thinned(_touching(known.unknown, from_us, to_us), near_us),
                [mark for mark in self._clock if from_us <= mark.at_us < to_us],
            )

    def _take(self, event: Event) -> None:
        self._seq = event.seq
        if event.kind == "clock_set_back":
            was, now = str(event.data.get("from", "")), str(event.data.get("to", ""))
            self._clock.append(ClockSetBack(event.at_us, was, now))
        elif event.bay:
            self._bays.setdefault(event.bay, _BayMarks()).take(event)


def _touching(marks: Iterable[Mark], from_us: int, to_us: int) -> list[Mark]:
    return [
        mark for mark in marks
        if mark.from_us < to_us and (mark.to_us is None or mark.to_us >= from_us)
    ]  # fmt: skip


def thinned(marks: Sequence[Mark], near_us: int) -> list[Mark]:
    """Return the marks as they are, or, when there are too many, near neighbours as one.

    Args:
        marks: In order of their beginning.
        near_us: Marks of one kind with less than this between them become one [µs].
    """
    if len(marks) <= MOST_MARKS:
        return list(marks)
    kept: list[Mark] = []
    last: dict[str, int] = {}
    for mark in marks:
        place = last.get(mark.what)
        before = kept[place] if place is not None else None
        if before is None or place is None or before.to_us is None:
            last[mark.what] = len(kept)
            kept.append(mark)
        elif mark.from_us - before.to_us < near_us:
            to_us = None if mark.to_us is None else max(mark.to_us, before.to_us)
            kept[place] = before._replace(to_us=to_us, many=before.many + mark.many)
        else:
            last[mark.what] = len(kept)
            kept.append(mark)
    return kept


def limits_in_force(
    plan: BayPlan, stages: Iterable[Mark], quantities: Iterable[str]
) -> list[dict[str, Any]]:
    """Return the limits of the stages worked, as they stand in today's shop file.

    Args:
        plan: The bay.
        stages: When which stage was worked.
        quantities: Only limits of these.
    """
    wanted = set(quantities)
    by_id = {stage.id: stage for stage in plan.stages}
    return [
        {
            **_times(mark),
            "quantity": limit.quantity,
            "low": limit.low if math.isfinite(limit.low) else None,
            "high": limit.high if math.isfinite(limit.high) else None,
            "stage": mark.stage,
            "goal": by_id[mark.stage].goal,
        }
        for mark in stages if mark.stage in by_id
        for limit in by_id[mark.stage].limits if limit.quantity in wanted
    ]  # fmt: skip


def _times(mark: Mark) -> dict[str, int | None]:
    return {
        "from_ms": mark.from_us // 1000,
        "to_ms": None if mark.to_us is None else mark.to_us // 1000,
    }


def marks_document(plan: BayPlan, history: BayHistory) -> dict[str, Any]:
    """Return the marks as the board gets them: times in ms, an end of None still lasts."""
    names = {stage.id: stage.name for stage in plan.stages}
    return {
        "stages": [
            {**_times(m), "stage": m.stage, "name": names.get(m.stage, m.stage)}
            for m in history.stages
        ],
        "alarms": [
            {**_times(m), "what": m.what, "stage": m.stage, "count": m.many} for m in history.alarms
        ],
        "unknown": [{**_times(m), "stage": m.stage, "count": m.many} for m in history.unknown],
        "clock_set_back": [
            {"at_ms": m.at_us // 1000, "from": m.from_text, "to": m.to_text} for m in history.clock
        ],
    }
