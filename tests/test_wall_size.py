"""How large the wall's characters must be, worked out again by hand."""

from __future__ import annotations

import math

import pytest

from envmon.errors import InputError
from envmon_boards.size import Display, distance_m, min_character_px, wall_size


def test_six_metres_on_32_inches() -> None:
    """20 arc minutes: ISO 9241-303 (from memory); a 32-inch 16:9 screen is 708.4 mm wide."""
    height_mm = 6000 * math.radians(20 / 60)  # small angles: an arc is as long as its chord
    assert height_mm == pytest.approx(34.9, abs=0.05)
    width_mm = 32 * 25.4 * 16 / math.hypot(16, 9)
    assert width_mm == pytest.approx(708.4, abs=0.1)
    assert min_character_px(6.0) == pytest.approx(height_mm / (width_mm / 1920), rel=1e-4)


def test_a_finer_screen_needs_more_pixels() -> None:
    fine = Display(32, 3840, 2160)
    assert min_character_px(6.0, fine) == pytest.approx(2 * min_character_px(6.0), rel=1e-9)


@pytest.mark.parametrize("metres", [1.0, 3.0, 6.0, 15.0])
def test_there_and_back(metres: float) -> None:
    assert distance_m(min_character_px(metres)) == pytest.approx(metres, rel=1e-9)


@pytest.mark.parametrize("metres", [0.0, -1.0, 31.0, math.inf, math.nan])
def test_a_distance_nobody_stands_at_is_refused(metres: float) -> None:
    with pytest.raises(InputError, match="viewing distance"):
        min_character_px(metres)


@pytest.mark.parametrize("bays", [1, 2])
def test_one_and_two_bays_reach_six_metres(bays: int) -> None:
    assert wall_size(bays, 6.0).reach_m >= 6.0


def test_what_does_not_fit_is_said_and_not_hidden() -> None:
    size = wall_size(2, 12.0)
    assert size.reach_m < size.wanted_m == 12.0
    assert size.reach_m >= 6.0


def test_reasons_of_two_bays_reach_three_metres() -> None:
    assert distance_m(wall_size(2, 6.0).small_px * 0.7) >= 3.0
