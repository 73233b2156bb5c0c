"""What the sensors board asks the server: every sensor, how it stands, and why."""

from __future__ import annotations

import re
import time
from threading import Lock
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec
from fastapi import APIRouter
from fastapi.responses import Response  # noqa: TC002 - FastAPI reads the annotation
from starlette.concurrency import run_in_threadpool

from envmon.clock import DAY_US, SECOND_US
from envmon.facts import CALIBRATION_ACCEPTED
from envmon.guard.alarm_kinds import POINT_KINDS
from envmon.intake.calibration_record import is_measured
from envmon.intake.calibrations import Calibrations, slot_pattern
from envmon.service.calibration.table import sensor_series, standing_of
from envmon.service.calibration.text import line_text
from envmon.service.points.battery import batteries_in, battery_texts
from envmon.service.sensors_judge import (
    FLAG_WORDS,
    ORDER,
    SEVERAL,
    WORDS,
    Series,
    findings_of,
    headline_of,
    kind_of,
)
from envmon.service.span import local_from_us
from envmon.shop.points import expand_points
from envmon.store.sensor_facts import (
    Counted,
    ahead_of_time,
    counted_readings,
    newest_readings,
)
from envmon.store.sqlite import SqliteStore
from envmon.units import QUANTITIES, format_value
from envmon_boards.door import answered, fresh_json

if TYPE_CHECKING:
    from envmon.guard.live import AlarmState
    from envmon.intake.calibrations import InForce
    from envmon.service.sensors_judge import Finding
    from envmon.shop.models import Point
    from envmon.store.sensor_facts import Newest
    from envmon_boards.api import Boards

LOOKED_BACK_US = DAY_US
COUNTS_S = 30.0
"""Flags of the last day are counted anew after so long [s, real time]."""
NOTHING = Counted(0, 0, {})


class _Sensor(NamedTuple):
    """One sensor as the board shows it."""

    point: str
    where: str
    findings: list[Finding]
    bay: str | None
    rows: list[dict[str, Any]]
    alarms: list[AlarmState]
    battery: str = ""

    def document(self) -> dict[str, Any]:
        kind = kind_of(self.findings)
        return {
            "id": self.point,
            "bay": self.bay,
            "where": self.where,
            "kind": kind,
            "word": WORDS[kind],
            "findings": [finding._asdict() for finding in self.findings],
            "quantities": self.rows,
            "battery": self.battery,
            "alarms": [msgspec.to_builtins(alarm) for alarm in self.alarms],
        }


class _Counts:
    """The flags of the last day, counted now and then; shared by threads."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._until = 0.0
        self._found: dict[tuple[str, str], Counted] = {}

    def read(self, store: SqliteStore, now_us: int) -> dict[tuple[str, str], Counted]:
        with self._lock:
            if time.monotonic() >= self._until:
                self._found = counted_readings(store, now_us - LOOKED_BACK_US, now_us + 1)
                self._until = time.monotonic() + COUNTS_S
            return self._found


class Sensors:
    """The answers; every one opens and closes the store.

    Args:
        boards: What the board process works with.
    """

    def __init__(self, boards: Boards) -> None:
        self._boards, self._counts = boards, _Counts()
        self._points = expand_points(boards.shop.point, [bay.id for bay in boards.shop.bay])
        self._bay_names = {bay.id: bay.name for bay in boards.shop.bay}

    def document(self) -> dict[str, Any]:
        """Return every sensor, those to go to first, in the order of the shop file else.

        Raises:
            StoreError: The store cannot be read.
        """
        boards = self._boards
        now_us = boards.clock.now_us()
        store = SqliteStore(boards.folder)
        try:
            events = store.events_of(CALIBRATION_ACCEPTED)
            calibrations = Calibrations.of_shop(boards.shop, events)
            keys = sensor_series(boards.shop, calibrations, store.series())
            newest, ahead = newest_readings(store, now_us), ahead_of_time(store, now_us)
            counts = self._counts.read(store, now_us)
            batteries = battery_texts(batteries_in(store), now_us)
        finally:
            store.close()
        alarms, live = self._alarms()
        by_point: dict[str, list[_Quantity]] = {}
        for key in keys:
            heard = (newest.get(key), ahead.get(key), counts.get(key, NOTHING))
            quantity = _Quantity(key, heard, calibrations.in_force(*key))
            by_point.setdefault(key[0], []).append(quantity)
        sensors = [
            self._sensor(point, quantities, alarms, now_us)._replace(
                battery=batteries.get(point, "")
            )
            for point, quantities in by_point.items()
        ]
        sensors.sort(key=lambda sensor: ORDER.index(kind_of(sensor.findings)))
        headline = headline_of([each[:3] for each in sensors], listening=self._listening())
        return {
            "headline": headline._asdict(),
            "now_ms": now_us // 1000,
            "zone": boards.shop.shop.timezone,
            "alarms_live": live,
            "sensors": [sensor.document() for sensor in sensors],
        }

    def _listening(self) -> bool:
        """Return whether the watch lives, as far as the feed can tell."""
        watch = self._boards.feed.watch_text()
        age_s = watch["age_s"]
        fresh = age_s is not None and age_s <= self._boards.shop.shop.silence
        return self._boards.feed.broker_up and fresh and watch["state"] != "down"

    def _alarms(self) -> tuple[list[AlarmState], bool]:
        """Return the shop's alarms, and whether they can be taken for the present."""
        known = self._boards.feed.alarms_text()
        if known is None:
            return [], False
        said, age_s = known
        live = age_s is not None and age_s <= self._boards.shop.shop.silence
        return (list(said.alarms) if live else []), live

    def _sensor(
        self, point_id: str, quantities: list[_Quantity], alarms: list[AlarmState], now_us: int
    ) -> _Sensor:
        shop, point = self._boards.shop.shop, self._point(point_id)
        alarms = [alarm for alarm in alarms if _is_of(alarm, point_id, point.bay)]
        today = local_from_us(now_us, shop.timezone).date()
        stale_us = round(point.stale_after * SECOND_US)
        rows, series = [], []
        for quantity in quantities:
            calibration = quantity.calibration(today, shop.timezone)
            rows.append(quantity.document(stale_us, now_us, shop.units, calibration))
            standing = calibration["standing"] if calibration else None
            series.append(
                Series(quantity.label, quantity.newest, stale_us, quantity.ahead_us, standing)
            )
        where = self._bay_names.get(point.bay or "", "outside the bays")
        return _Sensor(
            point_id, where, findings_of(series, alarms, now_us), point.bay, rows, alarms
        )

    def _point(self, point_id: str) -> Point:
        for point in self._points:
            if point.id == point_id or slot_pattern(point.id).fullmatch(point_id):
                return point
        raise KeyError(point_id)


class _Quantity:
    """One quantity of one sensor, with what the store says of it."""

    def __init__(
        self,
        key: tuple[str, str],
        heard: tuple[Newest | None, int | None, Counted],
        in_force: InForce,
    ) -> None:
        self._entry = QUANTITIES[key[1]]
        self.newest, self.ahead_us, self._counted = heard
        self._in_force = in_force

    @property
    def label(self) -> str:
        return self._entry.label

    def document(
        self, stale_us: int, now_us: int, units: Any, calibration: dict[str, Any] | None
    ) -> dict[str, Any]:
        newest, counted = self.newest, self._counted
        return {
            "quantity": self._entry.name,
            "label": self.label,
            "text": format_value(newest.value, self._entry, units) if newest else "—",
            "t_ms": newest.t_us // 1000 if newest else None,
            "stale_s": stale_us / SECOND_US,
            "fresh": newest is not None and now_us - newest.t_us <= stale_us,
            "flags_now": [word for flag, word in FLAG_WORDS.items()
                          if newest and newest.flag & flag],
            "readings": counted.total,
            "flagged": counted.flagged,
            "flags": [{"flag": flag.name, "word": FLAG_WORDS[flag], "count": count}
                      for flag, count in counted.by_flag.items()],
            "calibration": calibration,
        }  # fmt: skip

    def calibration(self, today: Any, zone: str) -> dict[str, Any] | None:
        """Return the calibration in force; None for a switch, which has none."""
        if not is_measured(self._entry):
            return None
        entry, record = self._in_force, self._in_force.record
        since = None if entry.since_us is None else local_from_us(entry.since_us, zone).date()
        return {
            "standing": standing_of(entry, today),
            "line": line_text(entry.line),
            "since": since.isoformat() if since else None,
            "checked": record.checked if record else None,
            "due": record.due if record else None,
            "reference": record.reference if record else "",
            "by": record.by if record else "",
        }


def _is_of(alarm: AlarmState, point: str, bay: str | None) -> bool:
    """Return whether an alarm speaks of a sensor; one of a bay's sensors names them."""
    if alarm.what in POINT_KINDS:
        return alarm.id == f"{point}-{alarm.what}"
    named = alarm.what in SEVERAL and alarm.bay == bay
    return named and point in re.findall(r"[a-z0-9_-]+", alarm.text)


def sensors_router(boards: Boards) -> APIRouter:
    """Return the address of the sensors; it never holds up the stream of live states."""
    router, sensors = APIRouter(), Sensors(boards)

    @router.get("/api/v1/sensors")
    async def every_sensor() -> Response:
        return await run_in_threadpool(answered, lambda: fresh_json(sensors.document()))

    return router
