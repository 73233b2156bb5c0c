"""What the tests of room and outlook share: an invented bay, and frames of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from envmon.outlook.constants import BELIEFS
from envmon.outlook.frame import frame_from_columns
from envmon.outlook.hidden import DRY_STAGES, WET_STAGES, fan_share
from envmon.physics.room import (
    CONSTANTS,
    Drive,
    Room,
    RoomState,
    advance,
    rel_hum_share,
    saturated_ratio,
)

if TYPE_CHECKING:
    from typing import Any

    from envmon.outlook.frame import BayFrame

START_US = 1_767_600_000_000_000
PRESSURE_PA = 101_325.0


def bay(**other: Any) -> Room:
    """Return a bay of usual constants, some of them changed."""
    return replace(Room(**{name: BELIEFS[name].median for name in CONSTANTS}), **other)


def state(**other: Any) -> RoomState:
    """Return a bay in the middle of a winter day, some of it changed."""
    usual = RoomState(20.0, 17.0, 0.0065, 0.0, 0.45, 16.0, 12.0)
    return replace(usual, **other)


def drive(**other: Any) -> Drive:
    """Return a cold day outside and a neighbour alike, some of it changed."""
    return replace(Drive(-8.0, 0.0015, 18.0, 0.006, PRESSURE_PA), **other)


def as_vector(of: RoomState) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the stores of one bay as a vector."""
    return np.array([float(getattr(of, name)) for name in RoomState.__slots__])


def from_vector(vector: Any) -> RoomState:
    """Return the stores of one bay from a vector."""
    return RoomState(*(float(value) for value in vector))


DAY_STAGES = (
    ("warm_up", 420, 40), ("foam", 460, 12), ("wash", 472, 12), ("rinse", 484, 12),
    ("drying", 496, 110), ("polish", 606, 60), ("coating", 670, 80), ("early_cure", 750, 60),
    ("cure", 810, 500),
)  # fmt: skip
"""(stage, minute of the day, minutes) of a day of work."""


PARTS = 2
"""Steps a minute; a row is their mean, as of readings that come more than once a minute."""


def lived_frame(
    room: Room, fan_above: float, days: int, seed: int, heater_w: float = 14e3
) -> BayFrame:
    """Return what sensors say of a bay that is exactly as the model has it.

    Args:
        room: Its constants.
        fan_above: Humidity at which its fan is switched, 0…1.
        days: How many.
        seed: Of the weather's wander, the arrivals and the noise.
        heater_w: Output of its heater [W].
    """
    draw = np.random.default_rng(seed)
    size = days * 1440
    hours = np.arange(size) / 60
    wander = np.cumsum(draw.normal(0, 0.05, size))
    outdoor_c = -6 + 3 * np.sin(2 * np.pi * hours / 24) + wander - np.linspace(0, wander[-1], size)
    outdoor_ratio = 0.7 * np.asarray(saturated_ratio(outdoor_c, PRESSURE_PA))
    stage, door = np.full(size, "", dtype="U24"), np.zeros(size)
    for day in range(days):
        late = int(draw.integers(0, 90))
        for name, start, minutes in DAY_STAGES:
            first = day * 1440 + start + late
            stage[first : first + minutes] = name
        door[day * 1440 + 415 + late : day * 1440 + 420 + late] = 1
    wetting = np.isin(stage, sorted(WET_STAGES)).astype(float)
    fanned = np.isin(stage, sorted(DRY_STAGES)).astype(float)
    at, on, rows = state(), 0.0, np.empty((size, PARTS, 4))
    share = float(rel_hum_share(at.air_c, at.ratio, PRESSURE_PA))
    for row, part in np.ndindex(size, PARTS):
        setpoint_c = 20.0 if 300 <= row % 1440 < 1080 else 15.0
        on = 1.0 if at.air_c < setpoint_c - 0.4 else 0.0 if at.air_c > setpoint_c + 0.4 else on
        fan = fan_share(fanned[row], share, fan_above)
        acts = Drive(
            outdoor_c[row], outdoor_ratio[row], 18.0, 0.006, PRESSURE_PA, on, door[row], fan,
            wetting[row], float(stage[row] != ""),
        )  # fmt: skip
        at = advance(room, at, acts, 1 / 60 / PARTS)
        share = float(rel_hum_share(at.air_c, at.ratio, PRESSURE_PA))
        rows[row, part] = at.air_c, 100 * share, at.panel_c, on
    rows = rows.mean(axis=1)
    noise = draw.normal(0, 1, (3, size)) * np.array([[0.02], [0.15], [0.05]])
    heater = rows[:, 3]
    columns = {
        "air_temp_c": rows[:, 0] + noise[0], "rel_hum_pct": rows[:, 1] + noise[1],
        "panel_temp_c": rows[:, 2] + noise[2], "outdoor_temp_c": outdoor_c,
        "outdoor_rel_hum_pct": np.full(size, 70.0), "heater_on": heater,
        "heater_power_w": heater * heater_w, "door_open": door,
        "air_pressure_pa": np.full(size, PRESSURE_PA),
    }  # fmt: skip
    frame = frame_from_columns({n: [v] for n, v in columns.items()}, (), START_US, size)
    shared = np.full(size, 18.0), np.full(size, 0.006)
    return replace(frame, stage=stage, shared_c=shared[0], shared_ratio=shared[1])


def still_frame(days: int) -> BayFrame:
    """Return a bay in which nothing ever happens: it can teach next to nothing."""
    size = days * 1440
    columns = {"air_temp_c": 20.0, "rel_hum_pct": 45.0, "panel_temp_c": 18.0}
    return frame_from_columns(
        {name: [np.full(size, value)] for name, value in columns.items()}, (), START_US, size
    )
