"""What the tests of room and outlook share: an invented bay, and frames of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from envmon.outlook.constants import BELIEFS
from envmon.physics.room import CONSTANTS, Drive, Room, RoomState

if TYPE_CHECKING:
    from typing import Any

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
