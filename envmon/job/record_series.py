"""What sensors said over a span, as values that hold from one moment to the next.

A reading holds until the next one of its series, but at most for its point's stale time. This is
the zero-order hold of sampled signals; in between nothing is made up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.physics.air import (
    dew_point_c,
    frost_point_c,
    humidity_ratio_kg_kg,
    vapour_pressure_pa,
    wet_bulb_c,
)
from envmon.physics.surface import dew_margin_k

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from typing import Any

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

Series = tuple[str, str]
"""(point, quantity)"""


class Source(NamedTuple):
    """A point that measures a quantity of the bay, and how long a reading of it holds [µs]."""

    point: str
    stale_us: int


class Said(NamedTuple):
    """Charted readings of one series, in order of time: own times [µs] and values, (n,) each."""

    t_us: Ints
    values: Floats


class Held(NamedTuple):
    """Values that hold over a span.

    Attributes:
        edges_us: Where values begin and end [µs], rising, int64 (n + 1,).
        values: What holds from each edge to the next, NaN where nothing is known, float64 (n,).
    """

    edges_us: Ints
    values: Floats

    @property
    def spans_us(self) -> Ints:
        """How long each value holds [µs], int64 (n,)."""
        spans: Ints = np.diff(self.edges_us)
        return spans

    def over(self, edges_us: Ints) -> Floats:
        """Return the values from each of other edges on; they must hold all of these edges."""
        places = np.searchsorted(self.edges_us, edges_us[:-1], side="right") - 1
        return self.values[places]


class Scene(NamedTuple):
    """Where the conditions of a bay come from.

    Attributes:
        sources: Quantity -> the points that measure it.
        said: (point, quantity) -> its charted readings.
        pressure_pa: Air pressure where no sensor says it [Pa].
    """

    sources: Mapping[str, Sequence[Source]]
    said: Mapping[Series, Said]
    pressure_pa: float


def held(said: Said, stale_us: int, span: tuple[int, int]) -> Held:
    """Return what one series says over a span.

    Args:
        said: Its charted readings, also from before the span.
        stale_us: How long a reading holds at most [µs].
        span: Start and end [µs].
    """
    near = slice(*np.searchsorted(said.t_us, [span[0] - stale_us, span[1]]))
    t_us, values = said.t_us[near], said.values[near]
    ends_us = np.minimum(np.append(t_us[1:], span[1]), t_us + stale_us)
    edges_us = rising(np.clip(np.concatenate([span, t_us, ends_us]), *span))
    if not len(t_us):
        return Held(edges_us, np.full(len(edges_us) - 1, np.nan))
    places = np.searchsorted(t_us, edges_us[:-1], side="right") - 1
    speaks = (places >= 0) & (edges_us[:-1] < ends_us[places])
    return Held(edges_us, np.where(speaks, values[places], np.nan))


def median_held(parts: Sequence[Held]) -> Held:
    """Return the median of what speaks at every moment; parts are of the same span."""
    if len(parts) == 1:
        return parts[0]
    edges_us = _all_edges(parts)
    rows = np.sort([part.over(edges_us) for part in parts], axis=0)  # NaN comes last
    count = np.count_nonzero(~np.isnan(rows), axis=0)
    column = np.arange(len(edges_us) - 1)
    low, high = rows[np.maximum(count - 1, 0) // 2, column], rows[count // 2, column]
    return Held(edges_us, (low + high) / 2)


def _all_edges(parts: Sequence[Held]) -> Ints:
    return rising(np.concatenate([part.edges_us for part in parts]))


def rising(times_us: Ints) -> Ints:
    """Return times in order, each once; quicker here than ``np.unique``, which hashes."""
    ordered = np.sort(times_us)
    first = np.ones(len(ordered), bool)
    first[1:] = ordered[1:] != ordered[:-1]
    return ordered[first]


def _margin(air_c: Floats, hum_pct: Floats, panel_c: Floats) -> Any:
    dew_c = dew_point_c(air_c, hum_pct)
    frost_c = dew_c.copy()
    cold = panel_c < 0  # only there is the surface held against the frost point
    frost_c[cold] = frost_point_c(air_c[cold], hum_pct[cold])
    return dew_margin_k(panel_c, dew_c, frost_c)


_AIR = ("air_temp_c", "rel_hum_pct")
_DERIVED: dict[str, tuple[tuple[str, ...], Callable[..., Any]]] = {
    "dew_point_c": (_AIR, dew_point_c),
    "frost_point_c": (_AIR, frost_point_c),
    "vapour_pressure_pa": (_AIR, vapour_pressure_pa),
    "wet_bulb_c": ((*_AIR, "air_pressure_pa"), wet_bulb_c),
    "humidity_ratio_kg_kg": ((*_AIR, "air_pressure_pa"), humidity_ratio_kg_kg),
    "dew_margin_k": ((*_AIR, "panel_temp_c"), _margin),
}
"""Quantity -> what it follows from, and how."""
NOT_WORKED_OUT = frozenset({"air_temp_rate_k_h", "rel_hum_rate_pct_h"})
"""Rates of change: what they are depends on a trail, not on values in force."""


def inputs_of(quantity: str) -> tuple[str, ...]:
    """Return the measured quantities that one follows from; a measured one from itself."""
    return _DERIVED[quantity][0] if quantity in _DERIVED else (quantity,)


def conditions_held(quantity: str, scene: Scene, span: tuple[int, int]) -> Held:
    """Return what a bay's quantity was over a span, measured or derived.

    Args:
        quantity: Name of the quantity.
        scene: Where the conditions come from.
        span: Start and end [µs], the end after the start.
    """
    if quantity not in _DERIVED:
        return _measured_held(quantity, scene, span)
    inputs, formula = _DERIVED[quantity]
    parts = [_measured_held(name, scene, span) for name in inputs]
    edges_us = _all_edges(parts)
    columns = [part.over(edges_us) for part in parts]
    known = np.logical_and.reduce([~np.isnan(column) for column in columns])
    values = np.full(len(edges_us) - 1, np.nan)
    values[known] = formula(*(column[known] for column in columns))
    return Held(edges_us, values)


def _measured_held(quantity: str, scene: Scene, span: tuple[int, int]) -> Held:
    sources = scene.sources.get(quantity, ())
    parts = [
        held(scene.said[source.point, quantity], source.stale_us, span)
        for source in sources
        if (source.point, quantity) in scene.said
    ]
    whole = median_held(parts) if parts else Held(np.array(span, np.int64), np.array([np.nan]))
    if quantity == "air_pressure_pa":
        # As the guard does: where no sensor says it, the height of the site does.
        return Held(whole.edges_us, np.nan_to_num(whole.values, nan=scene.pressure_pa))
    return whole
