"""Two invented winters of a two-bay shop in its store, with a door seal that goes in the second.

Readings come every ten minutes. What the heat truly was is known by the day, so that the log can be
held against it.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import NewEvent
from envmon.heating.local import day_starts_us
from envmon.store.bulk import Rows, add_rows
from tests.winter_shop import SHOP

if TYPE_CHECKING:
    from envmon.store.columns import SeriesName
    from envmon.store.sqlite import SqliteStore

    Floats = np.ndarray[tuple[int], np.dtype[np.float64]]

ZONE = "Europe/Oslo"
TEXT = (
    SHOP.replace('/air-a"', '/air-a"\nstale_after = "15 min"')
    .replace('"5 min"', '"15 min"')
    .replace('"10 min"', '"15 min"')
    .replace('heater_on = { name = "on" }', 'heater_power_w = { name = "p" }')
)
EVERY_US = 10 * MINUTE_US
A_DAY = 144
EFFICIENCY, KWH_L = 0.92, 91_452 * 1055.05585262 / 3.6e6 / 3.785411784
OUTPUT_W = 12_000.0
LOSS_W_K = {"north": 170.0, "south": 140.0}
SEAL_GONE = date(2026, 1, 12)
SEAL_MORE = 1.3


class Story(NamedTuple):
    """What was kept: days in order, and what the meter truly counted on each [kWh]."""

    days: tuple[date, ...]
    energy_kwh: Floats


def outdoor_of(day: date, seed: int) -> Floats:
    """Return a day's outdoor temperature every ten minutes [°C]."""
    ordinal = day.toordinal()
    hour = np.arange(A_DAY) / 6
    season = 6 - 11 * np.cos(2 * np.pi * (ordinal - date(day.year, 1, 18).toordinal()) / 365.25)
    spells = np.random.default_rng([seed, 1]).normal(0, 4.5, 600)
    slow = np.interp(ordinal + hour / 24, ordinal // 400 * 400 + 3 * np.arange(-30, 570), spells)
    return np.asarray(season - 3 + slow + 2.5 * np.sin(2 * np.pi * (hour - 9) / 24))


def _indoor(day: date) -> Floats:
    hour = np.arange(A_DAY) / 6
    work = day.weekday() < 5
    return np.where((hour >= 7) & (hour < 18) & work, 20.0, 13.0 if work else 12.0)


def tell(
    store: SqliteStore, first: date, count: int, seed: int = 3, litres: float = 4_000.0
) -> Story:
    """Keep days of the shop.

    Args:
        store: Where to.
        first: First day.
        count: How many.
        seed: Any whole number.
        litres: What the meter shows as the first day begins.
    """
    draw = np.random.default_rng([seed, first.toordinal()])
    days = tuple(first + timedelta(days=n) for n in range(count))
    used, columns = [], []
    for day in days:
        out, indoor = outdoor_of(day, seed), _indoor(day)
        series, heat_w = _day(day, out, indoor, draw)
        kwh = float(heat_w.sum()) / 6 / 1e3 / EFFICIENCY
        count_l = litres + np.cumsum(heat_w) / 6 / 1e3 / EFFICIENCY / KWH_L
        litres = float(count_l[-1])
        shown: Floats = np.array([count_l[0], *count_l[:-1]], float)
        series["tank", "fuel_l"] = shown.round(2)
        used.append(kwh)
        columns.append((day_starts_us(day, ZONE), series))
    _keep(store, columns)
    store.add_events(list(_work(days, draw)))
    return Story(days, np.array(used))


def _day(
    day: date, out: Floats, indoor: Floats, draw: np.random.Generator
) -> tuple[dict[SeriesName, Floats], Floats]:
    series: dict[SeriesName, Floats] = {("yard", "outdoor_temp_c"): np.round(out, 2)}
    total = np.zeros(A_DAY)
    more = SEAL_MORE if day >= SEAL_GONE else 1.0
    for bay, loss in LOSS_W_K.items():
        need = loss * more * (indoor - out - 1) * float(draw.normal(1, 0.05))
        on = np.clip(need / OUTPUT_W, 0, 1)
        total += on * OUTPUT_W
        series[f"{bay}-air-a", "air_temp_c"] = np.round(indoor + draw.normal(0, 0.1, A_DAY), 2)
        series[f"{bay}-heater", "heater_power_w"] = np.round(on * OUTPUT_W)
        series[f"{bay}-door", "door_open"] = (draw.random(A_DAY) < 0.002).astype(float)
    return series, total


def _keep(store: SqliteStore, columns: list[tuple[int, dict[SeriesName, Floats]]]) -> None:
    names = sorted({name for _, series in columns for name in series})
    parts = []
    for start_us, series in columns:
        t_us = start_us + np.arange(A_DAY, dtype=np.int64) * EVERY_US
        for name, values in series.items():
            parts.append((np.full(A_DAY, names.index(name), np.int32), t_us, values))
    place, t_us, values = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((t_us, place))
    zeros = np.zeros(len(order))
    add_rows(store, names, Rows(place[order], t_us[order], values[order], zeros.astype(np.uint8),
                                zeros.astype(np.int64)))  # fmt: skip


def _work(days: tuple[date, ...], draw: np.random.Generator) -> list[NewEvent]:
    """Return washes, and a job every few days with a note."""
    events = []
    for place, day in enumerate(days):
        if day.weekday() >= 5:
            continue
        start = day_starts_us(day, ZONE)
        for wash in range(int(draw.integers(0, 4))):
            at_us = start + (8 + 3 * wash) * HOUR_US
            events.append(NewEvent(at_us, "stage_started", "north", {"stage": "wash"}))
            events.append(NewEvent(at_us + HOUR_US // 2, "stage_ended", "north", {"stage": "wash"}))
        if place % 5 == 2:
            note = {"job": f"{day:%y%m%d}-1", "text": "south door stood open for the delivery"}
            events.append(NewEvent(start + 12 * HOUR_US, "job_note", "south", note))
    return sorted(events, key=lambda event: event.at_us)
