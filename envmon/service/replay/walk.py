"""The guard walked through the kept past as it went live, and beside it one with other limits."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.guard.engine import fitted_state, fresh_state, rewound_state, step
from envmon.service.replay.alarms import AlarmBook
from envmon.service.replay.feed import readings_of
from envmon.service.replay.timeline import Painter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from envmon.facts import Event, Reading
    from envmon.guard.live import Fitness
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import Finding, GuardState, StageTurn
    from envmon.service.replay.feed import Told
    from envmon.service.replay.runs import Run, Start
    from envmon.store.past import Past


class Walker:
    """One guard on its way through the past, and what it found where that was asked for.

    Args:
        plan: The limits it judges by.
        fingerprint: Their digest; empty for limits that were never in force here, which take
            nothing over from the guard that was.
    """

    def __init__(self, plan: GuardPlan, fingerprint: str) -> None:
        self.plan, self.fingerprint = plan, fingerprint
        self.state = fresh_state(plan, 0)
        self.alarms, self.painter = AlarmBook(), Painter()
        self.found: dict[int, list[Finding]] = {}
        """What it found, by run of the clock."""
        self.turned: set[int] = set()
        """Runs whose beginning, the clock being set back, it came to by itself."""
        self._collected: list[Finding] | None = None
        self._events: Sequence[Event] = ()
        self._place = 0

    def start(self, start: Start | None, at_us: int, events: Sequence[Event]) -> None:
        """Begin a run at a checkpoint, or with nothing known at ``at_us`` [µs]."""
        self._collected, self._events, self._place = None, events, 0
        if start is None:
            self.state = fresh_state(self.plan, at_us)
        elif start.kept.plan == self.fingerprint:
            self.state = start.kept.state
        else:
            self.state, _ = fitted_state(self.plan, start.kept.state)

    def collect(self, run: Run, at_us: int) -> None:
        """Keep from now on what is found."""
        self._collected = self.found.setdefault(run.set_back, [])
        self.painter.begin(at_us, stands(self.state))
        self.alarms.stand(self.state, at_us)

    def step(self, readings: Sequence[Reading], now_us: int) -> None:
        """Take readings in, with what people said by then, and move on to ``now_us`` [µs]."""
        asked: list[Event] = []
        while self._place < len(self._events) and self._events[self._place].at_us <= now_us:
            event = self._events[self._place]
            if event.seq > self.state.event_seq:
                asked.append(event)
            self._place += 1
        trace: list[StageTurn] | None = None if self._collected is None else []
        self.state, findings = step(self.plan, self.state, readings, asked, now_us, trace=trace)
        if self._collected is not None:
            self._collected += findings
            self.alarms.take(findings)
            for at_us, bay, stage, fitness in trace or ():
                self.painter.turn(at_us, (bay, stage), fitness)

    def meet(self, start: Start) -> None:
        """Come to where the guard that was could not simply go on: go on from where it did."""
        if start.kept.plan != self.fingerprint:
            return
        self.state = start.kept.state
        if self._collected is not None:
            self.alarms.stand(self.state, start.at_us)
            for key, fitness in stands(self.state).items():
                self.painter.turn(start.at_us, key, fitness)

    def end(self, at_us: int, following: Run | None) -> None:
        """End what is kept of a run, at ``at_us`` [µs] or where the clock was set back."""
        if following is not None:
            _, findings = rewound_state(self.plan, self.state, following.begin_us)
            self.turned.add(following.set_back)
            self.found.setdefault(following.set_back, []).extend(findings)
            self.alarms.end(at_us)
        self.alarms.finish()
        self.painter.end(at_us)


def stands(state: GuardState) -> dict[tuple[str, str], Fitness]:
    """Return how every stage of every bay stands."""
    return {
        (bay_id, stage_id): stage.fitness
        for bay_id, bay in state.bays.items()
        for stage_id, stage in bay.stages.items()
    }


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Keep Python from searching millions of readings for cycles they cannot have (a tenth)."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


class Way:
    """The way through the past: its runs of the clock, and what happened on it.

    Args:
        past: Everything kept.
        runs: All runs of the clock.
        told: What the chain says.
        twice: Times the clock showed in more than one run.
        progress: Called with the share done (0 to 1) and how many readings were taken in.
    """

    def __init__(
        self,
        past: Past,
        runs: Sequence[Run],
        told: Told,
        twice: Sequence[tuple[int, int]],
        progress: Callable[[float, int], None],
    ) -> None:
        self._past, self._runs, self._told, self._twice = past, runs, told, twice
        self._progress = progress
        self._span = 0, 0
        self.readings = 0
        """Readings taken in inside the span."""

    def walk(self, walkers: Sequence[Walker], from_us: int, to_us: int, lead_us: int) -> None:
        """Lead the walkers through every run, from ``from_us`` to before ``to_us`` [µs].

        Args:
            walkers: Guards, side by side.
            from_us: Start of what is asked about [µs].
            to_us: Its end [µs].
            lead_us: The start each guard needs at least to find itself [µs].
        """
        self._span = from_us, to_us
        with _no_search_for_cycles():
            for run, following in zip(self._runs, [*self._runs[1:], None], strict=True):
                start_us, end_us = max(from_us, run.begin_us), min(to_us, run.end_us)
                if start_us < end_us:
                    at_us = self._start(walkers, run, start_us, lead_us)
                    self._go(walkers, run, at_us, (start_us, end_us))
                    turned = following if end_us == run.end_us else None
                    for walker in walkers:
                        walker.end(end_us, turned)

    def _start(self, walkers: Sequence[Walker], run: Run, start_us: int, lead_us: int) -> int:
        """Set the walkers to where they begin; return the last moment behind them [µs]."""
        start = run.start_before(start_us - 1 - lead_us)
        if start is None and run.starts and run.starts[0].at_us <= run.begin_us:
            start = run.starts[0]
        at_us = start.at_us if start else max(run.begin_us, start_us - max(lead_us, DAY_US))
        for walker in walkers:
            walker.start(start, at_us, self._told.asked[run.set_back])
        return at_us if start else at_us - 1

    def _go(self, walkers: Sequence[Walker], run: Run, at_us: int, span: tuple[int, int]) -> None:
        """Go from ``at_us`` to the end of the span, keeping what is found inside it."""
        start_us, end_us = span
        breaks = {s.at_us: s for s in run.starts if s.why != "day" and at_us < s.at_us < end_us}
        for stop_us in sorted({start_us - 1, *breaks, end_us - 1}):
            if stop_us > at_us:
                self._pass(walkers, run, (at_us + 1, stop_us), counts=stop_us >= start_us)
                at_us = stop_us
            for walker in walkers:
                if stop_us in breaks:
                    walker.meet(breaks[stop_us])
                if stop_us == start_us - 1:
                    walker.collect(run, start_us)

    def _pass(
        self, walkers: Sequence[Walker], run: Run, moments: tuple[int, int], *, counts: bool
    ) -> None:
        """Take in what was taken in from the first to the last of the moments, both included."""
        first_us, last_us = moments
        for readings in readings_of(self._past, run, self._twice, first_us, last_us + 1):
            for walker in walkers:
                walker.step(readings, readings[-1].seen_us)
            self.readings += len(readings) if counts else 0
            self._progress(self._share(readings[-1].seen_us), len(readings))
        for walker in walkers:
            walker.step([], last_us)

    def _share(self, at_us: int) -> float:
        """Return roughly which share is done: the clock may have been set back."""
        from_us, to_us = self._span
        to_us = min(to_us, self._runs[-1].end_us)
        return min(1.0, max(0.0, (at_us - from_us) / max(1, to_us - from_us)))
