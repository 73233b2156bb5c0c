"""The numbers of a record: minutes in window, means, extremes and excursions of every limit.

``DEFINITION`` says how to work them out again from exported readings; it is part of the record.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.clock import SECOND_US, iso_from_us
from envmon.job.record_series import NOT_WORKED_OUT, Held, conditions_held, rising

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from envmon.job.record_series import Scene

    Bools = NDArray[np.bool_]

_DEFINITION = """
Readings are those of the points under sources, taken in until taken_in_until, that are good values
of their time: without a flag, or with late, rate, wet or apart alone.

A reading holds from its own time until the next good one of its point and quantity, but at most for
the stale time of its point; then the point says nothing. Values are cut at both ends of the run.

Of several points that say something at a moment the median counts.

dew_margin_k is the panel above the dew point of air and humidity (above the frost point where the
panel is below 0 °C), worked out anew at every change; it is known while all three are.

mean is weighted by time, over the time in which the quantity is known; min and max are the lowest
and highest value in force during the run.

inside_s is the time with low <= value <= high, both ends included, without deadband or margin;
outside_s the rest of the known time; unknown_s the rest of the run. Under together a moment is
outside when one limit is, else unknown when one is; limits checked by hand do not count there.

An excursion is an unbroken time outside; the longest ten are listed, count is all of them.

Values are rounded to 6 digits behind the point, times are exact to the microsecond.
"""
DEFINITION = tuple(" ".join(text.split()) for text in _DEFINITION.strip().split("\n\n"))
LISTED = 10
"""So many excursions of a limit are listed, the longest."""
DIGITS = 6


class Span(NamedTuple):
    """A run of a step: which one, and from when to when [µs]."""

    step: int
    stage: str
    run: int
    from_us: int
    to_us: int


def run_numbers(span: Span, limits: Sequence[Mapping[str, Any]], scene: Scene) -> dict[str, Any]:
    """Return what a run was like, as JSON types.

    Args:
        span: The run.
        limits: Limits in force in its stage, from the opening of the job.
        scene: Where the conditions come from.
    """
    rows, states = [], []
    for limit in limits:
        row, state = _limit_row(span, limit, scene)
        rows.append(row)
        if not row["by_hand"]:
            states.append(state)
    return {
        "step": span.step,
        "stage": span.stage,
        "run": span.run,
        "from": iso_us(span.from_us),
        "to": iso_us(span.to_us),
        "seconds": (span.to_us - span.from_us) / SECOND_US,
        "together": _together(span, states),
        "limits": rows,
    }


def iso_us(at_us: int) -> str:
    """Return a time [µs, UTC] as ISO 8601 text, to the microsecond."""
    return f"{iso_from_us(at_us)[:-5]}.{at_us % SECOND_US:06d}Z"


def _limit_row(span: Span, limit: Mapping[str, Any], scene: Scene) -> tuple[dict[str, Any], Held]:
    """Return the row of a limit, and when it was inside (1), outside (0) or unknown (NaN)."""
    quantity = str(limit["quantity"])
    ends = span.from_us, span.to_us
    low = -np.inf if limit.get("low") is None else float(limit["low"])
    high = np.inf if limit.get("high") is None else float(limit["high"])
    if span.to_us <= span.from_us or quantity in NOT_WORKED_OUT:
        whole = Held(np.array(ends, np.int64), np.array([np.nan]))
    else:
        whole = conditions_held(quantity, scene, ends)
    known = ~np.isnan(whole.values)
    inside = known & (whole.values >= low) & (whole.values <= high)
    row = {
        "quantity": quantity,
        "low": limit.get("low"),
        "high": limit.get("high"),
        "source": str(limit.get("source", "")),
        "by_hand": bool(limit.get("by_hand")),
        **_statistics(whole, known),
        **_times(whole.spans_us, known, inside),
        "excursions": _excursions(whole, known & ~inside, low, high),
    }
    return row, Held(whole.edges_us, np.where(known, inside.astype(np.float64), np.nan))


def _statistics(whole: Held, known: Bools) -> dict[str, float | None]:
    spans, values = whole.spans_us[known], whole.values[known]
    total = int(spans.sum())
    if not total:
        return {"min": None, "mean": None, "max": None}
    mean = float((values * spans).sum()) / total
    low, high = float(values.min()), float(values.max())
    # Rounding must not carry a mean past the lowest or highest it is a mean of.
    return {
        "min": round(low, DIGITS),
        "mean": round(min(max(mean, low), high), DIGITS),
        "max": round(high, DIGITS),
    }


def _times(spans_us: NDArray[np.int64], known: Bools, inside: Bools) -> dict[str, float]:
    parts = {"inside_s": inside, "outside_s": known & ~inside, "unknown_s": ~known}
    return {name: int(spans_us[part].sum()) / SECOND_US for name, part in parts.items()}


def _together(span: Span, states: Sequence[Held]) -> dict[str, float] | None:
    """Return how long all limits held at once; outside outweighs unknown. None without limits."""
    if not states:
        return None
    edges_us = rising(np.concatenate([state.edges_us for state in states]))
    if span.to_us <= span.from_us:
        return {"inside_s": 0.0, "outside_s": 0.0, "unknown_s": 0.0}
    rows = np.array([state.over(edges_us) for state in states])
    outside = (rows == 0).any(axis=0)
    unknown = ~outside & np.isnan(rows).any(axis=0)
    return _times(np.diff(edges_us), ~unknown, ~(outside | unknown))


def _excursions(whole: Held, outside: Bools, low: float, high: float) -> dict[str, Any]:
    """Return the unbroken times outside: how many, and the longest of them in order of time."""
    turns = np.flatnonzero(np.diff(np.concatenate([[False], outside, [False]]).astype(np.int8)))
    starts, ends = turns[::2], turns[1::2]
    lengths = whole.edges_us[ends] - whole.edges_us[starts]
    longest = np.sort(np.argsort(-lengths, kind="stable")[:LISTED])
    return {
        "count": len(starts),
        "longest": [
            _excursion(whole, slice(int(starts[at]), int(ends[at])), low, high) for at in longest
        ],
    }


def _excursion(whole: Held, part: slice, low: float, high: float) -> dict[str, Any]:
    values = whole.values[part]
    worst = values[np.argmax(np.maximum(low - values, values - high))]
    return {
        "from": iso_us(int(whole.edges_us[part.start])),
        "to": iso_us(int(whole.edges_us[part.stop])),
        "worst": round(float(worst), DIGITS),
    }
