"""What a replay found held against what the guard wrote into the chain when it happened."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Literal, NamedTuple

from envmon.service.replay.mark import TAKEN
from envmon.store.chain import canonical

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from envmon.facts import Event
    from envmon.guard.state import Finding
    from envmon.service.replay.feed import Told
    from envmon.service.replay.runs import Run
    from envmon.service.replay.walk import Walker

Key = tuple[int, str, str, str]
"""A finding as it can be counted: time [µs], kind, bay, data as text."""


class Difference(NamedTuple):
    """A finding that only one of the two had."""

    only: Literal["live", "replay"]
    at_us: int
    kind: str
    bay: str
    data: str


class Comparison(NamedTuple):
    """How far a replay agrees with what happened.

    Attributes:
        compared: Findings of the live guard that could be compared.
        same: So many of them the replay has as well, exactly.
        differences: The others, and what only the replay has.
        apart: Findings that cannot be compared: other limits were in force, or none are known.
        taken: When other limits came into force inside the span.
    """

    compared: int
    same: int
    differences: tuple[Difference, ...]
    apart: int
    taken: tuple[Event, ...]


def compare(walker: Walker, runs: Sequence[Run], told: Told, span: tuple[int, int]) -> Comparison:
    """Hold what a replay found against the chain, where the same limits were in force.

    Args:
        walker: The replay, with the limits as they are now.
        runs: All runs of the clock.
        told: What the chain says.
        span: First moment and end of what was asked about [µs].
    """
    from_us, to_us = span
    live, replayed, apart = Counter[Key](), Counter[Key](), 0
    by_itself = _places_of_breaks(runs, told, walker.turned)
    for run in runs:
        for plan, event in told.found[run.set_back]:
            if not from_us <= event.at_us < to_us or _none(event.seq, by_itself):
                continue
            if plan == walker.fingerprint and _limits_at(run, event.at_us) == plan:
                live[_key(event)] += 1
            else:
                apart += 1
        for finding in walker.found.get(run.set_back, ()):
            known = _limits_at(run, finding.at_us) == walker.fingerprint
            if known and from_us <= finding.at_us < to_us:
                replayed[_key(finding)] += 1
    differences = [
        *(Difference("live", *key) for key in (live - replayed).elements()),
        *(Difference("replay", *key) for key in (replayed - live).elements()),
    ]
    differences.sort(key=lambda difference: difference[1:])
    taken = [e for e in told.breaks if e.kind == TAKEN and from_us <= e.at_us < to_us]
    first = next(iter(taken), None)
    if first is not None and _is_first(runs, first):
        taken.remove(first)
    same = (live & replayed).total()
    return Comparison(live.total(), same, tuple(differences), apart, tuple(taken))


def _key(found: Event | Finding) -> Key:
    # Words are not part of it: a later envmon may say the same in others.
    data = {key: value for key, value in found.data.items() if key not in {"text", "do"}}
    return found.at_us, found.kind, found.bay, canonical(data)


def _limits_at(run: Run, at_us: int) -> str:
    """Return the fingerprint of the limits in force at a time; empty where none is known."""
    start = run.start_before(at_us - 1)
    if start is None and run.starts and run.starts[0].why == "clock":
        start = run.starts[0]
    return start.kept.plan if start else ""


def _is_first(runs: Sequence[Run], taken: Event) -> bool:
    """Return whether limits came into force because the watch was started for the first time."""
    starts = runs[0].starts
    return bool(starts) and starts[0].why == "start" and taken.at_us == starts[0].at_us


def _places_of_breaks(
    runs: Sequence[Run], told: Told, turned: Collection[int]
) -> list[tuple[int, int]]:
    """Return first and last place in the chain of what a break wrote by itself.

    A changed shop file, or a lost snapshot, is judged from a state that no replay comes by. What
    a clock set back wrote can be worked out again by one that was on its way just before.
    """
    ends = sorted(
        start.kept.seq
        for run in runs
        for start in run.starts
        if start.why != "day" and not (start.why == "clock" and run.set_back in turned)
    )
    places = []
    for event in told.breaks:
        end = next((end for end in ends if end >= event.seq), None)
        following = next((e.seq for e in told.breaks if e.seq > event.seq), None)
        if end is not None and (following is None or end < following):
            places.append((event.seq, end))
    return places


def _none(seq: int, ranges: Iterable[tuple[int, int]]) -> bool:
    return any(first <= seq <= last for first, last in ranges)
