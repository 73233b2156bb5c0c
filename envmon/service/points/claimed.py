"""How the claimed points do: sensor health, age, calibration, from what the watch has kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.clock import SECOND_US, iso_from_us
from envmon.facts import CALIBRATION_ACCEPTED
from envmon.intake.calibration_record import is_measured
from envmon.intake.calibrations import Calibrations, slot_pattern
from envmon.service.calibration.table import entry_document, sensor_series, standing_of
from envmon.service.points.battery import batteries_in, battery_texts
from envmon.service.sensors_judge import FLAG_WORDS, ORDER, WORDS, Series, findings_of, kind_of
from envmon.service.span import local_from_us
from envmon.shop.points import expand_points
from envmon.store.sensor_facts import ahead_of_time, newest_readings
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date
    from pathlib import Path

    from envmon.intake.calibrations import InForce
    from envmon.shop.models import Point, Shop
    from envmon.store.sensor_facts import Newest

Key = tuple[str, str]


class Kept:
    """What the store says of sensors at one moment; nothing where there is no data yet.

    Args:
        shop: The shop file.
        folder: Data folder.
        now_us: Now [µs, UTC].
    """

    def __init__(self, shop: Shop, folder: Path, now_us: int) -> None:
        self.newest: dict[Key, Newest] = {}
        self.ahead: dict[Key, int] = {}
        known: list[Key] = []
        self.batteries: dict[str, str] = {}
        self.calibrations = Calibrations.of_shop(shop, [])
        if (folder / LIVE_FILE).exists():
            store = SqliteStore(folder)
            try:
                events = store.events_of(CALIBRATION_ACCEPTED)
                self.calibrations = Calibrations.of_shop(shop, events)
                known = list(store.series())
                self.batteries = battery_texts(batteries_in(store), now_us)
                self.newest, self.ahead = (
                    newest_readings(store, now_us),
                    ahead_of_time(store, now_us),
                )
            finally:
                store.close()
        self.keys = sensor_series(shop, self.calibrations, known)


def claimed_document(
    shop: Shop, folder: Path, now_us: int, batteries: dict[str, str]
) -> list[dict[str, Any]]:
    """Return every claimed point, those to go to first.

    Args:
        shop: The shop file.
        folder: Data folder.
        now_us: Now [µs, UTC].
        batteries: Point id -> what it says of its battery now; before what was kept.

    Raises:
        StoreError: The store cannot be read.
    """
    kept = Kept(shop, folder, now_us)
    said = kept.batteries | batteries
    today = local_from_us(now_us, shop.shop.timezone).date()
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    by_point: dict[str, list[Key]] = {}
    for key in kept.keys:
        by_point.setdefault(key[0], []).append(key)
    rows = []
    for point_id, keys in by_point.items():
        row = _row(_point(points, point_id), [(key, kept) for key in keys], now_us, today)
        rows.append({"point": point_id, **row, "battery": said.get(point_id, "")})
    return sorted(rows, key=lambda row: ORDER.index(row["kind"]))


def _point(points: Iterable[Point], point_id: str) -> Point:
    return next(
        point
        for point in points
        if point.id == point_id or slot_pattern(point.id).fullmatch(point_id)
    )


def _row(point: Point, keys: list[tuple[Key, Kept]], now_us: int, today: date) -> dict[str, Any]:
    stale_us = round(point.stale_after * SECOND_US)
    series, quantities = [], []
    for key, kept in keys:
        entry, newest = QUANTITIES[key[1]], kept.newest.get(key)
        in_force = kept.calibrations.in_force(*key) if is_measured(entry) else None
        standing = standing_of(in_force, today) if in_force else None
        series.append(Series(entry.label, newest, stale_us, kept.ahead.get(key), standing))
        quantities.append(_quantity(key[1], newest, in_force, now_us) | {"standing": standing})
    findings = findings_of(series, [], now_us)
    kind = kind_of(findings)
    return {
        "bay": point.bay,
        "topic": point.topic,
        "kind": kind,
        "word": WORDS[kind],
        "findings": [finding._asdict() for finding in findings],
        "quantities": quantities,
    }


def _quantity(
    name: str, newest: Newest | None, in_force: InForce | None, now_us: int
) -> dict[str, Any]:
    return {
        "quantity": name,
        "value": newest.value if newest else None,
        "at": iso_from_us(newest.t_us) if newest else None,
        "age_s": (now_us - newest.t_us) / SECOND_US if newest else None,
        "flags": [word for flag, word in FLAG_WORDS.items() if newest and newest.flag & flag],
        "calibration": entry_document(in_force) if in_force else None,
    }
