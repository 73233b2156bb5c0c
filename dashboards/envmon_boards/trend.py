"""The short trend: the last hours of a bay in at most a few hundred points, gaps kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.clock import SECOND_US
from envmon.physics.air import dew_point_c

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from envmon.facts import Reading
    from envmon.guard.plan import BayPlan

POINTS = 300
MEASURED = ("air_temp_c", "rel_hum_pct", "panel_temp_c")


def trend_points(plan: BayPlan) -> list[str]:
    """Return the ids of the points whose readings a bay's trend is made of."""
    return sorted({series.point for name in MEASURED for series in plan.sources.get(name, ())})


def trend_document(
    plan: BayPlan, readings: Iterable[Reading], from_us: int, to_us: int
) -> dict[str, Any]:
    """Return the trend: per quantity times [ms, UTC] and values, None where a gap begins.

    A value is the mean over a bucket of time. A line is broken where nothing came for longer
    than the bay's sensors may be silent.

    Args:
        plan: The bay.
        readings: Readings of its points in the span.
        from_us: Start of the span [µs].
        to_us: End of the span [µs].
    """
    width_us = max(5 * SECOND_US, -(-(to_us - from_us) // POINTS))
    values = _bucket_means(plan, readings, from_us, width_us, -(-(to_us - from_us) // width_us))
    values["dew_point_c"] = _dew_points(values["air_temp_c"], values["rel_hum_pct"])
    times_ms = (from_us + np.arange(len(values["dew_point_c"])) * width_us + width_us // 2) // 1000
    gap_ms = (max(_silence_us(plan), width_us) + width_us) // 1000
    return {
        "from_ms": from_us // 1000,
        "to_ms": to_us // 1000,
        "values": {name: _line(times_ms, column, gap_ms) for name, column in values.items()},
    }


def _silence_us(plan: BayPlan) -> int:
    return max((s.stale_us for name in MEASURED for s in plan.sources.get(name, ())), default=0)


def _bucket_means(
    plan: BayPlan, readings: Iterable[Reading], from_us: int, width_us: int, count: int
) -> dict[str, NDArray[np.float64]]:
    wanted = {(s.point, name) for name in MEASURED for s in plan.sources.get(name, ())}
    sums = {name: np.zeros(count) for name in MEASURED}
    counts = {name: np.zeros(count) for name in MEASURED}
    for reading in readings:
        if (reading.point, reading.quantity) in wanted and reading.flag.usable:
            place = (reading.t_us - from_us) // width_us
            sums[reading.quantity][place] += reading.value
            counts[reading.quantity][place] += 1
    with np.errstate(invalid="ignore"):
        return {name: sums[name] / counts[name] for name in MEASURED}


def _dew_points(air_c: NDArray[np.float64], hum_pct: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return dew points [°C], NaN where air or humidity is not known or cannot be."""
    known = np.isfinite(air_c) & (hum_pct > 0) & (hum_pct <= 103)
    dew_c = np.full(len(air_c), np.nan)
    dew_c[known] = dew_point_c(air_c[known], hum_pct[known])
    return dew_c


def _line(
    times_ms: NDArray[np.int64], values: NDArray[np.float64], gap_ms: int
) -> dict[str, list[Any]]:
    line: dict[str, list[Any]] = {"t_ms": [], "v": []}
    for place in np.flatnonzero(np.isfinite(values)):
        at_ms = int(times_ms[place])
        if line["t_ms"] and at_ms - line["t_ms"][-1] > gap_ms:
            line["t_ms"].append(line["t_ms"][-1] + 1)
            line["v"].append(None)
        line["t_ms"].append(at_ms)
        line["v"].append(round(float(values[place]), 2))
    return line
