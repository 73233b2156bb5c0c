"""What a meter counted between times: through resets, roll-over, gaps and a meter that was changed.

A meter only counts up. Each step down is one of: a reading that was wrong and came right again
(left out), a roll-over (the register went round), a reset (it began at zero again), a correction
(it went back a little and counted on), or another meter. What is certain is counted, what is not
stays unknown, and each is said.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.meter_steps import LOST_US, Said, Steps, steps_of

if TYPE_CHECKING:
    from envmon.heating.meter_steps import Bools
    from envmon.heating.model import Counter, Floats, Ints

ACROSS_US = 90 * MINUTE_US
"""An edge between two readings no further apart than this shares what was counted by time."""


class Gap(NamedTuple):
    """A time whose use is known as a whole only, or not even so.

    Attributes:
        from_us: Last reading before it [µs].
        to_us: First reading after it [µs].
        amount: What was used in it, in the counter's unit; None where that is not known.
        at_least: So much of it is sure.
    """

    from_us: int
    to_us: int
    amount: float | None
    at_least: float


class CounterUse(NamedTuple):
    """What was used between edges, each array (p,).

    Attributes:
        amount: What was surely used, in the counter's unit; NaN where nothing is known.
        known: The amount is that of the whole time, but for ten minutes at most.
        share: Share of the time the amount stands for, 0…1.
        gaps: Times that reach over an edge, or whose use is not known, in order.
        notes: What was wrong with the readings, in order.
    """

    amount: Floats
    known: Bools
    share: Floats
    gaps: tuple[Gap, ...] = ()
    notes: tuple[Said, ...] = ()


class _Cut(NamedTuple):
    """What was counted up to each edge, for the time before it and for the time after it."""

    before: Floats
    after: Floats


def used(counter: Counter, edges_us: Ints, across_us: int = ACROSS_US) -> CounterUse:
    """Return what a meter counted between edges.

    A gap of the readings that lies between two edges costs nothing. One that reaches over an edge
    is left out on both sides and handed back with its amount, unless it is no longer than
    ``across_us`` or nothing was used in it. Where all is known, amounts add up to the whole.

    Args:
        counter: The meter's readings.
        edges_us: Rising times [µs] (p + 1,).
        across_us: Readings no further apart than this are joined by a line [µs]; for readings by
            hand and edges of months, days.
    """
    steps = steps_of(counter)
    if len(steps.used) == 0:
        nothing = np.full(len(edges_us) - 1, np.nan)
        return CounterUse(nothing, np.isfinite(nothing), np.zeros(len(nothing)), (), steps.notes)
    lasted = np.diff(steps.t_us)
    joined = steps.certain & ((lasted <= across_us) | (steps.used == 0))
    count = _cut(steps.t_us, steps.used, joined, edges_us)
    time = _cut(steps.t_us, np.where(steps.certain, lasted, 0.0), joined, edges_us)
    within_us = np.maximum(time.before[1:] - time.after[:-1], 0.0)
    amount = np.where(within_us > 0, count.before[1:] - count.after[:-1], np.nan)
    whole_us = np.diff(edges_us)
    known = whole_us - within_us <= LOST_US
    return CounterUse(
        amount, known, within_us / whole_us,
        _gaps(steps, joined, edges_us), steps.notes,
    )  # fmt: skip


def _cut(t_us: Ints, of_step: Floats, joined: Bools, edges_us: Ints) -> _Cut:
    """Return the sum over steps up to each edge; a step that is not joined ends before it."""
    total = np.concatenate(([0.0], np.cumsum(of_step)))
    step = np.clip(np.searchsorted(t_us, edges_us, "right") - 1, 0, len(of_step) - 1)
    share = np.clip((edges_us - t_us[step]) / (t_us[step + 1] - t_us[step]), 0.0, 1.0)
    shared = joined[step] | (share == 0) | (share == 1)
    on_line = total[step] + share * of_step[step]
    return _Cut(np.where(shared, on_line, total[step]), np.where(shared, on_line, total[step + 1]))


def _gaps(steps: Steps, joined: Bools, edges_us: Ints) -> tuple[Gap, ...]:
    """Return steps whose use stands in no amount, or only in part."""
    first, after = steps.t_us[:-1], steps.t_us[1:]
    edges_within = np.searchsorted(edges_us, after, "left") - np.searchsorted(
        edges_us, first, "right"
    )
    reaches_over = ~joined & (edges_within > 0)
    in_span = (after > edges_us[0]) & (first < edges_us[-1])
    places = np.flatnonzero((reaches_over | ~steps.certain) & in_span)
    return tuple(
        Gap(
            int(first[place]), int(after[place]),
            float(steps.used[place]) if steps.certain[place] else None, float(steps.used[place]),
        )
        for place in places.tolist()
    )  # fmt: skip
