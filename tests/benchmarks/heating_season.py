"""A winter of two bays for the heating benchmark: 180 days, air and weather every 5 s, archived.

Readings go the way of a live shop: into the live file, then day by day into the archive. Not
recorded: made from a fixed seed, so every run has the same winter.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import DAY_US, SECOND_US, us_from_iso
from envmon.store.archive import Archive, Rules
from envmon.store.bulk import Rows, add_rows
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from envmon.store.columns import SeriesName

    Floats = NDArray[np.float64]

FIRST_DAY = us_from_iso("2025-10-01T00:00:00Z") // DAY_US
DAYS = 180
BAYS = ("north", "south")
PER_LITRE = 7.08 * 0.92
"""Heat from a litre of propane, about [kWh]; heaters of 12 kW give 288 kWh in a day."""


def _outdoor(day: int) -> Floats:
    """Return the weather of a day every 5 s [°C]."""
    g = np.random.default_rng([11, day])
    hour = np.arange(17_280) / 720
    season = np.cos(2 * np.pi * (day - FIRST_DAY - 110) / 365)
    slow = np.interp(hour, np.arange(25), g.normal(0, 1, 25))
    spells = np.random.default_rng(5).normal(0, 4, 47)
    cold = np.interp(day, np.arange(FIRST_DAY - 3, FIRST_DAY + DAYS + 5, 4), spells)
    out: Floats = 6 - 12 * season + 3 * np.sin(2 * np.pi * (hour - 9) / 24) + slow + cold
    return out


def _on(day: int) -> list[Floats]:
    """Return what the heaters of both bays do every 5 s."""
    hour = np.arange(17_280) / 720
    need_w = np.clip(260 * (_warm(hour) - _outdoor(day).mean()), 0, 12_000)
    return [
        ((hour * 60 + 7 * place) % 20 < 20 * need_w / 12_000).astype(float)
        for place in range(len(BAYS))
    ]


def _warm(hour: Floats) -> Floats:
    return np.where((hour > 6) & (hour < 20), 20.0, 12.0)


@cache
def _litres(day: int) -> float:
    """Return what the meter shows as a day begins."""
    if day <= FIRST_DAY:
        return 1_000.0
    return _litres(day - 1) + sum(float(on.mean()) for on in _on(day - 1)) * 288 / PER_LITRE


def _day(day: int) -> dict[SeriesName, tuple[int, Floats]]:
    """Return every series of a day, (point, quantity) -> seconds between readings and values."""
    g = np.random.default_rng([12, day])
    noise = g.normal(0, 0.03, (5, 17_280))
    found: dict[SeriesName, tuple[int, Floats]] = {
        ("yard", "outdoor_temp_c"): (5, np.round(_outdoor(day) + noise[4], 2))
    }
    warm = _warm(np.arange(17_280) / 720)
    for place, (bay, on) in enumerate(zip(BAYS, _on(day), strict=True)):
        air = warm + 0.6 * np.convolve(np.pad(on, 60, "edge"), np.ones(121) / 121, "valid")
        for sensor in range(2):
            noisy = np.round(air + noise[2 * place + sensor], 2)
            found[f"{bay}-air-{'ab'[sensor]}", "air_temp_c"] = (5, noisy)
        found[f"{bay}-heater", "heater_on"] = (60, on[::12])
        found[f"{bay}-door", "door_open"] = (60, (g.random(1_440) < 0.01).astype(float))
    count = np.linspace(_litres(day), _litres(day + 1), 1_440, endpoint=False)
    found["tank", "fuel_l"] = (60, np.round(count, 2))
    return found


def day_rows(day: int, names: list[SeriesName]) -> Rows:
    """Return all readings of a UTC day, series by series."""
    parts = []
    values = _day(day)
    for place, name in enumerate(names):
        every_s, value = values[name]
        t_us = day * DAY_US + np.arange(len(value), dtype=np.int64) * (every_s * SECOND_US)
        parts.append((np.full(len(value), place, np.int32), t_us, value))
    series, t_us, value = (np.concatenate(column) for column in zip(*parts, strict=True))
    flag = np.zeros(len(value), np.uint8)
    return Rows(series, t_us, value, flag, np.full(len(value), 3_000, np.int64))


def write_winter(folder: Path) -> int:
    """Write the winter, all but its newest days archived; return how many readings.

    Args:
        folder: Data folder, new.
    """
    names = sorted(_day(FIRST_DAY))
    store = SqliteStore(folder)
    archive = Archive(store, folder, "fjord_lane")
    total = 0
    try:
        for day in range(FIRST_DAY, FIRST_DAY + DAYS):
            total += add_rows(store, names, day_rows(day, names))
            archive.archive_closed((day + 1) * DAY_US, Rules())
        archive.merge_months((FIRST_DAY + DAYS) * DAY_US, Rules())
    finally:
        archive.close()
        store.close()
    return total


SPAN_US = (FIRST_DAY * DAY_US, (FIRST_DAY + DAYS) * DAY_US)
