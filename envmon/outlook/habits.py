"""What a shop does again and again: how long a stage takes, what follows it, what it heats to."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from envmon.clock import DAY_US, MINUTE_US
from envmon.outlook.localtime import local_us

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.frame import BayFrame, Values

SLOTS = 48
"""Half hours of a day."""
SLOT_US = DAY_US // SLOTS
USUAL_MIN = {
    "warm_up": 36.0, "foam": 12.0, "wash": 15.0, "decontamination": 15.0, "rinse": 11.0,
    "drying": 90.0, "polish": 90.0, "wipe": 15.0, "coating": 90.0, "early_cure": 60.0,
    "cure": 720.0,
}  # fmt: skip
"""Minutes a stage takes where the shop has not shown it yet (common practice)."""
USUAL_NEXT = {
    "foam": "wash", "wash": "rinse", "rinse": "drying", "drying": "polish", "polish": "wipe",
    "wipe": "coating", "coating": "early_cure", "early_cure": "cure",
}  # fmt: skip
DOOR_MIN = 4.0


class Habits(msgspec.Struct, frozen=True):
    """What was usual.

    Attributes:
        lasts_min: Stage -> minutes it takes, median.
        next: Stage -> what follows most often; empty for nothing.
        door_min: Minutes a door stays open, median.
        band_k: Half of the thermostat's swing [K].
        setpoint_c: Middle of the swing by slot of the day: work day and day off, each without and
            with a stage being worked; four rows of half hours. None where never seen.
        outdoor_k: Outdoor temperature by slot of UTC against the day's mean [K]: the sun's clock
            is never changed.
        days_off: Days of the week without work, 0 is Monday.
        zone: Time zone whose half hours and days the others are.
        wets: Body -> vapour that a wash gives off beyond the model, by five minutes of it
            [g/(kg·h)]; under the empty name that of all. Empty where washes are few.
        dries: Likewise what wet surfaces exchange beyond it after a wash [1/h].
    """

    lasts_min: dict[str, float]
    next: dict[str, str]
    door_min: float
    band_k: float
    setpoint_c: tuple[tuple[float | None, ...], ...]
    outdoor_k: tuple[float, ...]
    days_off: tuple[int, ...] = ()
    zone: str = "UTC"
    wets: dict[str, tuple[float, ...]] = {}
    dries: dict[str, tuple[float, ...]] = {}


def usual_habits(zone: str = "UTC") -> Habits:
    """Return what is usual in the trade."""
    none: tuple[float | None, ...] = (None,) * SLOTS
    usual = dict(USUAL_MIN), dict(USUAL_NEXT), DOOR_MIN, 0.4, (none,) * 4, (0.0,) * SLOTS
    return Habits(*usual, zone=zone)


def habits_from(frame: BayFrame, zone: str = "UTC") -> Habits:
    """Return what was usual in a history.

    Args:
        frame: Rows of some days.
        zone: The shop's time zone: people and thermostats go by its clock.
    """
    usual = usual_habits()
    lasts, follows = _stages(frame)
    clock_us = _clock_us(frame, zone)
    off = _days_off(frame, clock_us)
    return Habits(
        {**usual.lasts_min, **lasts},
        {**usual.next, **follows},
        _door_min(frame),
        _band_k(frame),
        _setpoints(frame, clock_us, off),
        _outdoor(frame),
        off,
        zone,
    )


def _clock_us(frame: BayFrame, zone: str) -> npt.NDArray[np.int64]:
    """Return what the shop's clock shows in each row [µs]."""
    at_us = frame.start_us + np.arange(len(frame)) * MINUTE_US
    return np.asarray(local_us(at_us, zone), dtype=np.int64)


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _stages(frame: BayFrame) -> tuple[dict[str, float], dict[str, str]]:
    edges = [0, *(np.flatnonzero(frame.stage[1:] != frame.stage[:-1]) + 1).tolist(), len(frame)]
    took: defaultdict[str, list[int]] = defaultdict(list)
    after: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for first, last in pairwise(edges):
        stage = str(frame.stage[first]) if first < len(frame) else ""
        if not stage or first == 0 or last == len(frame):
            continue
        took[stage].append(last - first)
        # A pause between two stages is none: what comes within half an hour follows.
        coming = frame.stage[last : last + 30]
        coming = coming[coming != ""]
        after[stage][str(coming[0]) if len(coming) else ""] += 1
    lasts = {stage: float(np.median(minutes)) for stage, minutes in took.items()}
    return lasts, {stage: count.most_common(1)[0][0] for stage, count in after.items()}


def _door_min(frame: BayFrame) -> float:
    lengths = [last - first for first, last in _runs(frame["door_open"] > 0.5)]
    return float(np.median(lengths)) if len(lengths) >= 3 else DOOR_MIN


def switch_rows(frame: BayFrame) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return the rows in which the heater went on, and off."""
    on = np.nan_to_num(frame["heater_on"], nan=-1)
    known = (on[1:] >= 0) & (on[:-1] >= 0)
    rises = np.flatnonzero((on[1:] > 0.5) & (on[:-1] <= 0.5) & known) + 1
    falls = np.flatnonzero((on[1:] <= 0.5) & (on[:-1] > 0.5) & known) + 1
    return rises, falls


def _band_k(frame: BayFrame) -> float:
    rises, falls = switch_rows(frame)
    if len(rises) < 5 or len(falls) < 5:
        return 0.4
    air_c = frame["air_temp_c"]
    pairs = [air_c[fall] - air_c[rises[n - 1]] for fall in falls
             if (n := int(np.searchsorted(rises, fall))) > 0]  # fmt: skip
    swing = np.array([pair for pair in pairs if np.isfinite(pair)])
    return float(np.clip(np.median(swing) / 2, 0.1, 2.0)) if len(swing) else 0.4


def _days_off(frame: BayFrame, clock_us: npt.NDArray[np.int64]) -> tuple[int, ...]:
    """Return the days of the week on which hardly ever a stage was started."""
    starts = np.flatnonzero((frame.stage[1:] != "") & (frame.stage[:-1] == "")) + 1
    if len(frame) < 14 * 1440 or len(starts) < 5:
        return ()
    week = Counter(((clock_us[starts] // DAY_US + 3) % 7).tolist())
    return tuple(day for day in range(7) if week[day] < 0.1 * len(starts) / 7)


def usual_c(
    habits: Habits,
    at_us: npt.NDArray[np.int64],
    worked: npt.NDArray[np.bool_],
) -> Values:
    """Return the usual middle of the thermostat's swing at some times [°C], NaN where never seen.

    Args:
        habits: What is usual.
        at_us: Times [µs, UTC].
        worked: Whether a stage is being worked then, same shape.
    """
    return _usual_at(habits, np.asarray(local_us(at_us, habits.zone), dtype=np.int64), worked)


def _usual_at(
    habits: Habits, clock_us: npt.NDArray[np.int64], worked: npt.NDArray[np.bool_]
) -> Values:
    table = np.array([[np.nan if v is None else v for v in row] for row in habits.setpoint_c])
    off = np.isin((clock_us // DAY_US + 3) % 7, habits.days_off)
    return table[2 * off.astype(int) + worked, clock_us % DAY_US // SLOT_US]


def _setpoints(
    frame: BayFrame, clock_us: npt.NDArray[np.int64], off: tuple[int, ...]
) -> tuple[tuple[float | None, ...], ...]:
    rises, falls = switch_rows(frame)
    air_c = frame["air_temp_c"]
    seen: defaultdict[tuple[int, int], list[float]] = defaultdict(list)
    for fall in falls:
        n = int(np.searchsorted(rises, fall))
        if n == 0 or fall - rises[n - 1] > 60:
            continue
        middle = (air_c[fall] + air_c[rises[n - 1]]) / 2
        if np.isfinite(middle):
            day, in_day_us = divmod(int(clock_us[fall]), DAY_US)
            row = 2 * int((day + 3) % 7 in off) + int(frame.stage[fall] != "")
            seen[row, in_day_us // SLOT_US].append(float(middle))
    return tuple(
        tuple(
            round(float(np.median(seen[row, slot])), 2) if seen[row, slot] else None
            for slot in range(SLOTS)
        )
        for row in range(4)
    )


def _outdoor(frame: BayFrame) -> tuple[float, ...]:
    outdoor_c = frame["outdoor_temp_c"]
    if np.isfinite(outdoor_c).sum() < 3 * 1440:
        return (0.0,) * SLOTS
    slots = (frame.start_us + np.arange(len(frame)) * MINUTE_US) % DAY_US // SLOT_US
    mean = float(np.nanmean(outdoor_c))
    shape = [np.nanmean(outdoor_c[slots == slot]) - mean for slot in range(SLOTS)]
    return tuple(round(float(k), 2) for k in np.nan_to_num(np.array(shape)))


def setpoint_now(frame: BayFrame, habits: Habits) -> Values:
    """Return the middle of the thermostat's swing as known in each row of a history [°C].

    It is where the heater switched last; while it is on for long, at least the air's temperature.
    """
    rises, falls = switch_rows(frame)
    air_c = frame["air_temp_c"]
    known = np.full(len(frame), np.nan)
    known[rises] = air_c[rises] + habits.band_k
    known[falls] = air_c[falls] - habits.band_k
    rows = np.arange(len(frame))
    usual = _usual_at(habits, _clock_us(frame, habits.zone), frame.stage != "")
    place = np.maximum.accumulate(np.where(np.isfinite(known), rows, -1))
    age = rows - place
    last = np.where(place >= 0, known[np.maximum(place, 0)], np.nan)
    # The last switching counts while it is fresh and the table has not moved since.
    moved = usual - usual[np.maximum(place, 0)]
    guess = np.where((place >= 0) & (age < 240), last + np.nan_to_num(moved), np.nan)
    guess = np.where(np.isfinite(guess), guess, usual)
    heater = np.nan_to_num(frame["heater_on"])
    guess = np.where((heater > 0.5) & (guess < air_c - habits.band_k), air_c, guess)
    return np.where(np.isfinite(guess), guess, air_c)
