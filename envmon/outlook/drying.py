"""What water does in a bay, wash after wash, beyond what the model makes of it.

Floor, vehicle and towels dry one after the other, people blow and wipe: no single film does that.
But a shop washes alike each time, so what the balance of water lacked in past washes, minute by
minute and body by body, is taken to be lacking again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.outlook.fit import room_from
from envmon.outlook.hidden import (
    drive_of,
    fan_share,
    hidden_states,
    inputs_of,
    water_used,
)
from envmon.outlook.situations import rows_since
from envmon.physics.room import room_rates, saturated_ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from envmon.outlook.constants import Learned
    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.habits import Habits

    Flags = npt.NDArray[np.bool_]
    Rows = npt.NDArray[np.intp]

BIN_MIN = 5
WET_BINS, DRY_BINS = 12, 36
"""So many bins are told apart while water is used, and after it."""
LEAST_WASHES = 4
ALL_DRAWN, BODY_DRAWN = 1.0, 3.0
"""Past washes are drawn to the model, and those of a body to all of them, as by so many more."""
OUTERMOST = 3.0
"""Of a wash apart from the others no more counts than so many typical distances."""
LEAST_DRIVE = 5e-4
"""Near saturation an exchange cannot be told from nothing [kg/kg]."""
GRAMS = 1e3


class Washes(NamedTuple):
    """What each past wash lacked, bin by bin, NaN where not known; and its body."""

    lacked: Values
    bodies: npt.NDArray[np.str_]


class _Balance(NamedTuple):
    """A history's balance of water, a row a minute.

    Attributes:
        ratio: Humidity ratio [kg/kg].
        rate: By how much it should have changed by the model [kg/(kg·h)].
        drive: What the mass's saturated air has more than the bay's [kg/kg].
        good: Air and humidity were read.
        shut: So was the door.
        wet: Water was used.
    """

    ratio: Values
    rate: Values
    drive: Values
    good: Flags
    shut: Flags
    wet: Flags


def with_washes(habits: Habits, frame: BayFrame, learned: dict[str, Learned]) -> Habits:
    """Return habits with what water usually does beyond the model.

    Args:
        habits: What is usual otherwise.
        frame: The history.
        learned: The bay's constants.
    """
    balance = _balance(frame, learned)
    used, dried = _used(frame, balance), _dried(frame, balance)
    return msgspec.structs.replace(habits, wets=_by_body(used), dries=_by_body(dried))


def _balance(frame: BayFrame, learned: dict[str, Learned]) -> _Balance:
    inputs, room = inputs_of(frame), room_from(learned)
    hidden = hidden_states(room, inputs)
    fan = fan_share(inputs.fanned, inputs.share, learned["fan_above"].value)
    rate = np.asarray(room_rates(room, hidden, drive_of(inputs, fan)).ratio)[0]
    drive = (saturated_ratio(hidden.mass_c, inputs.pressure_pa) - inputs.ratio)[0]
    known = np.isfinite(frame["rel_hum_pct"]) & np.isfinite(frame["air_temp_c"])
    good, shut = frame.read & known, inputs.door <= 0.5
    return _Balance(inputs.ratio, rate, drive, good, shut, water_used(frame.stage))


def _used(frame: BayFrame, balance: _Balance) -> Washes:
    """Return the vapour that washes gave off beyond the model [g/(kg·h)]."""
    starts = np.flatnonzero(~balance.wet[:-1] & balance.wet[1:]) + 1
    found = np.full((len(starts), WET_BINS), np.nan)
    for place, first, last in _bins(starts, WET_BINS, len(frame)):
        if balance.wet[first:last].all() and _known(balance, first, last):
            found[place, (first - starts[place]) // BIN_MIN] = GRAMS * _lack(balance, first, last)
    return Washes(found, frame.body[starts])


def _dried(frame: BayFrame, balance: _Balance) -> Washes:
    """Return the exchange with wet surfaces beyond the model after washes [1/h]."""
    ends = np.flatnonzero(balance.wet[:-1] & ~balance.wet[1:]) + 1
    found = np.full((len(ends), DRY_BINS), np.nan)
    for place, first, last in _bins(ends, DRY_BINS, len(frame)):
        end = ends[place]
        alone = not balance.wet[end:last].any() and (frame.body[end:last] == frame.body[end]).all()
        if alone and balance.shut[first:last].all() and _known(balance, first, last):
            drive = max(float(balance.drive[first:last].mean()), LEAST_DRIVE)
            found[place, (first - end) // BIN_MIN] = _lack(balance, first, last) / drive
    return Washes(found, frame.body[ends])


def _bins(starts: Rows, bins: int, size: int) -> list[tuple[int, int, int]]:
    """Return (wash, first row, last row) of each bin that lies within the history."""
    return [
        (place, int(first), int(first) + BIN_MIN)
        for place, start in enumerate(starts)
        for first in start + BIN_MIN * np.arange(bins)
        if first + BIN_MIN < size
    ]


def _known(balance: _Balance, first: int, last: int) -> bool:
    return bool(balance.good[first : last + 1].mean() >= 0.8)


def _lack(balance: _Balance, first: int, last: int) -> float:
    """Return by how much the ratio changed more than the model has it [kg/(kg·h)]."""
    moved = (balance.ratio[last] - balance.ratio[first]) * 60 / BIN_MIN
    return float(moved - balance.rate[first:last].mean())


def _by_body(washes: Washes) -> dict[str, tuple[float, ...]]:
    """Return body -> a value for each bin; of all bodies under the empty name."""
    lacked, bodies = washes
    if len(lacked) < LEAST_WASHES:
        return {}
    every = _typical(lacked, np.zeros(lacked.shape[1]), ALL_DRAWN)
    found = {"": every}
    for body in sorted({str(one) for one in bodies} - {""}):
        found[body] = _typical(lacked[bodies == body], every, BODY_DRAWN)
    return {body: tuple(round(float(value), 4) for value in row) for body, row in found.items()}


def _typical(lacked: Values, before: Values, drawn: float) -> Values:
    """Return the mean of washes, those far apart held in, drawn to what was thought before."""
    known = np.isfinite(lacked)
    filled = np.where(known, lacked, before)
    middle = np.median(filled, axis=0)
    apart = 1.5 * np.median(np.abs(filled - middle), axis=0) + 1e-3
    held = np.clip(filled, middle - OUTERMOST * apart, middle + OUTERMOST * apart)
    mean = ((known * held).sum(axis=0) + drawn * before) / (known.sum(axis=0) + drawn)
    return np.convolve(np.pad(mean, 1, mode="edge"), (0.25, 0.5, 0.25), "valid")


class Minutes(NamedTuple):
    """Minutes of a bay, of any shape: whether water is used, for how long or since when, body."""

    wet: Flags
    into: Values
    since: Values
    body: npt.NDArray[np.str_]


def lived(frame: BayFrame) -> Minutes:
    """Return the minutes of a history, a row each."""
    wet = water_used(frame.stage)
    return Minutes(wet, rows_since(~wet), rows_since(wet), frame.body)


def coming(frame: BayFrame, rows: Rows, stages: npt.NDArray[np.str_]) -> Minutes:
    """Return the minutes after some rows.

    Args:
        frame: The history.
        rows: Places to look ahead from.
        stages: Stage of each minute ahead, shape (minutes, rows).
    """
    now, wet = lived(frame), water_used(stages)
    body = np.broadcast_to(frame.body[rows], wet.shape)
    return Minutes(wet, _ran(~wet, now.into[rows]), _ran(wet, now.since[rows]), body)


def _ran(flags: Flags, before: Values) -> Values:
    """Return for how many minutes something has not been so, shape (minutes, rows)."""
    minutes = np.arange(1, len(flags) + 1)[:, None]
    last = np.maximum.accumulate(np.where(flags, minutes, 0), axis=0)
    return np.where(last > 0, minutes - last, before + minutes)


def usual_water(habits: Habits, minutes: Minutes) -> tuple[Values, Values]:
    """Return the vapour [kg/(kg·h)] and the exchange with wet surfaces [1/h] beyond the model."""
    after = ~minutes.wet & (minutes.since <= BIN_MIN * DRY_BINS)
    water = _looked_up(habits.wets, minutes.wet, minutes.into, minutes.body)
    return water / GRAMS, _looked_up(habits.dries, after, minutes.since, minutes.body)


def _looked_up(
    table: dict[str, tuple[float, ...]], chosen: Flags, at: Values, body: Sequence[str] | Values
) -> Values:
    found = np.zeros(chosen.shape)
    for name in np.unique(body) if table else ():
        row = table.get(str(name), table[""])
        own = chosen & (body == name)
        middles = BIN_MIN * (np.arange(len(row)) + 0.5)
        found[own] = np.interp(at[own] - 0.5, middles, row)
    return found
