"""How large a character must be to be read from a distance, and how the wall is laid out.

A character is legible when its height fills at least 16, comfortable at 20…22 minutes of arc:
ISO 9241-303 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envmon.errors import InputError

ARC_MINUTES = 20.0
CAP_HEIGHT_EM = 0.7
"""Height of capitals and digits over the font size, for the typeface shipped here."""


@dataclass(frozen=True, slots=True)
class Display:
    """A screen on the wall.

    Attributes:
        diagonal_in: Diagonal [inch].
        width_px: Pixels across.
        height_px: Pixels down.
    """

    diagonal_in: float = 32.0
    width_px: int = 1920
    height_px: int = 1080

    @property
    def pixel_mm(self) -> float:
        """Size of a pixel [mm]."""
        return self.diagonal_in * 25.4 / math.hypot(self.width_px, self.height_px)


WALL_DISPLAY = Display()


def min_character_px(distance_m: float, display: Display = WALL_DISPLAY) -> float:
    """Return the least height of a character [px] to be read from ``distance_m``.

    Args:
        distance_m: Distance of the eye [m], 0.2…30.
        display: The screen.

    Raises:
        InputError: The distance is outside the range.

    Source: visual angle 2·atan(h/2d) of at least 20 minutes of arc, ISO 9241-303 (from memory).
    """
    if not 0.2 <= distance_m <= 30:
        raise InputError(f"viewing distance is {distance_m} m; allowed is 0.2 to 30 m")
    height_mm = 2_000 * distance_m * math.tan(math.radians(ARC_MINUTES / 60) / 2)
    return height_mm / display.pixel_mm


def distance_m(character_px: float, display: Display = WALL_DISPLAY) -> float:
    """Return how far away a character of this height [px] can be read from [m]."""
    return character_px * display.pixel_mm / (2_000 * math.tan(math.radians(ARC_MINUTES / 60) / 2))


ROOM_FOR_PX = {1: 190.0, 2: 140.0, 3: 90.0, 4: 100.0}
"""Bays on one screen -> largest font [px] for verdict and main numbers that fits; else 62.

One to three bays lie below each other, more in two columns.
"""
BESIDE_M = 3.0
"""From here the reasons can be read on a wall of one or two bays."""


@dataclass(frozen=True, slots=True)
class WallSize:
    """Font sizes of a wall, and how far it can be read.

    Attributes:
        big_px: Font of stage, verdict and main numbers [px].
        small_px: Font of the reasons [px].
        reach_m: Distance from which the big characters can be read [m].
        wanted_m: Distance the shop file asks for [m].
    """

    big_px: float
    small_px: float
    reach_m: float
    wanted_m: float


def wall_size(bays: int, wanted_m: float) -> WallSize:
    """Return the sizes for so many bays on one screen.

    Where the distance asks for more than fits, ``reach_m`` is less than ``wanted_m`` and the
    page says so.

    Args:
        bays: How many bays share the screen.
        wanted_m: Distance the shop file asks for [m].
    """
    room_px = ROOM_FOR_PX.get(bays, 62.0)
    needed_px = min_character_px(wanted_m) / CAP_HEIGHT_EM
    big_px = room_px if needed_px > room_px else max(needed_px, room_px * 0.97)
    small_px = min(big_px * 0.55, math.ceil(min_character_px(BESIDE_M) / CAP_HEIGHT_EM))
    return WallSize(big_px, small_px, distance_m(big_px * CAP_HEIGHT_EM), wanted_m)
