"""Readings as arrays: what moves between the live file, the archive and a chart."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.facts import DOUBTS, PARTS, Flag, Reading

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

SeriesName = tuple[str, str]
"""(point, quantity)"""

FLAGS = tuple(Flag(bits) for bits in range(256))
"""Flags by their bits; making one anew costs more than the rest of a reading."""

CHARTED_WITH = Flag.LATE | DOUBTS
"""What may be known against a reading that is a true value of its time all the same."""

_SUSPECT = np.uint8(0xFF & ~CHARTED_WITH)


class Columns(NamedTuple):
    """Readings as arrays of one length n.

    Attributes:
        names: Series the numbers in ``series`` stand for, sorted.
        series: Place in ``names``, int32 (n,).
        t_us: Own time [µs, UTC], int64 (n,).
        milli: Value in thousandths of its unit, rounded, int64 (n,).
        exact: Value where ``milli`` does not say it all, else NaN, float64 (n,).
        flag: Bits of ``Flag``, uint8 (n,).
        lag_us: Taken in so long after its own time [µs], int64 (n,).
    """

    names: list[SeriesName]
    series: NDArray[np.int32]
    t_us: Ints
    milli: Ints
    exact: NDArray[np.float64]
    flag: NDArray[np.uint8]
    lag_us: Ints

    def values(self) -> NDArray[np.float64]:
        """Return the values in the units of their quantities, float64 (n,)."""
        return np.where(np.isnan(self.exact), self.milli / PARTS, self.exact)

    def rows(self) -> Iterator[tuple[str, str, int, float, int, int]]:
        """Yield (point, quantity, time [µs], value, flag bits, lag [µs])."""
        for place, *rest in zip(
            self.series.tolist(), self.t_us.tolist(), self.values().tolist(), self.flag.tolist(),
            self.lag_us.tolist(), strict=True,
        ):  # fmt: skip
            yield (*self.names[place], *rest)

    def taken(self, places: NDArray[np.intp] | NDArray[np.bool_]) -> Columns:
        """Return the chosen rows."""
        return Columns(
            self.names,
            self.series[places],
            self.t_us[places],
            self.milli[places],
            self.exact[places],
            self.flag[places],
            self.lag_us[places],
        )

    def charted(self) -> NDArray[np.bool_]:
        """Return which rows are true values of their time, bool (n,)."""
        return charted_of(self.flag)

    def readings(self) -> list[Reading]:
        """Return the rows as readings."""
        return [
            Reading(point, quantity, t_us, value, FLAGS[flag], t_us + lag_us)
            for point, quantity, t_us, value, flag, lag_us in self.rows()
        ]


def charted_of(flag: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return which readings are true values of their time, bool (n,).

    Args:
        flag: Bits of ``Flag``, uint8 (n,).
    """
    good: NDArray[np.bool_] = (flag & _SUSPECT) == 0
    return good


def columns_from_values(
    names: Sequence[SeriesName],
    series: NDArray[np.int32],
    t_us: Ints,
    values: NDArray[np.float64],
    flag_and_lag: tuple[NDArray[np.uint8], Ints],
) -> Columns:
    """Return columns from values; those that are no whole thousandths keep their exact value."""
    scaled = values * PARTS
    fits = np.abs(scaled) < 2.0**53
    milli = np.rint(np.clip(scaled, -(2.0**53), 2.0**53)).astype(np.int64)
    exact = np.where(fits & (milli / PARTS == values), np.nan, values)
    return Columns(list(names), series, t_us, milli, exact, *flag_and_lag)


def columns_from_rows(rows: Sequence[tuple[str, str, int, float, int, int]]) -> Columns:
    """Return columns from rows (point, quantity, time [µs], value, flag bits, lag [µs])."""
    names = sorted({(row[0], row[1]) for row in rows})
    place = {name: at for at, name in enumerate(names)}
    return columns_from_values(
        names,
        np.array([place[row[0], row[1]] for row in rows], np.int32),
        np.array([row[2] for row in rows], np.int64),
        np.array([row[3] for row in rows], np.float64),
        (
            np.array([row[4] for row in rows], np.uint8),
            np.array([row[5] for row in rows], np.int64),
        ),
    )


NOTHING = columns_from_rows([])


def merged(kept: Columns, new: Columns) -> Columns:
    """Return both, sorted by series and time, one row for each series and time.

    The one already kept stays, but one whose sensor had a wrong clock gives way to a true one.
    Each of the two has one row at most for a series and time.

    Args:
        kept: Rows that were there first.
        new: Rows that come to them.
    """
    if not len(kept.t_us) or not len(new.t_us):
        return kept if len(kept.t_us) else new
    both = _joined(kept, new)
    rank = np.repeat(np.array([0, 1], np.int8), [len(kept.t_us), len(new.t_us)])
    rank = rank + 2 * ((both.flag & np.uint8(Flag.CLOCK)) != 0).astype(np.int8)
    order = np.lexsort((rank, both.t_us, both.series))
    both = both.taken(order)
    first = np.ones(len(both.t_us), bool)
    first[1:] = (both.series[1:] != both.series[:-1]) | (both.t_us[1:] != both.t_us[:-1])
    return both.taken(first)


def _joined(kept: Columns, new: Columns) -> Columns:
    names = sorted({*kept.names, *new.names})
    place = {name: at for at, name in enumerate(names)}
    return Columns(
        names,
        np.concatenate([_renamed(kept, place), _renamed(new, place)]),
        np.concatenate([kept.t_us, new.t_us]),
        np.concatenate([kept.milli, new.milli]),
        np.concatenate([kept.exact, new.exact]),
        np.concatenate([kept.flag, new.flag]),
        np.concatenate([kept.lag_us, new.lag_us]),
    )


def _renamed(columns: Columns, place: dict[SeriesName, int]) -> NDArray[np.int32]:
    return np.array([place[name] for name in columns.names], np.int32)[columns.series]
