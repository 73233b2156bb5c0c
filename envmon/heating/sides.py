"""One energy signature for each side of a dated change: a line through both holds on no day.

A side is the days between two changes, or between one and the log's end. Where a side tells no
line, because it has too few days or they are all as cold, that is said.
"""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.heating.local import WHOLE_SHARE
from envmon.heating.signature import signature

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.heating.changes import Change
    from envmon.heating.days import Days
    from envmon.heating.model import Floats
    from envmon.heating.signature import Signature


class Side(NamedTuple):
    """Days on one side of a change.

    Attributes:
        first: First day.
        last: Last day.
        found: The line through them; None where they tell none.
        why: Why there is none.
        early: The change that begins it lies on this day at the earliest; None for the first side.
        late: And on this one at the latest.
    """

    first: date
    last: date
    found: Signature | None
    why: str
    early: date | None = None
    late: date | None = None


def sides_of(days: Days, changed: Sequence[Change]) -> tuple[Side, ...]:
    """Return the sides of all changes in order; none without a change.

    Args:
        days: The days, worked out.
        changed: The changes, in order.
    """
    if not changed:
        return ()
    starts = [None, *changed]
    found = []
    for one, (first, last) in zip(starts, cut(days.local.dates, changed), strict=True):
        line, why = _line(days, slice(first, last))
        ends = (None, None) if one is None else (one.early, one.late)
        until = days.local.dates[last - 1]
        found.append(Side(days.local.dates[first], until, line, why, *ends))
    return tuple(found)


def cut(dates: Sequence[date], changed: Sequence[Change]) -> list[tuple[int, int]]:
    """Return the place of the first day and of the one after the last, of each side.

    Args:
        dates: Days in order.
        changed: Changes within them, in order.
    """
    places = [(one.day - dates[0]) // timedelta(days=1) for one in changed]
    return list(pairwise([0, *places, len(dates)]))


def whole_days(days: Days, part: slice = slice(None)) -> tuple[Floats, Floats]:
    """Return outdoors [°C] and energy [kWh/d] of the days known whole; NaN for the others.

    Args:
        days: The days; their outdoors are known.
        part: Which of them.
    """
    outdoor, energy = days.outdoor, days.energy
    assert outdoor is not None
    whole = ((energy.share >= WHOLE_SHARE) & (outdoor.share >= WHOLE_SHARE))[part]
    return (
        np.where(whole, outdoor.mean[part], np.nan),
        np.where(whole, energy.energy_kwh[part], np.nan),
    )


def line_through(days: Days, part: slice = slice(None)) -> Signature:
    """Return the signature of the days that are known whole.

    Args:
        days: The days; their outdoors are known.
        part: Which of them.

    Raises:
        InputError: They are too few, or all as cold.
    """
    heat, kwh = (float(np.nansum(values[part]))
                 for values in (days.energy.heat_kwh, days.energy.energy_kwh))  # fmt: skip
    known = [of.mean[part] for of in days.indoor.values()]
    indoor_c: Floats | None = np.mean(known, axis=0) if known else None
    efficiency = heat / kwh if kwh > 0 else 1.0
    return signature(*whole_days(days, part), efficiency, indoor_c=indoor_c)


def _line(days: Days, part: slice) -> tuple[Signature | None, str]:
    try:
        return line_through(days, part), ""
    except InputError as error:
        return None, str(error)
