"""Readings of whole days for tests of the archive, and what one would naively expect of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import DAY_US, SECOND_US
from envmon.facts import Flag, Reading
from envmon.store.archive import Archive, Rules
from envmon.store.past import EVER, Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

SITE = "test"
DAY0 = 20_454  # 2026-01-01
T0 = DAY0 * DAY_US
KEY_SERIES = [("north-air", "air_temp_c"), ("north-air", "rel_hum_pct"), ("out", "outdoor_temp_c")]


def some_days(days: int, every_s: int = 600, first_day: int = DAY0) -> list[Reading]:
    """Return readings of three series, some late by own time, some flagged, one a whole hour."""
    readings = []
    for number in range(days * 86_400 // every_s):
        for place, (point, quantity) in enumerate(KEY_SERIES):
            t_us = first_day * DAY_US + number * every_s * SECOND_US + place
            value = round(20 + place * 10 + (number * 37 % 101) / 100, 3)
            flag = Flag.RANGE if number % 97 == 5 else Flag.GOOD
            lag_us = 90 * 60 * SECOND_US if number % 50 == 3 else 2_000
            if lag_us > SECOND_US:
                flag |= Flag.LATE
            readings.append(Reading(point, quantity, t_us, value, flag, t_us + lag_us))
    return readings


def expected(batches: Iterable[Iterable[Reading]]) -> dict[tuple[str, str, int], Reading]:
    """Return what must be kept: the first stays, but a wrong clock gives way to a true one."""
    kept: dict[tuple[str, str, int], Reading] = {}
    for batch in batches:
        for reading in batch:
            known = kept.get(reading[:3])
            if known is None or (known.flag & Flag.CLOCK and not reading.flag & Flag.CLOCK):
                kept[reading[:3]] = reading
    return kept


def everything(folder: Path) -> list[Reading]:
    """Return all readings kept in a folder, live and archived, sorted by key."""
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        return [r for columns in past.columns(*EVER) for r in columns.readings()]
    finally:
        past.close()
        store.close()


def as_seen(folder: Path, from_us: int = EVER[0], to_us: int = EVER[1]) -> list[Reading]:
    """Return all readings kept in a folder in the order in which they were taken in."""
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        return [r for chunk in past.readings_seen(from_us, to_us) for r in chunk]
    finally:
        past.close()
        store.close()


def keep(folder: Path, readings: Iterable[Reading]) -> None:
    """Put readings into the live file of a folder."""
    store = SqliteStore(folder)
    try:
        store.add_readings(list(readings))
    finally:
        store.close()


def archive_all(folder: Path, now_day: int, rules: Rules | None = None) -> int:
    """Do what the keeper does at the start of a day; return how many readings moved."""
    from envmon.store.orphans import take_in_orphans

    rules = rules or Rules()
    store = SqliteStore(folder)
    archive = Archive(store, folder, SITE)
    try:
        take_in_orphans(archive, store)
        moved = archive.archive_closed(now_day * DAY_US, rules)
        archive.merge_months(now_day * DAY_US, rules)
        archive.drop_old(now_day * DAY_US, rules)
        return moved
    finally:
        archive.close()
        store.close()
