"""What is going on in a bay, as far as forecasts err differently in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.outlook.habits import setpoint_now
from envmon.outlook.hidden import water_used

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.frame import BayFrame
    from envmon.outlook.habits import Habits

SITUATIONS = ("wetting", "rinsed", "drying", "dried", "moving", "calm")
"""Water is used; it was up to 15, 45 or 150 min ago; door or heat are at work; none of these."""
RINSED_MIN, DRYING_MIN, DRIED_MIN = 15, 45, 150
MOVING_K = 1.5
DOOR_MIN = 30


def rows_since(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Return how many rows ago something was so last; large where it never was."""
    rows = np.arange(len(flags))
    return rows - np.maximum.accumulate(np.where(flags, rows, -1_000_000))


def situations_of(frame: BayFrame, habits: Habits) -> npt.NDArray[np.intp]:
    """Return the place in ``SITUATIONS`` of each row."""
    since = rows_since(water_used(frame.stage))
    door = rows_since(np.nan_to_num(frame["door_open"]) > 0.5)
    with np.errstate(invalid="ignore"):
        off = np.abs(frame["air_temp_c"] - setpoint_now(frame, habits)) > MOVING_K
    moving = off | (door <= DOOR_MIN)
    found = np.where(moving, 4, 5)
    found[since <= DRIED_MIN] = 3
    found[since <= DRYING_MIN] = 2
    found[since <= RINSED_MIN] = 1
    found[since == 0] = 0
    return found
