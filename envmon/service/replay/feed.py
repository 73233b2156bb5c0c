"""What the watch took in, given out again in the same order and in whole moments."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from envmon.facts import CURE_FITNESS
from envmon.guard.alarm_acts import FOUND as FOUND_OF_ALARMS
from envmon.service.replay.mark import SET_BACK, TAKEN, is_of_run
from envmon.service.restored import HEEDED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from envmon.facts import Event, Reading
    from envmon.service.replay.runs import Run
    from envmon.store.past import Past
    from envmon.store.sqlite import SqliteStore

FOUND = FOUND_OF_ALARMS | {"stage_fitness", CURE_FITNESS}
"""What the guard wrote into the chain."""


def whole_moments(chunks: Iterable[Sequence[Reading]]) -> Iterator[list[Reading]]:
    """Cut readings anew so that what was taken in at one moment stays together.

    Judged in two parts, a moment could show what never was.

    Args:
        chunks: Readings in the order in which they were taken in.
    """
    held: list[Reading] = []
    for chunk in chunks:
        held = [*held, *chunk] if held else list(chunk)
        if not held:
            continue
        last_us = held[-1].seen_us
        cut = len(held)
        while cut and held[cut - 1].seen_us == last_us:
            cut -= 1
        if cut:
            yield held[:cut]
        held = held[cut:]
    if held:
        yield held


def readings_of(
    past: Past, run: Run, twice: Sequence[tuple[int, int]], from_us: int, to_us: int
) -> Iterator[list[Reading]]:
    """Yield the readings of a run with ``from_us <= seen_us < to_us`` as they came.

    Args:
        past: Everything kept.
        run: The run of the clock.
        twice: Times the clock showed in more than one run.
        from_us: Start [µs].
        to_us: End [µs].
    """
    chunks: Iterable[list[Reading]] = past.readings_seen(from_us, to_us)
    shared = [span for span in twice if span[0] < to_us and from_us < span[1]]
    if shared:
        chunks = ([r for r in chunk if _is_own(r, run, shared)] for chunk in chunks)
    return whole_moments(chunks)


def _is_own(reading: Reading, run: Run, shared: Sequence[tuple[int, int]]) -> bool:
    if not any(start <= reading.seen_us < end for start, end in shared):
        return True
    return is_of_run(reading.seen_us, run.set_back)


@dataclass(slots=True)
class Told:
    """The chain's entries that matter to a replay, by run of the clock.

    Attributes:
        asked: What a person said.
        found: What the guard found, with the fingerprint of the limits then in force.
        breaks: When other limits came into force, and when the clock was set back.
    """

    asked: dict[int, list[Event]] = field(default_factory=dict)
    found: dict[int, list[tuple[str, Event]]] = field(default_factory=dict)
    breaks: list[Event] = field(default_factory=list)


def told_by(store: SqliteStore, runs: Sequence[Run], from_us: int, to_us: int) -> Told:
    """Return what the chain says from before ``from_us`` up to ``to_us``.

    Args:
        store: Where the chain is.
        runs: All runs of the clock.
        from_us: Start of what is asked about [µs].
        to_us: Its end [µs].
    """
    told = Told({run.set_back: [] for run in runs}, {run.set_back: [] for run in runs})
    # With one run only, a checkpoint says all that was before it.
    start = runs[0].start_before(from_us) if len(runs) == 1 else None
    plan, after_seq = (start.kept.plan, start.kept.seq) if start else ("", 0)
    run = 0
    beyond_us: int | None = None
    for event in store.events(after_seq):
        if event.kind in {SET_BACK, TAKEN}:
            told.breaks.append(event)
        if event.kind == SET_BACK:
            run, beyond_us = run + 1, None
        elif event.kind == TAKEN:
            plan = event.data["plan"]
        elif event.kind in HEEDED:
            told.asked[run].append(event)
        elif event.kind in FOUND:
            told.found[run].append((plan, event))
        if event.at_us >= to_us and run == runs[-1].set_back:
            # What a turn found stands behind what was asked in it, but is never of a later turn.
            if beyond_us is not None and event.at_us > beyond_us:
                break
            beyond_us = event.at_us
    return told
