"""The steps of a meter from reading to reading: which count, and what the others were."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.heating.fuel import UNITS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.model import Counter, Floats, Ints

    Bools = NDArray[np.bool_]

LOST_US = 10 * MINUTE_US
"""Use that is missing for no longer than this does not make an amount unknown."""
_LEAP = 4.0
"""A step is a leap from so many times the highest usual use of an hour."""
_BACK = 0.02
"""A step back by no more than this share of what was shown is a correction."""
_ROLLS_FROM = 0.9
_FEW = 50
_LOOKS_ON = 60
What = Literal["rolled", "reset", "swapped", "leap"]


class Said(NamedTuple):
    """A sentence about a moment [µs]."""

    at_us: int
    text: str


class Shown(NamedTuple):
    """What a meter showed, in order: times [µs] (m,), values (m,), and the most an hour uses."""

    t_us: Ints
    value: Floats
    most_h: float
    unit: str

    def most(self, span_us: Ints | int) -> Floats | float:
        """Return the most that can have been used in spans [µs]; readings come in lumps."""
        return self.most_h * np.maximum(np.divide(span_us, HOUR_US), 1.0)

    def back(self, value: Floats | float) -> Floats | float:
        """Return how far a meter may be put back from a value by a correction."""
        return np.minimum(_BACK * np.abs(value), 24 * self.most_h)

    def of(self, keep: Bools) -> Shown:
        """Return some of the readings."""
        return self._replace(t_us=self.t_us[keep], value=self.value[keep])


class Steps(NamedTuple):
    """A meter's good readings and what lies between them.

    Attributes:
        t_us: Times of the readings [µs] (m,).
        used: What was surely used from each to the next, in the counter's unit (m - 1,).
        certain: That is all that was used (m - 1,).
        notes: What was wrong, in order of time.
    """

    t_us: Ints
    used: Floats
    certain: Bools
    notes: tuple[Said, ...]


def steps_of(counter: Counter) -> Steps:
    """Return what a meter counted from reading to reading, each step down explained."""
    every = _in_order(counter)
    keep, notes = _without_wrong(every)
    shown = every.of(keep)
    used = np.zeros(max(len(shown.value) - 1, 0))
    certain, begins = np.ones(len(used), bool), [0]
    for place in np.flatnonzero(_odd(shown)).tolist():
        what, used[place] = _explained(shown, place)
        lasted_us = int(shown.t_us[place + 1] - shown.t_us[place])
        certain[place] = what == "rolled" or (what != "leap" and lasted_us <= LOST_US)
        notes.append(_said(what, shown, place))
        begins.append(place + 1)
    for first, after in zip(begins, [*begins[1:], len(shown.value)], strict=True):
        highest = np.maximum.accumulate(shown.value[first:after])
        used[first : after - 1] = np.diff(highest)
    return Steps(shown.t_us, used, certain, tuple(sorted([*notes, *_corrections(shown)])))


def _in_order(counter: Counter) -> Shown:
    """Return the finite readings in order of time, the last one of each time."""
    good = np.isfinite(counter.value)
    t_us, value = counter.t_us[good], counter.value[good]
    order = np.argsort(t_us, kind="stable")
    t_us, value = t_us[order], value[order]
    newest = np.diff(t_us, append=np.iinfo(np.int64).max) > 0
    t_us, value = t_us[newest], value[newest]
    return Shown(t_us, value, _most_an_hour(t_us, value), UNITS.get(counter.quantity, ""))


def _most_an_hour(t_us: Ints, value: Floats) -> float:
    """Return the most an hour can use; infinite where the readings are too few to tell.

    A single leap raises one hour, or the hours of one long step; the quantile passes it.
    """
    steps = np.maximum(np.diff(value), 0.0)
    if np.count_nonzero(steps) < _FEW:
        return math.inf
    count = np.concatenate(([0.0], np.cumsum(steps)))
    hours = np.arange(t_us[0], t_us[-1], HOUR_US)
    an_hour = np.diff(np.interp(hours, t_us, count))
    an_hour = an_hour[an_hour > 0]
    if len(an_hour) < _FEW:
        return math.inf
    return float(_LEAP * np.quantile(an_hour, 0.98, method="lower"))


def _odd(shown: Shown) -> Bools:
    """Return which steps are no use and no correction: far back, or far ahead (m - 1,)."""
    step = np.diff(shown.value)
    odd: Bools = (step < -shown.back(shown.value[:-1])) | (step > shown.most(np.diff(shown.t_us)))
    return odd


def _without_wrong(shown: Shown) -> tuple[Bools, list[Said]]:
    """Return which readings stay, and what is said of the others.

    A reading is wrong when the meter leaves its course with it and is back on it soon after.
    """
    keep, notes = np.ones(len(shown.value), bool), []
    odd, place = np.flatnonzero(_odd(shown)).tolist(), 0
    while place < len(odd):
        back = _comes_back(shown, odd, place)
        if back is None:
            place += 1
            continue
        first, last = odd[place] + 1, odd[back]
        keep[first : last + 1] = False
        notes.append(_left_out(shown, first, last))
        place = back + 1
    return keep, notes


def _comes_back(shown: Shown, odd: list[int], place: int) -> int | None:
    """Return which odd step leads back to the course that the one at ``place`` left."""
    left = odd[place]
    for back in range(place + 1, min(place + _LOOKS_ON, len(odd))):
        at = odd[back] + 1
        span_us = int(shown.t_us[at] - shown.t_us[left])
        if span_us > DAY_US:
            return None
        went = float(shown.value[at] - shown.value[left])
        if -shown.back(float(shown.value[left])) <= went <= shown.most(span_us) / _LEAP:
            return back
    return None


def _explained(shown: Shown, place: int) -> tuple[What, float]:
    """Return what an odd step was, and what was surely used in it."""
    before, after = (float(value) for value in shown.value[place : place + 2])
    if after >= before:
        return "leap", 0.0
    most = float(shown.most(int(shown.t_us[place + 1] - shown.t_us[place])))
    register = max(1e3, 10.0 ** math.ceil(math.log10(max(before, 1e-9))))
    rolled = register - before + after
    if before >= _ROLLS_FROM * register and after >= 0 and rolled <= min(most, 0.1 * register):
        return "rolled", rolled
    if 0 <= after <= most and after < before / 2:
        return "reset", after
    return "swapped", 0.0


def _said(what: What, shown: Shown, place: int) -> Said:
    before, after = (f"{value:.8g} {shown.unit}" for value in shown.value[place : place + 2])
    text = {
        "rolled": f"the meter went round its register, from {before} to {after}; counted on",
        "reset": f"the meter began again, {before} before and {after} after; counted from zero, "
        "what it counted shortly before is lost",
        "swapped": f"the meter was changed, or set to another count: {before} before, {after} "
        "after; what was used in between is not known",
        "leap": f"the meter leapt from {before} to {after}, more than any hour here uses; taken "
        "for another meter, what was used in between is not known",
    }[what]
    return Said(int(shown.t_us[place + 1]), text)


def _left_out(shown: Shown, first: int, last: int) -> Said:
    count = last - first + 1
    readings = "a reading was" if count == 1 else f"{count} readings were"
    text = (
        f"{readings} off the meter's course ({shown.value[first]:.8g} {shown.unit} after "
        f"{shown.value[first - 1]:.8g}) and left out"
    )
    return Said(int(shown.t_us[first]), text)


def _corrections(shown: Shown) -> list[Said]:
    """Return what is said of small steps back; many are said once."""
    step = np.diff(shown.value)
    back = np.flatnonzero((step < 0) & ~_odd(shown))
    if len(back) == 0:
        return []
    first = int(back[0])
    often = f"{len(back)} times, first " if len(back) > 1 else ""
    text = (
        f"the meter stepped back {often}from {shown.value[first]:.8g} to "
        f"{shown.value[first + 1]:.8g} {shown.unit}; counted again once it is above where it was"
    )
    return [Said(int(shown.t_us[first + 1]), text)]
