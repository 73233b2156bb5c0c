"""The lines of the history board: low, mean and high per bucket, broken where nothing came."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.store.history import Line, dew_lines, history
from envmon.units import QUANTITIES
from envmon_boards.history_catalogue import DERIVED, unit_facts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from envmon.guard.plan import Series
    from envmon.store.columns import SeriesName
    from envmon.store.past import Past
    from envmon_boards.history_catalogue import Sources
    from envmon_boards.history_question import Question


class NamedLine(NamedTuple):
    """One line of the board.

    Attributes:
        quantity: What it is.
        point: Where it was measured; empty for a quantity worked out from several.
        label: What a person reads; numbered where several points measure the same.
        stale_us: After so long without a reading the line breaks [µs].
        line: Its buckets.
    """

    quantity: str
    point: str
    label: str
    stale_us: int
    line: Line


class Lines(NamedTuple):
    """All lines of an answer and the buckets they share.

    Attributes:
        edges_us: Edges of the buckets, one more than there are buckets [µs].
        step_s: Width of a bucket; on days of a time change some are wider or narrower [s].
        lines: The lines, in the order they were asked for.
    """

    edges_us: NDArray[np.int64]
    step_s: int
    lines: list[NamedLine]


def lines_of(past: Past, question: Question, sources: Sources, zone: str) -> Lines:
    """Return the lines that were asked for.

    Args:
        past: Everything kept.
        question: What is wanted.
        sources: What can be shown of the bay.
        zone: The shop's time zone; buckets of an hour and more follow its days.

    Raises:
        StoreError: The data folder cannot be read.
    """
    wanted = [(s.point, name) for name in question.quantities if name not in DERIVED
              for s in sources[name]]  # fmt: skip
    span = (question.from_us, question.to_us)
    found = history(past, wanted, *span, question.most, zone)
    derived: dict[str, Line] = {}
    if any(name in DERIVED for name in question.quantities):
        air, humidity = (_names(sources, name) for name in ("air_temp_c", "rel_hum_pct"))
        panel = _names(sources, "panel_temp_c") or None
        derived = _dew_lines(past, (air, humidity, panel), found.edges_us)
    lines: list[NamedLine] = []
    for name in question.quantities:
        if name in DERIVED:
            lines += _derived_line(name, sources[name], derived)
        else:
            lines += _measured_lines(name, sources[name], found.lines)
    return Lines(found.edges_us, found.step_s, lines)


def _dew_lines(
    past: Past,
    groups: tuple[list[SeriesName], list[SeriesName], list[SeriesName] | None],
    edges_us: NDArray[np.int64],
) -> dict[str, Line]:
    """Return the derived lines; minutes outside of what is kept need not be worked out."""
    kept = past.span()
    buckets = len(edges_us) - 1
    if kept is None or kept[1] <= edges_us[0] or kept[0] >= edges_us[-1]:
        return {}
    first = max(0, int(np.searchsorted(edges_us, kept[0], "right")) - 1)
    last = min(buckets, int(np.searchsorted(edges_us, kept[1], "left")))
    found = dew_lines(past, *groups, edges_us[first : last + 1])
    return {name: _widened(line, first, buckets) for name, line in found.items()}


def _widened(line: Line, first: int, buckets: int) -> Line:
    """Return a line with empty buckets before and behind."""
    around = (first, buckets - first - len(line.count))
    low, mean, high = (
        np.pad(values, around, constant_values=np.nan)
        for values in (line.low, line.mean, line.high)
    )
    return Line(low, mean, high, np.pad(line.count, around), np.pad(line.flagged, around))


def _names(sources: Sources, quantity: str) -> list[SeriesName]:
    return [(series.point, quantity) for series in sources.get(quantity, ())]


def _derived_line(name: str, needs: Sequence[Series], derived: dict[str, Line]) -> list[NamedLine]:
    if name not in derived:
        return []
    stale_us = max(series.stale_us for series in needs)
    return [NamedLine(name, "", QUANTITIES[name].label, stale_us, derived[name])]


def _measured_lines(
    name: str, group: Sequence[Series], lines: dict[tuple[str, str], Line]
) -> list[NamedLine]:
    label = QUANTITIES[name].label
    return [
        NamedLine(
            name,
            series.point,
            label if len(group) == 1 else f"{label} {place}",
            series.stale_us,
            lines[series.point, name],
        )
        for place, series in enumerate(group, 1)
        if (series.point, name) in lines
    ]


def breaks(
    edges_us: NDArray[np.int64], places: NDArray[np.intp], stale_us: int
) -> NDArray[np.bool_]:
    """Return before which of the filled buckets a line breaks.

    It breaks where empty buckets lie between, and together they are at least as long as the
    point may be silent (or as a bucket is wide, for then not even one reading came in it).

    Args:
        edges_us: Edges of all buckets [µs], int64 (n + 1,).
        places: Buckets that hold something, rising, (k,).
        stale_us: How long the point may be silent [µs].

    Returns:
        bool (k,); the first is False.
    """
    broken = np.zeros(len(places), bool)
    before, after = places[:-1], places[1:]
    silent_us = edges_us[after] - edges_us[before + 1]
    widths_us = edges_us[before + 1] - edges_us[before]
    broken[1:] = (after > before + 1) & (silent_us >= np.maximum(widths_us, stale_us))
    return broken


def line_document(named: NamedLine, edges_us: NDArray[np.int64]) -> dict[str, Any]:
    """Return a line as the board gets it: null in every column where it breaks.

    Args:
        named: The line.
        edges_us: Edges of the buckets [µs].
    """
    line = named.line
    places = np.flatnonzero(line.count)
    gaps = np.flatnonzero(breaks(edges_us, places, named.stale_us))
    digits = _digits(named.quantity)
    columns: dict[str, list[Any]] = {
        "t_ms": (edges_us[places] // 1000).tolist(),
        "low": np.round(line.low[places], digits).tolist(),
        "mean": np.round(line.mean[places], digits).tolist(),
        "high": np.round(line.high[places], digits).tolist(),
        "count": line.count[places].tolist(),
        "flagged": line.flagged[places].tolist(),
    }
    for gap in gaps[::-1].tolist():
        for name, column in columns.items():
            quiet_ms = int(edges_us[places[gap - 1] + 1]) // 1000
            column.insert(gap, quiet_ms if name == "t_ms" else None)
    facts = unit_facts(named.quantity)
    head = {"quantity": named.quantity, "point": named.point, **facts, "label": named.label}
    left_out = int(line.flagged.sum())
    return {**head, **columns, "left_out": left_out}


def _digits(quantity: str) -> int:
    """Return how many digits a chart can use: one more than a person reads, at least two."""
    return max(QUANTITIES[quantity].decimals + 1, 2)


def lines_document(found: Lines) -> dict[str, Any]:
    """Return all lines and the edges of their buckets [ms]."""
    return {
        "step_s": found.step_s,
        "edges_ms": (found.edges_us // 1000).tolist(),
        "lines": [line_document(named, found.edges_us) for named in found.lines],
    }
