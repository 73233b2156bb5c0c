"""What an import may bring: points, quantities and units."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.shop.points import expand_points
from envmon.units import QUANTITIES, Quantity, convert

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.shop.models import Shop
    from envmon.store.columns import SeriesName

_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")
MOST_POINTS = 4_096
"""As many points as the decoder takes; a file with more has something else in that column."""


class Way(NamedTuple):
    """How the values of a point, quantity and unit are taken.

    Attributes:
        place: Where its series stands in ``Known.names``.
        quantity: What the values are.
        unit: Unit they come in; empty for the quantity's own.
    """

    place: int
    quantity: Quantity
    unit: str


class Known:
    """The points an import may bring, and the ways found so far.

    Args:
        shop: The shop file.
        kept: Series the store has already.
        any_point: Whether every well-formed point id is taken.
    """

    def __init__(self, shop: Shop, kept: Iterable[SeriesName], *, any_point: bool) -> None:
        expanded = expand_points(shop.point, [bay.id for bay in shop.bay])
        self.points = {point.id for point in expanded if _ID.fullmatch(point.id)}
        self.points.update(point for point, _ in kept)
        self.names: list[SeriesName] = []
        self._any_point = any_point
        self._places: dict[SeriesName, int] = {}
        self._ways: dict[tuple[str, str, str], Way] = {}

    def way(self, point: str, quantity: str, unit: str) -> Way:
        """Return how to take a value.

        Raises:
            InputError: Why it cannot be taken, and what is allowed.
        """
        key = (point.strip(), quantity.strip(), unit.strip())
        way = self._ways.get(key)
        if way is None:
            # Only what can be taken is remembered: a bad file may bring any number of others.
            way = self._ways[key] = self._new_way(*key)
        return way

    def _new_way(self, point: str, name: str, unit: str) -> Way:
        self._ensure_point(point)
        quantity = _ensured_quantity(name)
        unit = "" if unit == quantity.unit else unit
        if unit:
            convert(0.0, unit[:20], quantity.dimension, name)
        self.points.add(point)
        place = self._places.setdefault((point, name), len(self.names))
        if place == len(self.names):
            self.names.append((point, name))
        return Way(place, quantity, unit)

    def _ensure_point(self, point: str) -> None:
        if point in self.points:
            return
        if not self._any_point:
            some = ", ".join(sorted(self.points)[:20]) or "none"
            more = f" and {len(self.points) - 20} more" if len(self.points) > 20 else ""
            raise InputError(
                f"point is {point[:60]!r}; known are {some}{more}; --any-point takes others too"
            )
        if not _ID.fullmatch(point):
            raise InputError(f"point is {point[:60]!r}; up to 40 of a-z, 0-9, - and _ are allowed")
        if len(self.points) >= MOST_POINTS:
            raise InputError(f"point is {point!r}; {MOST_POINTS} points are allowed")


def _ensured_quantity(name: str) -> Quantity:
    quantity = QUANTITIES.get(name)
    if quantity is None:
        allowed = ", ".join(each for each, entry in QUANTITIES.items() if not entry.derived)
        raise InputError(f"quantity is {name[:60]!r}; allowed are {allowed}")
    if quantity.derived:
        raise InputError(f"quantity is {name!r}, which envmon works out itself; leave it out")
    if quantity.forecast:
        raise InputError(f"quantity is {name!r}, which is a forecast and no history; leave it out")
    return quantity
