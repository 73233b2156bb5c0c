"""Run time from the temperature curve alone, where no state and no power is known.

A heater shows by how much faster the air warms than the bay would by itself. How the bay cools is
fitted (``curve_fit``), what a cold vehicle, a wash or a blower adds is taken out by the lowest
steps of each stretch, a sensor's lag by the tails of the heater's pulses; what is left, over what
it is while the heater runs through, is the share it ran.

Measured on the simulated shop (minute means of two sensors a bay; doors, washes, cold vehicles,
heaters that fail; 126 days of autumn, winter and spring in four runs, 2 bays): with the door's
state known a day is 2 % off in the median, 4 % in four days of five, 9 % at worst; without it the
same, but a day on which the door was left open was 21 % off. It reads 1 to 3 % low. Through
sensors that round to 0.1 K four days of five are within 14 %. ``tests/test_heating_inferred.py``
holds it to that, and to 10 % on bays of another kind.

It needs a heater that switches, and now and then runs for more than two steps. One that
modulates, never stops, or works in pulses shorter than the sensor follows is not guessed at.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.heating.curve_fit import ahead, excess, unlagged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.curve_fit import Bools
    from envmon.heating.model import Floats

    Places = NDArray[np.intp]

ERROR_SHARE, COARSE_ERROR_SHARE = 0.05, 0.15
"""Error of a day's inferred run time that four days of five stay under, as a share of it: of a
curve on which the heater stands out eightyfold, and of one on which it does so less."""
WIDTHS_MIN = (1, 5, 15)
"""Steps that are tried, in this order, until the heater stands out [min]."""
_CLEAR, _FINE = 25.0, 80.0
_STRETCH, _TURNS = 20, 3
_LEAST_THROUGH = 10
_LEVEL_AGE_MIN = 180
_GAP_MIN = 10
_LEAST_STARTS_DAY = 3.0
_LEVEL_SPREAD_K = 0.5


class Heard(NamedTuple):
    """What the curve tells of the heater, by the step.

    Attributes:
        air_c: The curve without the sensor's lag [°C].
        excess: How much more it warms than by itself, undisturbed [K per step].
        rise: What that is while the heater runs through [K per step].
        noise: Its usual scatter while the heater is off [K per step].
        level_c: Temperature at which the heater was last switched on; NaN where that is old.
        lost: Steps in which something takes heat as fast as the heater gives it, such as a door.
    """

    air_c: Floats
    excess: Floats
    rise: float
    noise: float
    level_c: Floats
    lost: Bools


class Inferred(NamedTuple):
    """Run time by the curve.

    Attributes:
        share: Share of each minute, 0…1; NaN where not known (n,).
        error_share: Error of a day that four days of five stay under, as a share of it.
    """

    share: Floats
    error_share: float


def inferred_share(air_c: Floats, door_open: Floats | None = None) -> Inferred | None:
    """Return how much of each minute a heater ran; None where no heater that switches can be told.

    Args:
        air_c: Minute means [°C] (n,), NaN where not known; gaps up to ten minutes are bridged.
        door_open: Share of each minute a door was open (n,), where that is known.
    """
    known = np.isfinite(air_c)
    if known.sum() < 2 * 1440:
        return None
    places = np.flatnonzero(known)
    filled = np.interp(np.arange(len(air_c)), places, air_c[places])
    door = np.zeros(len(air_c)) if door_open is None else np.nan_to_num(door_open)
    for width in WIDTHS_MIN:
        heard = heard_at(_means(filled, width), _means(door, width) > 0, width)
        if heard is not None and heard.rise > _CLEAR * heard.noise:
            share = np.repeat(_share(heard), width)[: len(air_c)]
            fine = heard.rise > _FINE * heard.noise
            return Inferred(
                np.where(_bridged(places, len(air_c)), share, np.nan),
                ERROR_SHARE if fine else COARSE_ERROR_SHARE,
            )
    return None


def _means(values: Floats, width: int) -> Floats:
    """Return means of ``width`` minutes each; the last may be of fewer."""
    if width == 1:
        return values
    short = -len(values) % width
    padded = np.append(values, np.full(short, values[-1]))
    means: Floats = padded.reshape(-1, width).mean(axis=1)
    return means


def _bridged(places: Places, count: int) -> Bools:
    """Return which minutes are known, or lie in a gap of ten minutes at most."""
    padded = np.concatenate(([-count], places, [3 * count]))
    at = np.searchsorted(places, np.arange(count)) + 1
    after, before = padded[at], padded[at - 1]
    bridged: Bools = (after == np.arange(count)) | (after - before <= _GAP_MIN + 1)
    return bridged


def heard_at(air_c: Floats, door: Bools, width_min: int) -> Heard | None:
    """Return what the curve tells at a step's length; None where no heater can be told.

    Args:
        air_c: By the step [°C] (n,), all known.
        door: Steps in which a door was open (n,).
        width_min: Length of a step [min].
    """
    falls = np.diff(air_c, append=air_c[-1]) < 0
    off = falls & ahead(falls, 1) & ahead(falls, -1) & ahead(falls, -2) & ~door
    if off.sum() < 50:
        return None
    for turn in range(_TURNS):
        calm, rise, noise = _calm(air_c, off, width_min)
        if turn < _TURNS - 1:
            air_c = unlagged(air_c, _lag(calm, noise))
            off = (np.abs(calm) < 5 * noise) & ~door if turn else off & ahead(off, -1)
        if off.sum() < 50 or rise <= 0:
            return None
    level_c = _level(air_c, calm > 0.3 * rise, width_min)
    if level_c is None:
        return None
    lost = (calm < -max(10 * noise, 0.15 * rise)) | door
    return Heard(air_c, calm, rise, noise, level_c, lost)


def _calm(air_c: Floats, off: Bools, width_min: int) -> tuple[Floats, float, float]:
    """Return the excess without disturbances, what it is while the heater runs, and its scatter."""
    raw = excess(air_c, off, width_min)
    noise = _scatter(raw, off)
    steps_day = 1440 // width_min
    calm = raw - _disturbed(raw, noise, _rise(raw, steps_day))
    return calm, _rise(calm, steps_day), noise


def _scatter(values: Floats, off: Bools) -> float:
    """Return how much values scatter from step to step while the heater is off."""
    steps = np.abs(np.diff(values[off]))
    return float(1.4826 / np.sqrt(2) * np.median(steps)) + 1e-9


def _lag(values: Floats, noise: float) -> float:
    """Return what is left of a heater's pulse one step later, by the pulses' tails, 0…0.8.

    Two steps after its peak a pulse of a minute or two is over; three to six steps later it has
    died away.
    """
    here = values[1:-8]
    peaks = (here > values[:-9]) & (here >= values[2:-7]) & (here > 20 * noise)
    at = np.flatnonzero(peaks) + 1
    late = np.stack([values[at + steps] for steps in (4, 5, 6)])
    rest = np.median(late, axis=0)
    one, two = values[at + 2] - rest, values[at + 3] - rest
    usable = (one > 4 * noise) & (one < 0.4 * values[at]) & (np.ptp(late, axis=0) < 6 * noise)
    if usable.sum() < 20:
        return 0.0
    return float(np.clip(np.median(two[usable] / one[usable]), 0.0, 0.8))


def _rise(values: Floats, steps_day: int) -> float:
    """Return what the excess is while the heater runs through; 0 where it never does for long.

    Pulses that are never longer than two steps hide how much the heater gives. Just after a door
    was open the bay warms faster than the heater alone would make it.
    """
    pair = np.minimum(values, ahead(values, 1))
    days = len(pair) // steps_day
    highest = pair[: days * steps_day].reshape(days, steps_day).max(axis=1)
    most = float(np.quantile(highest, 0.75))
    high = values > 0.7 * most
    through = high & ahead(high, 1) & ahead(high, -1)
    calm = through & ~_lately(values < -0.15 * most)
    rises = values[calm if calm.sum() >= _LEAST_THROUGH else through]
    return float(np.median(rises)) if most > 0 and len(rises) >= _LEAST_THROUGH else 0.0


def _lately(flags: Bools) -> Bools:
    """Return whether a flag was set within the last stretch of steps."""
    counted: Floats = np.concatenate((np.zeros(_STRETCH), np.cumsum(flags)))
    lately: Bools = counted[_STRETCH:] > counted[:-_STRETCH]
    return lately


def _disturbed(values: Floats, noise: float, rise: float) -> Floats:
    """Return what acts on the bay beside the heater, by the lowest of each stretch's steps.

    A stretch in which the heater never stops, or a door takes all heat, is passed over.
    """
    count = -(-len(values) // _STRETCH)
    padded = np.append(values, np.full(count * _STRETCH - len(values), np.nan))
    stretches = padded.reshape(count, _STRETCH)
    low = np.partition(stretches, 2, axis=1)[:, 2, None]
    off = np.abs(stretches - low) < 6 * noise
    number = off.sum(axis=1)
    mean = np.where(off, stretches, 0.0).sum(axis=1) / np.maximum(number, 1)
    usable = (number >= 2) & (np.abs(mean) < 0.25 * rise)
    middles = (np.arange(count) + 0.5) * _STRETCH
    if not usable.any():
        return np.zeros(len(values))
    between: Floats = np.interp(np.arange(len(values)), middles[usable], mean[usable])
    return between


def _level(air_c: Floats, heats: Bools, width_min: int) -> Floats | None:
    """Return the temperature at which the heater was switched on last, of five times the median.

    None where that happens too seldom or at any temperature: then it is no thermostat.
    """
    starts = np.flatnonzero(heats & ~ahead(heats, -1))
    if len(starts) < max(_LEAST_STARTS_DAY * len(air_c) * width_min / 1440, 10):
        return None
    at_c = air_c[starts]
    five = np.lib.stride_tricks.sliding_window_view(np.append(np.full(4, at_c[0]), at_c), 5)
    level_c = np.median(five, axis=1)
    if np.median(np.abs(at_c - level_c)) > _LEVEL_SPREAD_K:
        return None
    last = np.searchsorted(starts, np.arange(len(air_c)), "right") - 1
    age = (np.arange(len(air_c)) - starts[last]) * width_min
    return np.where((last >= 0) & (age <= _LEVEL_AGE_MIN), level_c[last], np.nan)


def _share(heard: Heard) -> Floats:
    """Return the share of each step the heater ran, 0…1.

    While heat is lost through a door the curve cannot tell; there a heater runs whose thermostat
    is colder than where it switched on before.
    """
    runs = heard.excess > 0.7 * heard.rise
    through = runs & ahead(runs, 1) & ahead(runs, -1)
    share = np.where(heard.excess > 5 * heard.noise, heard.excess / heard.rise, 0.0)
    share = np.where(through, 1.0, np.minimum(share, 1.0))
    calls = heard.air_c < heard.level_c + 0.1
    return np.where(heard.lost, calls.astype(float), share)
