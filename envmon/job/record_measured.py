"""What was measured while a job was worked, as JSON types: numbers of every run, and charts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.clock import SECOND_US
from envmon.job.cure import temperature_weighted_h, wet_risk
from envmon.job.record_numbers import DEFINITION, Span, iso_us, run_numbers
from envmon.job.record_series import conditions_held, inputs_of, rising

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from envmon.job.model import Job
    from envmon.job.record_series import Held, Scene

CHARTED = ("air_temp_c", "rel_hum_pct", "panel_temp_c", "dew_margin_k")
"""Drawn over coating and cure, each in a lane of its own."""
BUCKETS = 180
"""A chart has at most so many places from left to right."""
_DIGITS = 3


def spans_of(job: Job, until_us: int) -> list[Span]:
    """Return every time a step was worked, a run that still lasts up to ``until_us`` [µs]."""
    return [
        Span(at, step.stage, n, run.from_us, max(run.from_us, run.to_us or until_us))
        for at, step in enumerate(job.steps)
        for n, run in enumerate(step.runs)
    ]


def quantities_of(job: Job) -> set[str]:
    """Return the measured quantities that a record of a job needs."""
    held = {str(limit["quantity"]) for limits in job.limits.values() for limit in limits}
    return {name for quantity in {*held, *CHARTED} for name in inputs_of(quantity)}


def measured(job: Job, scene: Scene, until_us: int, taken_in_us: int | None) -> dict[str, Any]:
    """Return what was measured while a job was worked.

    Args:
        job: The job.
        scene: Where the conditions of its bay come from.
        until_us: Up to when the record tells of it [µs].
        taken_in_us: When the last of the readings was taken in [µs]; None without any.
    """
    needed = sorted(quantities_of(job))
    return {
        "definition": list(DEFINITION),
        "taken_in_until": None if taken_in_us is None else iso_us(taken_in_us),
        "sources": {
            name: [{"point": s.point, "stale_s": s.stale_us / SECOND_US} for s in sources]
            for name in needed
            if (sources := scene.sources.get(name))
        },
        "air_pressure_pa": scene.pressure_pa,
        "runs": [
            run_numbers(span, job.limits.get(span.stage, ()), scene)
            for span in spans_of(job, until_us)
        ],
        "cure": _cure(job, scene, until_us),
        "charts": list(_charts(job, scene, until_us)),
    }


def _cure(job: Job, scene: Scene, until_us: int) -> dict[str, Any] | None:
    """Return what was warm and what was near to wet while it cured: guidance beside the hours."""
    if job.cure is None or until_us <= job.cure.since_us:
        return None
    ends = job.cure.since_us, until_us
    of = "panel_temp_c" if scene.sources.get("panel_temp_c") else "air_temp_c"
    warm = conditions_held(of, scene, ends)
    risk = wet_risk(conditions_held("dew_margin_k", scene, ends).values.tolist())
    weighted_h = temperature_weighted_h(warm.edges_us[:-1], warm.values)
    return {
        "weighted_h": round(weighted_h, _DIGITS),
        "weighted_by": of,
        "wet_risk": risk.level,
        "lowest_margin_k": None if risk.lowest_k is None else round(risk.lowest_k, _DIGITS),
    }


def _charts(job: Job, scene: Scene, until_us: int) -> Iterator[dict[str, Any]]:
    coats = [span for span in spans_of(job, until_us) if span.stage == "coating"]
    if coats:
        ends = coats[0].from_us, coats[-1].to_us
        yield from _chart(job, scene, "coating", ends)
    if job.cure is not None:
        yield from _chart(job, scene, "cure", (job.cure.since_us, until_us))


def _chart(job: Job, scene: Scene, stage: str, ends: tuple[int, int]) -> Iterator[dict[str, Any]]:
    """Yield the chart of a stage, unless it has no length."""
    if ends[1] - ends[0] < SECOND_US:
        return
    step_us = -(-(ends[1] - ends[0]) // (BUCKETS * SECOND_US)) * SECOND_US
    edges_us = np.append(np.arange(ends[0], ends[1], step_us, dtype=np.int64), ends[1])
    # A procedure may end with the early cure.
    held = job.limits.get(stage) or job.limits.get(f"early_{stage}") or []
    limits = {limit["quantity"]: limit for limit in held}
    lanes = []
    for quantity in CHARTED:
        limit = limits.get(quantity, {})
        lane = _lane(conditions_held(quantity, scene, ends), edges_us)
        if limit or any(value is not None for value in lane["mean"]):
            bounds = {"low": limit.get("low"), "high": limit.get("high")}
            lanes.append({"quantity": quantity, **bounds, **lane})
    yield {
        "stage": stage,
        "from": iso_us(ends[0]),
        "to": iso_us(ends[1]),
        "step_s": step_us / SECOND_US,
        "lanes": lanes,
    }


def _lane(whole: Held, edges_us: NDArray[np.int64]) -> dict[str, list[float | None]]:
    """Return lowest, mean and highest value in force between edges; None where nothing is known."""
    cut_us = rising(np.concatenate([whole.edges_us, edges_us]))
    values, spans = whole.over(cut_us), np.diff(cut_us)
    start = np.searchsorted(cut_us, edges_us[:-1])
    known = ~np.isnan(values)
    time_us = np.add.reduceat(np.where(known, spans, 0), start)
    total = np.add.reduceat(np.where(known, values, 0.0) * spans, start)
    mean = np.divide(total, time_us, out=np.full(len(start), np.nan), where=time_us > 0)
    low, high = np.fmin.reduceat(values, start), np.fmax.reduceat(values, start)
    columns = {"lowest": low, "mean": np.clip(mean, low, high), "highest": high}
    return {name: _plain(column) for name, column in columns.items()}


def _plain(column: NDArray[np.float64]) -> list[float | None]:
    return [None if math.isnan(value) else round(value, _DIGITS) for value in column.tolist()]
