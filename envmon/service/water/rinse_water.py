"""Rinse water as it was kept: the dissolved solids of each day in a bay."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US
from envmon.service.span import day_edges_us

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from envmon.facts import Event
    from envmon.store.columns import SeriesName
    from envmon.store.past import Past
    from envmon.store.sqlite import SqliteStore

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

RINSE_STAGE = "rinse"
ALL_WATER_DAYS = 30
"""All water is looked at so far back: a sensor that always reads gives a day of it each day."""


class RinseDay(NamedTuple):
    """The rinse water of one local day.

    Attributes:
        at_us: Middle of its readings [µs, UTC].
        ppm: Their median [ppm].
        readings: How many there were.
    """

    at_us: int
    ppm: float
    readings: int


class RinseDays(NamedTuple):
    """What was kept.

    Attributes:
        days: Days with readings, in order.
        only_rinse: The readings are those of final rinses; otherwise of all water, since none of
            a final rinse are there.
    """

    days: list[RinseDay]
    only_rinse: bool


def rinse_days(
    past: Past, series: Sequence[SeriesName], bay: str, span_us: tuple[int, int], zone: str
) -> RinseDays:
    """Return the rinse water of each local day.

    A tap may give rinse water and plain water in turn; so only what was read while the final rinse
    was worked counts, where the chain knows of any; else all water of the last 30 days.

    Args:
        past: Everything kept.
        series: What measures the bay's water.
        bay: Id of the bay.
        span_us: From and to [µs, UTC].
        zone: The shop's time zone.

    Raises:
        StoreError: The live file cannot be read.
    """
    rinses = _charted(past, series, _rinses(past.store, bay, *span_us))
    only_rinse = bool(len(rinses[0]))
    newest_us = max(span_us[0], span_us[1] - ALL_WATER_DAYS * DAY_US), span_us[1]
    t_us, ppm = rinses if only_rinse else _charted(past, series, [newest_us])
    return RinseDays(list(_medians(t_us, ppm, zone)), only_rinse)


def _rinses(store: SqliteStore, bay: str, from_us: int, to_us: int) -> list[tuple[int, int]]:
    """Return when the final rinse was worked in a bay [µs, UTC]."""
    before = store.stage_before(bay, from_us)
    events = [event for event in store.events_between(from_us, to_us) if event.bay == bay]
    spans, began = [], from_us if before is not None and _is_rinse(before) else None
    for event in events:
        if event.kind not in {"stage_started", "stage_ended", "job_closed"}:
            continue
        if began is not None:
            spans.append((began, event.at_us))
        began = event.at_us if _is_rinse(event) else None
    return spans if began is None else [*spans, (began, to_us)]


def _is_rinse(event: Event) -> bool:
    return event.kind == "stage_started" and event.data.get("stage") == RINSE_STAGE


def _charted(
    past: Past, series: Sequence[SeriesName], spans: list[tuple[int, int]]
) -> tuple[Ints, Floats]:
    """Return times and values of the true readings inside spans, in order of time."""
    if not series:
        spans = []
    times, values = [np.empty(0, dtype=np.int64)], [np.empty(0)]
    for span in spans:
        for columns in past.columns(*span, series):
            good = columns.charted()
            times.append(columns.t_us[good])
            values.append(columns.values()[good])
    t_us, ppm = np.concatenate(times), np.concatenate(values)
    order = np.argsort(t_us, kind="stable")
    return t_us[order], ppm[order]


def _medians(t_us: Ints, ppm: Floats, zone: str) -> Iterator[RinseDay]:
    if not len(t_us):
        return
    cuts = np.searchsorted(t_us, day_edges_us(int(t_us[0]), int(t_us[-1]) + 1, zone))
    for first, last in pairwise([0, *cuts.tolist(), len(t_us)]):
        if first < last:
            middle_us = int(t_us[(first + last) // 2])
            yield RinseDay(middle_us, float(np.median(ppm[first:last])), last - first)
