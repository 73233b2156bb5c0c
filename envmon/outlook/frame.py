"""Readings of a bay as a table with a row a minute: what the model learns and starts from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from envmon.clock import MINUTE_US
from envmon.physics.room import saturated_ratio
from envmon.physics.wetbulb import MASS_RATIO

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from envmon.facts import Reading

Values = Any
"""A numpy array of numbers or truth values, mostly a row a minute."""

MEASURED = (
    "air_temp_c", "rel_hum_pct", "panel_temp_c", "outdoor_temp_c", "outdoor_rel_hum_pct",
    "air_pressure_pa", "heater_on", "heater_power_w", "door_open",
)  # fmt: skip
"""Quantities a row has; NaN where nobody measured."""
HELD = frozenset({"heater_on", "heater_power_w", "door_open"})
"""Quantities that stand until the next reading; others are drawn on along a line."""
GAP_MIN = 12
"""A gap between readings up to this long is bridged [min]."""
STANDARD_PA = 101_325.0


@dataclass(frozen=True, slots=True)
class Worked:
    """A stage that was worked.

    Attributes:
        stage: Its id.
        from_us: From when [µs].
        to_us: To when [µs]; None while it is being worked.
        body: The body shape of the job, where there is one; empty for not known.
    """

    stage: str
    from_us: int
    to_us: int | None = None
    body: str = ""


@dataclass(frozen=True, slots=True)
class BayFrame:
    """Rows of a bay, one a minute.

    Attributes:
        start_us: Time of the first row [µs].
        columns: Quantity -> a value a row, NaN where not known; each of ``MEASURED``.
        stage: Stage worked in each row, empty for none.
        body: Body shape of what stands there, empty where nobody said.
        shared_c: Mean temperature of the bays that share the air [°C], NaN where not known.
        shared_ratio: Their mean humidity ratio [kg/kg], NaN where not known.
        read: Whether air temperature or humidity was read in the row itself, not bridged.
    """

    start_us: int
    columns: dict[str, Values]
    stage: npt.NDArray[np.str_]
    body: npt.NDArray[np.str_]
    shared_c: Values
    shared_ratio: Values
    read: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.stage)

    def __getitem__(self, quantity: str) -> Values:
        return self.columns[quantity]

    @property
    def end_us(self) -> int:
        """Time at which the last row ends [µs]."""
        return self.start_us + len(self) * MINUTE_US

    def has(self, quantity: str) -> bool:
        """Return whether a quantity was measured at all."""
        return bool(np.isfinite(self.columns[quantity]).any())

    def rows(self, first: int, last: int) -> BayFrame:
        """Return the rows from one place up to another."""
        part = slice(first, last)
        return BayFrame(
            self.start_us + first * MINUTE_US,
            {name: values[part] for name, values in self.columns.items()},
            self.stage[part],
            self.body[part],
            self.shared_c[part],
            self.shared_ratio[part],
            self.read[part],
        )

    @property
    def pressure_pa(self) -> Values:
        """Air pressure [Pa], the last known one where it is not measured."""
        return filled(self["air_pressure_pa"], STANDARD_PA)

    @property
    def ratio(self) -> Values:
        """Humidity ratio of the air [kg/kg], NaN where not known."""
        share = self["rel_hum_pct"] / 100
        return ratio_from(self["air_temp_c"], share, self.pressure_pa)

    @property
    def outdoor_ratio(self) -> Values:
        """Humidity ratio outdoors [kg/kg], NaN where not known."""
        share = self["outdoor_rel_hum_pct"] / 100
        return ratio_from(self["outdoor_temp_c"], share, self.pressure_pa)


def ratio_from(temp_c: Values, share: Values, pressure_pa: Values) -> Values:
    """Return the humidity ratio [kg/kg] at [°C], humidity 0…1 and [Pa]; NaN goes through."""
    known = np.isfinite(temp_c) & np.isfinite(share)
    found = np.full(temp_c.shape, np.nan)
    full = saturated_ratio(temp_c[known], pressure_pa[known])
    # The part of the pressure that saturated vapour has, times the humidity, and back.
    part = full / (MASS_RATIO + full) * share[known]
    found[known] = MASS_RATIO * part / (1 - part)
    return found


def filled(values: Values, empty: float) -> Values:
    """Return values with each gap filled by the last one known, the first one by the next."""
    known = np.isfinite(values)
    if not known.any():
        return np.full(values.shape, empty)
    place = np.where(known, np.arange(len(values)), -1)
    place = np.maximum.accumulate(place)
    place[place < 0] = int(np.argmax(known))
    return values[place]


def frame_from_readings(
    readings: Iterable[Reading],
    worked: Sequence[Worked],
    start_us: int,
    end_us: int,
    neighbours: Sequence[BayFrame] = (),
    gap_min: int = GAP_MIN,
) -> BayFrame:
    """Return the rows of a bay between two times.

    Several sensors of a quantity are averaged; a single row far from both its neighbours is taken
    for a slip. Readings that may not speak for the present are left out.

    Args:
        readings: Readings of this bay and of the outdoors, any order.
        worked: Stages that were worked, in order.
        start_us: First row [µs].
        end_us: End, not included [µs].
        neighbours: Frames of the bays that share the air, same start and length.
        gap_min: A gap up to this long is bridged [min].
    """
    size = (end_us - start_us) // MINUTE_US
    series: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for reading in readings:
        if reading.quantity in MEASURED and reading.flag.charted:
            series.setdefault((reading.quantity, reading.point), []).append(
                (reading.t_us - start_us, reading.value)
            )
    by_quantity: dict[str, list[Values]] = {name: [] for name in MEASURED}
    for (quantity, _), pairs in series.items():
        by_quantity[quantity].append(_by_minute(pairs, size))
    return frame_from_columns(by_quantity, worked, start_us, size, neighbours, gap_min)


def _by_minute(pairs: list[tuple[int, float]], size: int) -> Values:
    """Return the mean of each minute; NaN where nothing came."""
    times, values = (np.array(part) for part in zip(*pairs, strict=True))
    place = times // MINUTE_US
    within = (place >= 0) & (place < size)
    count = np.bincount(place[within], minlength=size)
    total = np.bincount(place[within], values[within], minlength=size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def frame_from_columns(
    by_quantity: Mapping[str, Sequence[Values]],
    worked: Sequence[Worked],
    start_us: int,
    size: int,
    neighbours: Sequence[BayFrame] = (),
    gap_min: int = GAP_MIN,
) -> BayFrame:
    """Return the rows of a bay from values a minute, several sensors for a quantity.

    Args:
        by_quantity: Quantity -> a row of values for each sensor, NaN where nothing came.
        worked: Stages that were worked, in order.
        start_us: First row [µs].
        size: Rows.
        neighbours: Frames of the bays that share the air, same start and length.
        gap_min: A gap up to this long is bridged [min].
    """
    columns = {
        name: _joined(by_quantity.get(name, ()), size, gap_min, held=name in HELD)
        for name in MEASURED
    }
    stage, body = np.full((2, size), "", dtype="U24")
    for one in worked:
        first = max(0, -((start_us - one.from_us) // MINUTE_US))
        last = size if one.to_us is None else max(0, (one.to_us - start_us) // MINUTE_US)
        stage[first:last], body[first:last] = one.stage, one.body
    none = np.full(size, np.nan)
    shared_c = _mean([n["air_temp_c"] for n in neighbours]) if neighbours else none
    shared_ratio = _mean([n.ratio for n in neighbours]) if neighbours else none
    read = np.zeros(size, dtype=bool)
    for name in ("air_temp_c", "rel_hum_pct"):
        for row in by_quantity.get(name, ()):
            read |= np.isfinite(row)
    return BayFrame(start_us, columns, stage, body, shared_c, shared_ratio, read)


def _joined(rows: Sequence[Values], size: int, gap_min: int, *, held: bool) -> Values:
    if not rows:
        return np.full(size, np.nan)
    if held:
        return _mean([_bridged(row, gap_min, held=True) for row in rows])
    return _mean([_bridged(without_slips(row), gap_min, held=False) for row in rows])


def without_slips(values: Values) -> Values:
    """Return values without the single ones that lie far from what stands around them."""
    if len(values) < 5:
        return values
    around = np.lib.stride_tricks.sliding_window_view(np.pad(values, 2, mode="edge"), 5)
    with np.errstate(all="ignore"):
        low, high = (
            np.fmin.reduce(around[:, [1, 3]], axis=1),
            np.fmax.reduce(around[:, [1, 3]], axis=1),
        )
    span = np.maximum(4.0, 2 * (high - low))
    return np.where((values < low - span) | (values > high + span), np.nan, values)


def _bridged(values: Values, gap_min: int, *, held: bool) -> Values:
    known = np.flatnonzero(np.isfinite(values))
    if len(known) == 0:
        return values
    after = np.searchsorted(known, np.arange(len(values)), side="right")
    last = known[np.maximum(after - 1, 0)]
    place = np.arange(len(values))
    before = after == 0
    if held:
        fresh = ~before & (place - last <= gap_min)
        return np.where(fresh, values[last], np.nan)
    following = known[np.minimum(after, len(known) - 1)]
    drawn = np.interp(place, known, values[known])
    at_end = after == len(known)
    fresh = ~before & np.where(at_end, place - last <= 3, following - last <= gap_min)
    return np.where(fresh | np.isfinite(values), drawn, np.nan)


def _mean(rows: Sequence[Values]) -> Values:
    stack = np.vstack(rows)
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
