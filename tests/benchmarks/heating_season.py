"""A winter of two bays for the heating benchmark: 180 days, air and weather every 5 s, archived.

Readings go the way of a live shop: into the live file, then day by day into the archive. Not
recorded: made from a fixed seed, so every run has the same winter.
"""

from __future__ import annotations

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
KWH_PER_LITRE = 7.08
"""Propane, about; the meter's litres follow from the heat."""


def _day(day: int) -> dict[SeriesName, tuple[int, Floats]]:
    """Return every series of a day, (point, quantity) -> seconds between readings and values."""
    g = np.random.default_rng([11, day])
    hour = np.arange(17_280) / 720
    season = np.cos(2 * np.pi * (day - FIRST_DAY - 110) / 365)
    slow = np.interp(hour, np.arange(25), g.normal(0, 1, 25))
    cold = np.interp(day, np.arange(FIRST_DAY - 3, FIRST_DAY + DAYS + 5, 4),
                     np.random.default_rng(5).normal(0, 4, 47))  # fmt: skip
    out = 6 - 12 * season + 3 * np.sin(2 * np.pi * (hour - 9) / 24) + slow + cold
    found: dict[SeriesName, tuple[int, Floats]] = {
        ("yard", "outdoor_temp_c"): (5, np.round(out + g.normal(0, 0.03, len(hour)), 2))
    }
    kwh = 0.0
    for place, bay in enumerate(BAYS):
        warm = np.where((hour > 6) & (hour < 20), 20.0, 12.0)
        need_w = np.clip(260 * (warm - out.mean()), 0, 12_000)
        on = ((hour * 60 + 7 * place) % 20 < 20 * need_w / 12_000).astype(float)
        air = warm + 0.6 * np.convolve(np.pad(on, 60, "edge"), np.ones(121) / 121, "valid")
        for sensor in "ab":
            noisy = np.round(air + g.normal(0, 0.03, len(hour)), 2)
            found[f"{bay}-air-{sensor}", "air_temp_c"] = (5, noisy)
        found[f"{bay}-heater", "heater_on"] = (60, on[::12])
        door = (g.random(len(hour[::12])) < 0.01).astype(float)
        found[f"{bay}-door", "door_open"] = (60, door)
        kwh += float(on.mean()) * 12 * 24
    litres = kwh / 0.92 / KWH_PER_LITRE
    count = 1_000.0 + 60 * (day - FIRST_DAY) + np.linspace(0, litres % 60, 1_440)
    found["tank", "fuel_l"] = (60, np.round(count, 3))
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
