"""Whose change it was: of a change of the shop's heat, the bays whose own heat changed with it.

A bay is named where its own days tell the change, and the bay that changed least changed by less
than half as much and surely less. Where all changed alike, or a bay's own heat is not known well
enough to tell, none is named and the change is the whole shop's.
"""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.heating.changes import LEAST
from envmon.heating.compare import Days, compare
from envmon.heating.sides import cut

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from envmon.heating.changes import Change


def whose(
    changed: Sequence[Change], dates: Sequence[date], bays: Mapping[str, Days]
) -> tuple[Change, ...]:
    """Return changes with the bays they are of.

    Args:
        changed: The shop's changes, in order.
        dates: Days in order (d,).
        bays: Of each heated bay outdoors, heat and its own mean air, a row a day (d,).
    """
    if len(bays) < 2:
        return tuple(changed)
    parts = cut(dates, changed)
    found = []
    for place, one in enumerate(changed):
        was, now = (slice(*part) for part in parts[place : place + 2])
        moved = {bay: _moved(_part(days, was), _part(days, now)) for bay, days in bays.items()}
        found.append(one._replace(bays=_apart(moved, 1 if one.more > 0 else -1)))
    return tuple(found)


def of_bay(changed: Sequence[Change], bay: str) -> tuple[Change, ...]:
    """Return the changes that are a bay's: its own, and the whole shop's."""
    return tuple(one for one in changed if not one.bays or bay in one.bays)


def _part(days: Days, part: slice) -> Days:
    indoor_c = None if days.indoor_c is None else days.indoor_c[part]
    return Days(days.outdoor_c[part], days.energy_kwh[part], indoor_c)


class _Moved(NamedTuple):
    """How much more heat a bay takes in the same weather, as a share, and half its interval."""

    more: float
    half: float


def _moved(was: Days, now: Days) -> _Moved | None:
    """Return how much a bay's heat changed; None where its days cannot be compared."""
    if not np.isfinite(now.outdoor_c + now.energy_kwh).any():
        return None
    try:
        found = compare(was, now)
    except InputError:
        return None
    return _Moved(found.more - (found.for_warmer or 0.0), found.within.high - found.more)


def _apart(moved: Mapping[str, _Moved | None], way: int) -> tuple[str, ...]:
    """Return the bays that changed apart from the others; none where all did, or nobody knows."""
    known = {bay: _Moved(way * one.more, one.half) for bay, one in moved.items() if one}
    if len(known) < len(moved):
        return ()
    least = min(known.values())
    return tuple(
        bay
        for bay, one in known.items()
        if one.more > max(one.half, LEAST, 2 * least.more)
        and one.more - least.more > hypot(one.half, least.half)
    )
