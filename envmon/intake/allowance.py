"""How much may come: what no sensor of a bay sends is left out, and said aloud.

One sensor gone wild, or in bad hands, must not fill the disk or the chain. What a node kept while
the broker was away comes at once and is within what its series has saved up.
"""

from __future__ import annotations

from collections import Counter
from operator import itemgetter
from typing import TYPE_CHECKING, Generic, TypeVar

from envmon.clock import SECOND_US

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from envmon.facts import Foretold, Reading

READINGS_PER_S = 5.0
"""Readings of one series that are kept for as long as you like [1/s]."""
READINGS_SAVED = 500_000
"""Readings of one series that may come at once: four weeks of one every five seconds, and no less
than what a node keeps while the broker is away."""
STANDS_US = 10 * SECOND_US
"""So long after the last reading left out a series still counts as over [µs]."""

_Key = TypeVar("_Key")
_Come = TypeVar("_Come")
_SERIES = itemgetter(0, 1)


class Purse(Generic[_Key]):
    """What each of several sources may still send; it fills up again with time.

    Args:
        per_s: Filled up so much a second.
        most: Holds no more than this, and so much at first.
    """

    def __init__(self, per_s: float, most: float) -> None:
        self._per_us, self._most = per_s / SECOND_US, most
        self._full_us, self._forgot_us = most / self._per_us, 0
        self._left: dict[_Key, tuple[float, int]] = {}
        self._undo: list[tuple[_Key, tuple[float, int]]] = []

    def take(self, key: _Key, wanted: int, now_us: int) -> int:
        """Return how many of those wanted may be had, and take them out.

        Args:
            key: Source.
            wanted: How many came.
            now_us: Time now [µs]; after a clock was set back nothing fills up until it is past.
        """
        was = self._left.get(key, (self._most, now_us))
        left = min(self._most, was[0] + max(0, now_us - was[1]) * self._per_us)
        granted = min(wanted, int(left))
        self._undo.append((key, was))
        self._left[key] = (left - granted, now_us)
        return granted

    def kept(self) -> None:
        """Take what was taken out as spent."""
        self._undo.clear()

    def forget_full(self, now_us: int) -> None:
        """Forget sources that have all they can have again: they are as new ones.

        Args:
            now_us: Time now [µs].
        """
        if now_us - self._forgot_us < self._full_us:
            return
        self._forgot_us = now_us
        self._left = {
            key: was for key, was in self._left.items() if now_us - was[1] < self._full_us
        }

    def undo(self) -> None:
        """Put back what was taken out since ``kept``: the same things come again."""
        for key, was in reversed(self._undo):
            self._left[key] = was
        self._undo.clear()


class Allowance:
    """Leaves out what a series sends beyond all measure, and says which do."""

    def __init__(self) -> None:
        self._purse: Purse[tuple[str, str]] = Purse(READINGS_PER_S, READINGS_SAVED)
        self._over_us: dict[str, int] = {}

    def admitted(self, readings: list[Reading], now_us: int) -> list[Reading]:
        """Return the readings to be kept; of a series that is over its newest ones.

        Args:
            readings: In the order of taking in.
            now_us: Time now [µs].
        """
        return self._admitted(readings, _SERIES, now_us)

    def foretold(self, told: list[Foretold], now_us: int) -> list[Foretold]:
        """Return what is foretold and to be kept, by the same measure.

        Args:
            told: In the order of taking in.
            now_us: Time now [µs].
        """
        return self._admitted(told, _forecast_of, now_us)

    def _admitted(
        self, come: list[_Come], series_of: Callable[[_Come], tuple[str, str]], now_us: int
    ) -> list[_Come]:
        over: dict[tuple[str, str], int] = {}
        for series, count in Counter(map(series_of, come)).items():
            granted = self._purse.take(series, count, now_us)
            if granted < count:
                over[series] = count - granted
                self._over_us[series[0]] = now_us
        return _without_first(come, series_of, over) if over else come

    def kept(self) -> None:
        """Take the readings last admitted as committed."""
        self._purse.kept()

    def undo(self) -> None:
        """Take the readings last admitted as not committed: they come again."""
        self._purse.undo()

    def word(self, now_us: int) -> str:
        """Return which points send too much now; empty when none does."""
        over = sorted(
            point for point, at_us in self._over_us.items() if abs(now_us - at_us) <= STANDS_US
        )
        if not over:
            return ""
        return (
            f"{', '.join(over)} {'sends' if len(over) == 1 else 'send'} far too much; "
            f"{READINGS_PER_S:g} readings a second are kept: switch it off, or set it to send less"
        )


def _forecast_of(one: Foretold) -> tuple[str, str]:
    return one.point, ""


def _without_first(
    come: Sequence[_Come],
    series_of: Callable[[_Come], tuple[str, str]],
    over: dict[tuple[str, str], int],
) -> list[_Come]:
    """Return what came without the first of each series, as many as ``over`` says."""
    found: list[_Come] = []
    for one in come:
        series = series_of(one)
        if over.get(series, 0) > 0:
            over[series] -= 1
        else:
            found.append(one)
    return found
