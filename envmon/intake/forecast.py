"""What a message foretells, apart from what it has measured.

A forecast speaks of times to come, and a later one takes the place of an earlier one; so it is no
reading: it is kept apart, and nothing is judged by it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.facts import Foretold
from envmon.units import FORECASTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.facts import Reading
    from envmon.shop.models import Shop

KEPT_US = DAY_US
"""What was foretold of times longer ago is forgotten; till then it tells how far it was off."""


def foretells(shop: Shop) -> bool:
    """Return whether a point of a shop says a forecast."""
    return any(not FORECASTS.isdisjoint(point.reads) for point in shop.point)


def foretold_apart(
    taken: Sequence[Reading], heard_us: int, *, retained: bool
) -> tuple[list[Reading], list[Foretold]]:
    """Return the readings of a message, and what it foretells.

    Args:
        taken: What the decoder took from it.
        heard_us: When it came [µs].
        retained: The broker had kept it: then it is taken to be as old as the first time it
            speaks of, if that is over.
    """
    ahead = [one for one in taken if one.quantity in FORECASTS]
    if not ahead:
        return list(taken), []
    if retained:
        heard_us = min(heard_us, *(one.t_us for one in ahead))
    told = [Foretold(one.point, one.t_us, one.value, heard_us) for one in ahead]
    return [one for one in taken if one.quantity not in FORECASTS], told
