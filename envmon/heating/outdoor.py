"""Outdoor temperature: a sensor and an imported file made one, and a sensor that the sun shines on.

A sensor in the sun shows a hump of some hours on bright days, which the air itself does not make.
On two weather years (TMY3, Sand Point and Greensboro, ``tests/test_heating_outdoor.py``) no day is
blamed without sun; with humps put on every bright day, those above 5 K are found on 92 to 100 days
of 100 where they last up to four hours, and on 84 where six. Lower ones are found more seldom.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.heating.local import places, totals

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.model import Floats, Ints

    Bools = NDArray[np.bool_]

SUN_K = 4.0
"""A hump above this is more than weather makes [K]."""
SUN_DAYS, SUN_WITHIN_DAYS = 3, 14
"""So many such days within so many make it the sun."""
_LEAST_OVERLAP_MIN = 3 * 1440
_MOST_OFFSET_K = 4.0
_BIN_MIN = 10
_HUMP_BINS = 30
_BRIGHT_H, _DARK_H = (8, 18), (0, 6)


class Merged(NamedTuple):
    """Outdoor temperature from two sources.

    Attributes:
        outdoor_c: By the minute [°C] (n,), NaN where neither knows it.
        imported: Minutes that come from the file (n,).
        offset_k: What was added to the file's, so that it agrees with the sensor [K].
        note: What was done, for a person; empty where nothing was.
    """

    outdoor_c: Floats
    imported: Bools
    offset_k: float
    note: str


def merged(
    point_c: Floats | None, imported_c: Floats | None, source: str = "an imported file"
) -> Merged | None:
    """Return the sensor's temperature, and the file's where the sensor has none.

    The file is moved by what lies between the two where both speak, if they do for three days.

    Args:
        point_c: By the sensor, by the minute [°C] (n,), or None.
        imported_c: By the file, by the minute [°C] (n,), or None.
        source: What the file is called in the note.
    """
    if point_c is None or imported_c is None:
        only = point_c if point_c is not None else imported_c
        if only is None:
            return None
        from_file = np.isfinite(only) & (point_c is None)
        return Merged(only, from_file, 0.0, f"Outdoors from {source} alone."
                      if point_c is None else "")  # fmt: skip
    takes = np.isnan(point_c) & np.isfinite(imported_c)
    offset_k, why = _offset(point_c - imported_c)
    outdoor_c = np.where(takes, imported_c + offset_k, point_c)
    hours = takes.sum() / 60
    note = f"Outdoors from {source} for {hours:.0f} h without the sensor; {why}."
    return Merged(outdoor_c, takes, offset_k, note if takes.any() else "")


def _offset(apart_k: Floats) -> tuple[float, str]:
    """Return what to add to the file, and the words for it."""
    both = apart_k[np.isfinite(apart_k)]
    if len(both) < _LEAST_OVERLAP_MIN:
        return 0.0, "as it is, for the two share less than three days"
    offset_k = float(np.median(both))
    if abs(offset_k) > _MOST_OFFSET_K:
        return 0.0, (
            f"as it is, though the sensor reads {offset_k:+.1f} K from it: see which of the two "
            "is wrong"
        )
    return offset_k, f"{offset_k:+.1f} K added, by which the sensor differs where both are known"


def sunny_days(
    outdoor_c: Floats, start_us: int, edges_us: Ints, reference_c: Floats | None = None
) -> Bools:
    """Return the days on which the sun shone on the sensor (d,).

    Args:
        outdoor_c: By the minute [°C] (n,), NaN where not known.
        start_us: First minute [µs].
        edges_us: Where the local days begin and the last ends [µs] (d + 1,).
        reference_c: Another source for the same place (n,), such as an imported file: then the
            difference by day is held against that by night.
    """
    if reference_c is not None and np.isfinite(reference_c).any():
        hump = _above_night(outdoor_c - reference_c, start_us, edges_us)
    else:
        hump = _humps(outdoor_c, start_us, edges_us)
    looks = hump > SUN_K
    sunny: Bools = looks & (_most_within(looks, SUN_WITHIN_DAYS) >= SUN_DAYS)
    return sunny


def _most_within(looks: Bools, days: int) -> Ints:
    """Return of each day how many such days the fullest window of ``days`` around it has."""
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(looks, days - 1), days).sum(axis=1)
    most: Ints = np.lib.stride_tricks.sliding_window_view(windows, days).max(axis=1)
    return most


def _above_night(apart_k: Floats, start_us: int, edges_us: Ints) -> Floats:
    """Return how far the highest hour by day lies above the night's mean, of each day [K]."""
    bins = _binned(apart_k, start_us, edges_us)
    bright, dark = (bins[:, 6 * first : 6 * last] for first, last in (_BRIGHT_H, _DARK_H))
    hourly = _mean(bright.reshape(len(bins), -1, 6), axis=2)
    high: Floats = np.fmax.reduce(hourly, axis=1) - _mean(dark, axis=1)
    return high


def _mean(values: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Return the mean of what is known; NaN where nothing is."""
    count = np.isfinite(values).sum(axis=axis)
    total = np.nansum(values, axis=axis)
    mean = np.full(count.shape, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean


def _humps(outdoor_c: Floats, start_us: int, edges_us: Ints) -> Floats:
    """Return the highest hump of less than five hours by day, of each day [K]."""
    bins = _binned(outdoor_c, start_us, edges_us)
    line = bins.ravel()
    known = np.isfinite(line)
    if not known.any():
        return np.zeros(len(bins))
    filled = np.interp(np.arange(len(line)), np.flatnonzero(known), line[known])
    ground = _windows(_windows(filled).min(axis=1)[::-1]).max(axis=1)[::-1]
    hump = np.where(known, filled - ground, 0.0).reshape(bins.shape)
    highest: Floats = hump[:, 6 * _BRIGHT_H[0] : 6 * _BRIGHT_H[1]].max(axis=1)
    return highest


def _windows(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the five hours around each value; the ends repeat (n, 30)."""
    before = _HUMP_BINS // 2
    padded = np.pad(values, (before, _HUMP_BINS - 1 - before), "edge")
    return np.lib.stride_tricks.sliding_window_view(padded, _HUMP_BINS)


def _binned(values: Floats, start_us: int, edges_us: Ints) -> NDArray[np.float64]:
    """Return means of ten minutes of each day, 144 from its start (d, 144); NaN where unknown.

    A day of 25 hours leaves out its last one, one of 23 hours borrows one of the next.
    """
    starts = edges_us[:-1, None] + np.arange(145, dtype=np.int64) * _BIN_MIN * MINUTE_US
    total, count = totals(values, places(start_us, len(values), starts.ravel()))
    mean = np.full(len(total) + 1, np.nan)
    np.divide(total, count, out=mean[:-1], where=count > 0)
    return mean.reshape(starts.shape)[:, :144]
