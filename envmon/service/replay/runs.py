"""How the kept past falls into runs of the clock, and where a replay of each can start."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import DAY_US
from envmon.service.replay.mark import KeptGuard, is_of_run
from envmon.service.restored import SNAPSHOT
from envmon.store.live_part import live_seen_span

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.store.past import Past
    from envmon.store.sqlite import SqliteStore

EVER = (-(2**62), 2**62)


@dataclass(frozen=True, slots=True)
class Start:
    """A checkpoint.

    Attributes:
        at_us: Time up to which everything has been judged in it [µs].
        why: ``day`` for one on the way; anything else begins something new.
        kept: The guard as it was.
    """

    at_us: int
    why: str
    kept: KeptGuard


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch in which the watch's clock only went forward.

    Attributes:
        set_back: How often the clock had been set back before.
        begin_us: Its first moment [µs].
        end_us: The moment behind its last one [µs].
        starts: Checkpoints in it, in order.
    """

    set_back: int
    begin_us: int
    end_us: int
    starts: tuple[Start, ...]

    def start_before(self, at_us: int) -> Start | None:
        """Return the newest checkpoint at or before a time."""
        return next((s for s in reversed(self.starts) if s.at_us <= at_us), None)


def runs_of(past: Past, retain_days: int | None) -> list[Run]:
    """Return the runs of the clock in everything kept, in the order in which they were.

    Args:
        past: Everything kept.
        retain_days: Days after which readings may be deleted; None if never.
    """
    groups: list[list[Start]] = [[]]
    for at_us, why, state in past.store.checkpoints(*EVER):
        try:
            start = Start(at_us, why, msgspec.json.decode(state, type=KeptGuard))
        except msgspec.MsgspecError:
            continue  # of another version; an older or a newer one serves
        if why == "clock":
            groups.append([])
        groups[-1].append(start)
    seen = seen_span(past)
    begins = [s.at_us for s in groups[0][:1]] + ([seen[0]] if seen else [])
    if not begins:
        return []
    begin_us, last_us = min(begins), _last_us(past.store, seen, len(groups) - 1)
    if retain_days is not None:
        begin_us = max(begin_us, last_us - retain_days * DAY_US)
    ends = [s.kept.before_us for group in groups[1:] for s in group[:1]]
    return [
        Run(number, group[0].at_us if number else begin_us, (end or 0) + 1, tuple(group))
        for number, (group, end) in enumerate(zip(groups, [*ends, last_us], strict=True))
    ]


def seen_span(past: Past) -> tuple[int, int] | None:
    """Return when the first and the last reading of all was taken in [µs], or None."""
    spans = [(file.seen_from_us, file.seen_to_us) for file in past.files(*EVER)]
    live = live_seen_span(past.store)
    spans += [live] if live else []
    return (min(a for a, _ in spans), max(b for _, b in spans)) if spans else None


def _last_us(store: SqliteStore, seen: tuple[int, int] | None, set_back: int) -> int:
    """Return up to when the last run has judged [µs]."""
    saved_us = store.snapshot_at(SNAPSHOT)
    if saved_us is None or not set_back:
        return max(saved_us or 0, seen[1] if seen else 0)
    after = store.readings_seen_after(saved_us, saved_us - DAY_US)
    return max([saved_us, *(r.seen_us for r in after if is_of_run(r.seen_us, set_back))])


def shown_twice(runs: Sequence[Run]) -> list[tuple[int, int]]:
    """Return the times the clock showed in more than one run, half-open [µs]."""
    pairs = combinations(runs, 2)
    both = [(max(a.begin_us, b.begin_us), min(a.end_us, b.end_us)) for a, b in pairs]
    return [span for span in both if span[0] < span[1]]
