"""Dissolved solids in rinse water, and how long a resin still lasts.

The end of a resin comes faster the nearer it is: at first a bed lets nothing through, then ever
more of what the tap water holds. So a straight line through the readings promises too much, and a
line through their logarithms, drawn too early, too little. Both are drawn, through the newest
readings only, and what is said spans both.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

RINSE_LIMIT_PPM = 10.0
"""Final rinse leaves spots above this [ppm] (common practice)."""
RESIN_CHANGE_PPM = 20.0
"""Change the resin here [ppm] (common practice)."""
NEWEST = 12
"""So many readings at most the trend is drawn through; older ones flatten it."""
FEWEST = 6
"""Below this nobody can tell a trend from chance."""
REACH = 2.0
"""Further ahead than this many times the span of the readings nothing is said."""
FRESH_DAYS = 7.0
"""Older water says nothing of how the rinse stands now."""
CONFIDENCE = 0.95
_LEAST_PPM = 0.5
"""What a common meter can tell from nothing [ppm]; keeps logarithms finite."""
_MAD_TO_SIGMA = 1.4826
_MEDIAN_ERROR = math.sqrt(math.pi / 2)
_DROP = 0.5

Standing = Literal["good", "over", "change", "unknown"]
"""``good``: up to the limit; ``over``: it leaves spots; ``change``: the resin is done."""


class Slope(NamedTuple):
    """A robust line through readings.

    Attributes:
        slope: Median of the slopes of all pairs.
        low: Lowest slope that could be by chance.
        high: Highest slope that could be.
        at: Middle of the places.
        level: Value of the line there.
        level_error: How far that may be off, to either side.
    """

    slope: float
    low: float
    high: float
    at: float
    level: float
    level_error: float

    def crossing(self, mark: float) -> tuple[float, float, float]:
        """Return where the line reaches a mark: at the earliest, most likely, at the latest.

        Never is infinity. A line that is above the mark already reached it before its middle.
        """
        gap, error = mark - self.level, self.level_error
        return (
            self.at + _steps(gap - error, self.low, self.high)[0],
            self.at + _steps(gap, self.slope, self.slope)[0],
            self.at + _steps(gap + error, self.low, self.high)[1],
        )


class Due(NamedTuple):
    """When a mark will be reached, counted from the newest reading.

    Attributes:
        earliest: 0 or more, or None when nobody can tell.
        likely: Between both, or None when nobody can tell.
        latest: Infinity when it may also never come, or None when nobody can tell.
        why: In words, why nobody can tell; empty otherwise.
    """

    earliest: float | None
    likely: float | None
    latest: float | None
    why: str = ""

    def less(self, gone: float) -> Due:
        """Return the same, counted from so much later."""
        earliest, likely, latest = (
            None if each is None else max(each - gone, 0.0)
            for each in (self.earliest, self.likely, self.latest)
        )
        return Due(earliest, likely, latest, self.why)

    def scaled(self, factor: float) -> Due:
        """Return the same in other steps, such as litres for days."""
        earliest, likely, latest = (
            None if each is None else each * factor
            for each in (self.earliest, self.likely, self.latest)
        )
        return Due(earliest, likely, latest, self.why)


def solids_standing(
    ppm: float | None, limit_ppm: float = RINSE_LIMIT_PPM, change_ppm: float = RESIN_CHANGE_PPM
) -> Standing:
    """Return how rinse water stands; what is missing or no number is unknown.

    Args:
        ppm: Dissolved solids [ppm], or None.
        limit_ppm: At most this for the final rinse [ppm].
        change_ppm: From here on the resin is to be changed [ppm].
    """
    if ppm is None or not 0 <= ppm < math.inf:
        return "unknown"
    if ppm >= change_ppm:
        return "change"
    return "good" if ppm <= limit_ppm else "over"


def robust_slope(place: Floats, value: Floats, confidence: float = CONFIDENCE) -> Slope:
    """Return the line of Theil and Sen through at least three readings.

    Args:
        place: Days or litres, rising, (n,).
        value: Readings, (n,).
        confidence: Of the interval of the slope, 0.5…1.

    Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389 (from memory).
    """
    first, second = np.triu_indices(len(place), 1)
    apart = place[second] - place[first]
    known = apart > 0
    slopes = np.sort((value[second] - value[first])[known] / apart[known])
    slope = float(np.median(slopes))
    low, high = _slope_interval(slopes, len(place), value, confidence)
    at = float(np.median(place))
    rest = value - slope * (place - at)
    level = float(np.median(rest))
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(rest - level)))
    quantile = NormalDist().inv_cdf(0.5 + confidence / 2)
    error = quantile * _MEDIAN_ERROR * spread / math.sqrt(len(place))
    return Slope(slope, low, high, at, level, error)


def _slope_interval(
    slopes: Floats, readings: int, value: Floats, confidence: float
) -> tuple[float, float]:
    """Return the interval of the median slope from Kendall's variance, ties counted."""
    _, repeats = np.unique(value, return_counts=True)
    n = readings
    variance = n * (n - 1) * (2 * n + 5) - float(
        np.sum(repeats * (repeats - 1) * (2 * repeats + 5))
    )
    width = NormalDist().inv_cdf(0.5 + confidence / 2) * math.sqrt(max(variance, 0.0) / 18)
    upper = min(round((len(slopes) + width) / 2), len(slopes) - 1)
    lower = max(round((len(slopes) - width) / 2) - 1, 0)
    return float(slopes[lower]), float(slopes[upper])


def _steps(gap: float, low: float, high: float) -> tuple[float, float]:
    """Return the fewest and the most steps over a gap with a slope between two."""
    if gap <= 0:
        return (gap / low if low > 0 else -math.inf, gap / high if high > 0 else -math.inf)
    return (gap / high if high > 0 else math.inf, gap / low if low > 0 else math.inf)


def since_change(value: Floats, limit_ppm: float = RINSE_LIMIT_PPM) -> int:
    """Return the place of the first reading after the resin was last changed; 0 without a change.

    A change is a fall to less than half that stays: by a third of the limit at least, in the
    median of the readings after it as well.

    Args:
        value: Dissolved solids [ppm] in order, (n,).
        limit_ppm: At most this for the final rinse [ppm].
    """
    for place in range(len(value) - 1, 0, -1):
        before = float(np.median(value[max(place - 3, 0) : place]))
        after = float(np.median(value[place : place + 3]))
        fell = max(float(value[place]), after)
        top = min(float(value[place - 1]), before)
        if fell < _DROP * top and top - fell >= limit_ppm / 3:
            return place
    return 0


def resin_due(place: Floats, ppm: Floats, mark_ppm: float) -> Due:
    """Return when dissolved solids reach a mark, as far as the readings can tell.

    Args:
        place: Days or litres at which the readings were taken, rising, (n,).
        ppm: Dissolved solids since the resin was last changed [ppm], (n,).
        mark_ppm: The limit or the mark for changing [ppm].
    """
    place, ppm = place[-NEWEST:], ppm[-NEWEST:]
    if len(place) < FEWEST:
        count = f"{len(place)} reading{'' if len(place) == 1 else 's'}"
        return _nobody(f"{count} since the last change; {FEWEST} are needed")
    lines = (robust_slope(place, ppm), robust_slope(place, _logs(ppm)))
    if lines[0].slope <= 0 or max(line.low for line in lines) <= 0:
        return _nobody("no rise that could not be chance")
    found = (lines[0].crossing(mark_ppm), lines[1].crossing(_log(mark_ppm)))
    newest, span = float(place[-1]), float(place[-1] - place[0])
    earliest = min(each[0] for each in found) - newest
    latest = max(each[2] for each in found) - newest
    better = int(_miss(lines[1], place, ppm, logs=True) < _miss(lines[0], place, ppm, logs=False))
    likely = found[better][1] - newest
    if earliest > REACH * span:
        return _nobody("it rises too slowly to look so far ahead")
    return Due(max(earliest, 0.0), max(likely, 0.0), max(latest, 0.0))


def resin_left(place: Floats, ppm: Floats, mark_ppm: float) -> Due:
    """Return what is left to a mark: nothing when the newest reading is there, else the trend.

    Args:
        place: Days or litres at which the readings were taken, rising, at least one.
        ppm: Dissolved solids since the resin was last changed [ppm].
        mark_ppm: The limit or the mark for changing [ppm].
    """
    return Due(0.0, 0.0, 0.0) if ppm[-1] >= mark_ppm else resin_due(place, ppm, mark_ppm)


def _nobody(why: str) -> Due:
    return Due(None, None, None, why)


def _log(ppm: float) -> float:
    return math.log(max(ppm, _LEAST_PPM))


def _logs(ppm: Floats) -> Floats:
    logs: Floats = np.log(np.maximum(ppm, _LEAST_PPM))
    return logs


def _miss(line: Slope, place: Floats, ppm: Floats, *, logs: bool) -> float:
    """Return how far a line misses the readings in the median [ppm]."""
    told: Any = line.level + line.slope * (place - line.at)
    return float(np.median(np.abs((np.exp(told) if logs else told) - ppm)))
