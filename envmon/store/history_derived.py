"""Dew point and dew margin over a span, worked out minute by minute."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.clock import MINUTE_US, SECOND_US
from envmon.physics.air import dew_point_c, frost_point_c
from envmon.physics.surface import dew_margin_k
from envmon.store.history_buckets import Buckets
from envmon.store.history_count import counted
from envmon.store.history_tally import Line, Means, Tally

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName
    from envmon.store.past import Past

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


def dew_lines(
    past: Past,
    air: Sequence[SeriesName],
    humidity: Sequence[SeriesName],
    panel: Sequence[SeriesName] | None,
    edges_us: Ints,
) -> dict[str, Line]:
    """Return dew point [°C] and dew margin [K] per bucket, low and high of the minutes in it.

    A minute's dew point follows from the minute's mean temperature and mean humidity, over all
    points given; a minute without either, or outside what the formulas hold for, is left out. In
    buckets shorter than a minute the means are those of the bucket.

    Args:
        past: Everything kept.
        air: Air temperatures of the space [°C].
        humidity: Relative humidities of the space [%].
        panel: Surface temperatures [°C]; None for the dew point alone.
        edges_us: Edges of the buckets [µs, UTC], from ``history``.

    Returns:
        ``dew_point_c``, and ``dew_margin_k`` when panels were given. A line's ``count`` is the
        number of minutes (or of shorter buckets) it follows from; its ``flagged`` is 0.

    Raises:
        StoreError: The live file cannot be read.
    """
    slots = _slots(edges_us)
    groups = [air, humidity, *([panel] if panel else [])]
    counter: Callable[[Ints], Means | Tally] = Means if slots.step_s == 60 else Tally
    air_c, hum_pct, *panel_c = (each.means() for each in counted(past, groups, slots, counter))
    dew_c = _where(dew_point_c, air_c, hum_pct)
    lines = {"dew_point_c": _line(slots.edges_us, dew_c, edges_us)}
    if panel_c:
        margin_k = _margins(air_c, hum_pct, panel_c[0], dew_c)
        lines["dew_margin_k"] = _line(slots.edges_us, margin_k, edges_us)
    return lines


def _slots(edges_us: Ints) -> Buckets:
    """Return the minutes of the buckets, or the buckets where they cut minutes."""
    if (edges_us % MINUTE_US).any():
        return Buckets(edges_us, int(np.diff(edges_us).min()) // SECOND_US)
    minutes = np.arange(edges_us[0], edges_us[-1] + 1, MINUTE_US, dtype=np.int64)
    return Buckets(minutes, 60)


def _where(formula: Any, air_c: Floats, hum_pct: Floats) -> Floats:
    """Return what a formula gives where both are known, else NaN."""
    known = np.isfinite(air_c) & np.isfinite(hum_pct)
    found = np.full(len(air_c), np.nan)
    found[known] = formula(air_c[known], hum_pct[known])
    return found


def _margins(air_c: Floats, hum_pct: Floats, panel_c: Floats, dew_c: Floats) -> Floats:
    frost_c = dew_c.copy()
    cold = np.flatnonzero(panel_c < 0)  # only there is the surface held against the frost point
    frost_c[cold] = _where(frost_point_c, air_c[cold], hum_pct[cold])
    margins: Floats = dew_margin_k(panel_c, dew_c, frost_c)
    return margins


def _line(slots_us: Ints, values: Floats, edges_us: Ints) -> Line:
    """Return slots gathered into buckets; the first and last edges are the same."""
    start = np.searchsorted(slots_us, edges_us[:-1])
    known = np.isfinite(values)
    count = np.add.reduceat(known, start, dtype=np.int64)
    low = np.fmin.reduceat(values, start)
    high = np.fmax.reduceat(values, start)
    with np.errstate(invalid="ignore"):
        mean = np.add.reduceat(np.where(known, values, 0.0), start) / count
    # Rounding must not carry a mean past the lowest or highest it is a mean of.
    return Line(low, np.clip(mean, low, high), high, count, np.zeros(len(count), dtype=np.int64))
