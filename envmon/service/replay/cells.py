"""A local day cut into equal cells by the shop's clock, each as it was for most of its time."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import us_from_datetime
from envmon.guard.fitness import SEVERITY
from envmon.service.replay.timeline import FITNESS, NOTHING

if TYPE_CHECKING:
    from envmon.service.replay.timeline import Timeline

_RANK = np.array([*(SEVERITY[name] for name in FITNESS), -1])


def cell_edges_us(day: date, minutes: int, zone: str) -> list[int]:
    """Return where the cells of a local day begin, and where the last one ends [µs].

    A cell the clocks skip has no length; one they show twice holds both.

    Args:
        day: The local date.
        minutes: Length of a cell by the clock on the wall [min].
        zone: The time zone.
    """
    midnight = datetime.combine(day, time(), ZoneInfo(zone))
    walls = [midnight + timedelta(minutes=minutes * n) for n in range(24 * 60 // minutes + 1)]
    edges = [us_from_datetime(wall) for wall in walls]
    for place in range(len(edges) - 2, -1, -1):
        edges[place] = min(edges[place], edges[place + 1])
    return edges


def cells(line: Timeline, day: date, minutes: int, zone: str) -> list[int]:
    """Return a code for each cell of a local day: a place in ``FITNESS``, or ``NOTHING``.

    Of two that held equally long the worse one is shown.
    """
    edges = cell_edges_us(day, minutes, zone)
    real = sorted(set(edges))
    spent = dict(zip(real, line.spent_us(real), strict=False))
    codes = []
    for start, end in pairwise(edges):
        if start == end or not spent[start][:NOTHING].any():
            codes.append(NOTHING)
        else:
            ranked = zip(
                spent[start][:NOTHING].tolist(), _RANK.tolist(), range(NOTHING), strict=False
            )
            codes.append(max(ranked)[2])
    return codes
