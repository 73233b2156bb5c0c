"""A season of one bay for the history benchmark: ten quantities every 5 s, as an archive.

Temperatures and humidities are quantised to hundredths and carry the noise of real sensors; the
nodes of the bay have clocks of their own (times jitter by tens of milliseconds); there are gaps of
minutes and of hours, late packets and some readings flagged as out of range. Not recorded: made
from a fixed seed, so every run has the same season.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import DAY_US, us_from_iso
from envmon.facts import Flag
from envmon.store.archive import Archive
from envmon.store.bulk import Rows, add_rows
from envmon.store.columns import Columns, columns_from_values
from envmon.store.manifest import file_name, month_days
from envmon.store.parquet import write_columns
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FIRST_DAY = us_from_iso("2025-10-01T00:00:00Z") // DAY_US
DAYS = 212
"""1 October to 30 April."""
LIVE_DAYS = 2
EVERY_S = 5
A_DAY = 86_400 // EVERY_S
SITE = "yard"

NAMES = sorted(
    [
        ("bay-air", "air_temp_c"),
        ("bay-air", "rel_hum_pct"),
        ("panel", "panel_temp_c"),
        ("yard", "outdoor_temp_c"),
        ("yard", "outdoor_rel_hum_pct"),
        ("tank", "water_temp_c"),
        ("heater", "heater_on"),
        ("heater", "heater_power_w"),
        ("meter", "energy_kwh"),
        ("dust", "particulate_ug_m3"),
    ]
)
POINTS = sorted({point for point, _ in NAMES})
OWN_CLOCK = ("bay-air", "panel", "dust")


def _values(day: int) -> dict[str, Floats]:
    """Return the ten quantities of a day, as their sensors give them."""
    g = np.random.default_rng([1, day])
    hour = np.arange(A_DAY) * EVERY_S / 3_600
    season = np.cos(2 * np.pi * (day - FIRST_DAY - 110) / 365)
    slow = np.interp(hour, np.arange(25), g.normal(0, 1, 25))
    outdoor = 6 - 12 * season + 3 * np.sin(2 * np.pi * (hour - 9) / 24) + slow
    heater = ((hour * 60 + g.integers(0, 20)) % 20 < 10 + 4 * season).astype(np.float64)
    heater[(hour < 6) | (hour > 20)] = 0.0
    warm = np.where((hour > 6) & (hour < 20), 20.5, 14.0)
    air = np.convolve(np.pad(warm, 360, "edge"), np.ones(721) / 721, "valid")
    air = air + 0.8 * np.convolve(np.pad(heater, 60, "edge"), np.ones(121) / 121, "valid")
    humidity = np.clip(48 + 8 * season + 5 * slow - 1.5 * (air - 20), 8, 99)
    power = heater * (11_800 + g.normal(0, 35, A_DAY))
    return {
        "air_temp_c": np.round(air + g.normal(0, 0.02, A_DAY), 2),
        "rel_hum_pct": np.round(humidity + g.normal(0, 0.06, A_DAY), 2),
        "panel_temp_c": np.round(air - 2.5 + 0.4 * slow + g.normal(0, 0.03, A_DAY), 2),
        "outdoor_temp_c": np.round(outdoor + g.normal(0, 0.03, A_DAY), 1),
        "outdoor_rel_hum_pct": np.round(78 - 6 * slow + g.normal(0, 0.2, A_DAY), 1),
        "water_temp_c": np.round(12 + 2 * slow + g.normal(0, 0.02, A_DAY), 2),
        "heater_on": heater,
        "heater_power_w": np.round(power),
        "energy_kwh": np.round(1e5 + 90 * (day - FIRST_DAY) + np.cumsum(power) / 720_000, 2),
        "particulate_ug_m3": np.round(np.exp(2.5 + 0.4 * slow + g.normal(0, 0.1, A_DAY)), 1),
    }


def _times(point: str, day: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Return times and lags of a point [µs], and which of its packets came at all."""
    g = np.random.default_rng([2, day, POINTS.index(point)])
    t_ms = np.arange(A_DAY, dtype=np.int64) * EVERY_S * 1_000
    if point in OWN_CLOCK:
        t_ms += np.clip(g.normal(400, 25, A_DAY), 0, 999).astype(np.int64)
    lag_ms = 2 + g.gamma(2.0, 3.0, A_DAY).astype(np.int64)
    lag_ms[g.random(A_DAY) < 0.001] += 1_500
    came = g.random(A_DAY) > 0.0005
    if g.random() < 0.15:
        start = g.integers(0, A_DAY - 2_500)
        came[start : start + g.integers(24, 2_500)] = False
    return day * DAY_US + t_ms * 1_000, lag_ms * 1_000, came


def day_columns(day: int) -> Columns:
    """Return all readings of a day, sorted by series and time.

    Args:
        day: UTC day, as days since 1970.
    """
    values = _values(day)
    parts = []
    for place, (point, quantity) in enumerate(NAMES):
        t_us, lag_us, came = _times(point, day)
        g = np.random.default_rng([3, day, place])
        flag = np.where(g.random(A_DAY) < 0.0002, int(Flag.RANGE), int(Flag.GOOD))
        series = np.full(A_DAY, place, dtype=np.int32)
        columns = (series, t_us, values[quantity], flag.astype(np.uint8), lag_us)
        parts.append([column[came] for column in columns])
    series, t_us, value, flag, lag_us = (np.concatenate(c) for c in zip(*parts, strict=True))
    return columns_from_values(NAMES, series, t_us, value, (flag, lag_us))


def month_columns(days: range) -> Columns:
    """Return all readings of a month, sorted by series and time."""
    parts = [day_columns(day) for day in days]
    joined = [np.concatenate(c) for c in zip(*(part[1:] for part in parts), strict=True)]
    order = np.argsort(joined[0], kind="stable")
    return Columns(NAMES, *(column[order] for column in joined))


def months() -> list[range]:
    """Return the UTC days of each month of the season."""
    starts = sorted({month_days(day).start for day in range(FIRST_DAY, FIRST_DAY + DAYS)})
    return [month_days(start) for start in starts]


def write_season(folder: Path) -> int:
    """Write the season as an archive with its last days live; return how many readings.

    Args:
        folder: Data folder, new.
    """
    store = SqliteStore(folder)
    archive = Archive(store, folder, SITE)
    live_from = FIRST_DAY + DAYS - LIVE_DAYS
    total = 0
    try:
        for days in months():
            closed = range(days.start, min(days.stop, live_from))
            columns = month_columns(closed)
            total += len(columns.t_us)
            form = f"month={np.datetime64(days.start, 'D').astype(str)[:7]}"
            path = archive.folder / form / file_name(days, 1)
            write_columns(archive.past.duck, columns, path)
            with store.atomic():
                # The last month is still open: its file says which days it holds.
                archive.manifest.replace([], archive.facts(path, closed))
                for day in closed:
                    archive.sum_up(day_columns(day), day)
        for day in range(live_from, FIRST_DAY + DAYS):
            total += _add_live(store, day_columns(day))
    finally:
        archive.close()
        store.close()
    return total


def _add_live(store: SqliteStore, columns: Columns) -> int:
    rows = Rows(columns.series, columns.t_us, columns.values(), columns.flag, columns.lag_us)
    return add_rows(store, NAMES, rows)


SPAN_US = (FIRST_DAY * DAY_US, (FIRST_DAY + DAYS) * DAY_US)
