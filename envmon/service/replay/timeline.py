"""How every stage stood over time, as arrays: minutes fit per day, longest stretches, strips."""

from __future__ import annotations

from array import array
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from envmon.guard.live import Fitness

FITNESS: tuple[Fitness, ...] = ("fit", "marginal", "unfit", "unknown")
NOTHING = len(FITNESS)
"""Code of a time for which nothing was judged."""
CODE = {name: code for code, name in enumerate(FITNESS)}

StageKey = tuple[str, str]
"""(bay, stage)"""


class Stretch(NamedTuple):
    """A time without a break [µs]."""

    from_us: int
    to_us: int

    @property
    def minutes(self) -> float:
        """Its length [min]."""
        return (self.to_us - self.from_us) / MINUTE_US


class Timeline:
    """How one stage stood: from each time in ``at_us`` on it was as in ``codes``.

    Attributes:
        at_us: Times [µs], rising, int64 (n,).
        codes: Places in ``FITNESS``, or ``NOTHING``; the last is ``NOTHING``, int8 (n,).
    """

    def __init__(self, at_us: Sequence[int], codes: Sequence[int]) -> None:
        self.at_us = np.array(at_us, np.int64)
        self.codes = np.array(codes, np.int8)

    def cut(self, edges_us: Sequence[int]) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
        """Return times and codes with every edge among the times, between first and last edge."""
        first, last = edges_us[0], edges_us[-1]
        inside = self.at_us[(self.at_us > first) & (self.at_us < last)]
        times = np.unique(np.concatenate([inside, np.array(edges_us, np.int64)]))
        place = np.searchsorted(self.at_us, times, side="right") - 1
        codes = np.where(place < 0, NOTHING, self.codes[np.maximum(place, 0)])
        return times, codes.astype(np.int8)

    def spent_us(self, edges_us: Sequence[int]) -> NDArray[np.int64]:
        """Return the time spent at each fitness between edges [µs], int64 (edges - 1, 5)."""
        times, codes = self.cut(edges_us)
        slot = np.searchsorted(np.array(edges_us, np.int64), times[:-1], side="right") - 1
        spent = np.zeros((len(edges_us) - 1, NOTHING + 1), np.int64)
        np.add.at(spent, (slot, codes[:-1]), np.diff(times))
        return spent

    def stretches(self, from_us: int, to_us: int, fitness: Fitness = "fit") -> list[Stretch]:
        """Return the unbroken times of a fitness between two times."""
        times, codes = self.cut([from_us, to_us])
        is_so = np.concatenate([[False], codes[:-1] == CODE[fitness], [False]])
        change = np.flatnonzero(is_so[1:] != is_so[:-1])
        starts, ends = times[change[0::2]].tolist(), times[change[1::2]].tolist()
        return [Stretch(start, end) for start, end in zip(starts, ends, strict=True)]

    def longest(self, from_us: int, to_us: int) -> Stretch | None:
        """Return the longest fit stretch between two times, the first of equals; or None."""
        return max(self.stretches(from_us, to_us), key=lambda s: s.to_us - s.from_us, default=None)


class Painter:
    """Collects how stages stand while a replay goes on."""

    def __init__(self) -> None:
        self._parts: dict[StageKey, list[tuple[array[int], array[int]]]] = {}
        self._ends: list[int] = []

    def begin(self, at_us: int, stands: dict[StageKey, Fitness]) -> None:
        """Begin a part; times it shares with an earlier part are told by this one."""
        for key, fitness in stands.items():
            part = (array("q", [at_us]), array("b", [CODE[fitness]]))
            self._parts.setdefault(key, []).append(part)

    def turn(self, at_us: int, key: StageKey, fitness: Fitness) -> None:
        """Note that a stage changed."""
        if key in self._parts:
            times, codes = self._parts[key][-1]
            times.append(at_us)
            codes.append(CODE[fitness])

    def end(self, at_us: int) -> None:
        """End the part."""
        for parts in self._parts.values():
            parts[-1][0].append(at_us)
            parts[-1][1].append(NOTHING)

    def timelines(self) -> dict[StageKey, Timeline]:
        """Return what was collected; of two parts over one time the later one counts."""
        return {key: _painted(parts) for key, parts in self._parts.items()}


def _painted(parts: list[tuple[array[int], array[int]]]) -> Timeline:
    times, codes = np.array([], np.int64), np.array([], np.int8)
    for new_times, new_codes in parts:
        line = Timeline(new_times, new_codes)
        start, end = line.at_us[0], line.at_us[-1]
        place = np.searchsorted(times, end, side="right") - 1
        after = codes[place] if place >= 0 else NOTHING
        before, behind = times < start, times > end
        last = line.codes.copy()
        last[-1] = after
        times = np.concatenate([times[before], line.at_us, times[behind]])
        codes = np.concatenate([codes[before], last, codes[behind]])
    # Of several changes at one time the last one holds.
    keep = np.append(times[1:] != times[:-1], True) if len(times) else np.array([], bool)
    return Timeline(times[keep].tolist(), codes[keep].tolist())


def gained_and_lost_us(own: Timeline, other: Timeline, from_us: int, to_us: int) -> tuple[int, int]:
    """Return for how long only the other, and only the own timeline is fit [µs]."""
    edges = np.unique(np.concatenate([own.at_us, other.at_us, [from_us, to_us]]))
    inside = edges[(edges >= from_us) & (edges <= to_us)].tolist()
    if len(inside) < 2:
        return 0, 0
    fit, other_fit = (line.cut(inside)[1][:-1] == CODE["fit"] for line in (own, other))
    length = np.diff(np.array(inside, np.int64))
    return int(length[other_fit & ~fit].sum()), int(length[fit & ~other_fit].sum())
