"""What one pair of hands does next with the panels that are left, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from envmon.clock import SECOND_US
from envmon.job.clocks import marks_of
from envmon.job.rhythm import Waiting, late_if_applied, plan_rhythm, waiting_panels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.job.model import Job
    from envmon.job.rhythm import Rhythm


class Stroke(NamedTuple):
    """One act on one panel: from when until when [µs]."""

    act: Literal["apply", "level"]
    panel: str
    from_us: int
    to_us: int


class Start(NamedTuple):
    """How things stand when the hands are free.

    Attributes:
        now_us: They are free from now on [µs].
        waiting: The panels in flight.
        todo: Ids of the panels to come, in the order of work.
        covered_us: Covering the last one was begun then [µs]; None when none is in flight.
    """

    now_us: int
    waiting: Sequence[Waiting]
    todo: Sequence[str]
    covered_us: int | None = None


def strokes_left(job: Job, now_us: int, rhythm: Rhythm) -> tuple[Stroke, ...]:
    """Return order and spacing of everything still to be covered and levelled.

    Args:
        job: The job.
        now_us: The hands are free from now on [µs].
        rhythm: What hands and product take now; panels to come get its flash window.
    """
    from_us = job.coat_from_us
    todo = [panel.id for panel in job.panels if not marks_of(panel, from_us)]
    covered = [
        panel.last.at_us - _us(rhythm.apply_s)
        for panel in job.panels
        if panel.in_flight and panel.last is not None
    ]
    return strokes(Start(now_us, waiting_panels(job), todo, max(covered, default=None)), rhythm)


def strokes(start: Start, rhythm: Rhythm) -> tuple[Stroke, ...]:
    """Return the strokes in order, in the steady rhythm or, where that ends sooner, without it.

    What is due is levelled first; else the next panel is covered when its turn has come and all in
    flight, it included, can then still be levelled in time; else the hands wait. Strokes never
    overlap, and no window is missed that was not lost already. Where levelling takes longer than
    covering, ``plan_rhythm`` may be quicker: it lets a due panel wait for one more to be covered.

    Args:
        start: How things stand.
        rhythm: What hands and product take.
    """
    period_us = _us(plan_rhythm(rhythm, 1).period)
    steady, close = (_Hands(start, rhythm, apart).work() for apart in (period_us, 0))
    return close if close and close[-1].to_us < steady[-1].to_us else steady


class _Hands:
    """One pair of hands at work."""

    def __init__(self, start: Start, rhythm: Rhythm, apart_us: int) -> None:
        self.now_us, self.rhythm, self.apart_us = start.now_us, rhythm, apart_us
        self.flying, self.todo = sorted(start.waiting, key=_latest), list(start.todo)
        self.covered_us = start.covered_us

    def work(self) -> tuple[Stroke, ...]:
        """Return every stroke until nothing is left."""
        done: list[Stroke] = []
        while self.flying or self.todo:
            stroke = self._next()
            if stroke is None:
                self.now_us = self._wake_us()
                continue
            self.now_us = stroke.to_us
            done.append(stroke)
        return tuple(done)

    def _next(self) -> Stroke | None:
        now_us = self.now_us
        due = next((one for one in self.flying if one.from_us <= now_us), None)
        if due is not None:
            self.flying.remove(due)
            return Stroke("level", due.panel, now_us, now_us + _us(self.rhythm.level_s))
        if not self._room() or now_us < self._turn_us():
            return None
        if late_if_applied(self.flying, now_us, self.rhythm) is not None:
            return None
        return self._cover(self.todo.pop(0))

    def _room(self) -> bool:
        return bool(self.todo) and len(self.flying) < self.rhythm.in_flight

    def _turn_us(self) -> int:
        """Return when the next panel's turn to be covered comes."""
        if not self.flying or self.covered_us is None:
            return self.now_us
        return self.covered_us + self.apart_us

    def _cover(self, panel: str) -> Stroke:
        self.covered_us, end_us = self.now_us, self.now_us + _us(self.rhythm.apply_s)
        ends = (self.rhythm.flash_from_s, self.rhythm.flash_to_s)
        self.flying.append(Waiting(panel, *(end_us + _us(end) for end in ends)))
        self.flying.sort(key=_latest)
        return Stroke("apply", panel, self.covered_us, end_us)

    def _wake_us(self) -> int:
        times = [one.from_us for one in self.flying]
        if self._room() and self._turn_us() > self.now_us:
            times.append(self._turn_us())
        return min(times)


def _latest(one: Waiting) -> int:
    return one.to_us


def _us(seconds: float) -> int:
    return round(seconds * SECOND_US)
