"""A winter read by the minute against the raw readings, by plain pandas without the store."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US, us_from_iso
from envmon.facts import Flag, NewEvent, Reading, kept_value
from envmon.service.heating.read import _median, held, winter_of
from envmon.store.archive import Archive, Rules
from tests.winter_shop import SHOP, Kept, kept

if TYPE_CHECKING:
    from pathlib import Path

START_US = us_from_iso("2026-03-27T23:00:00Z")
"""Midnight in Oslo; the clocks are changed on the 29th."""
END_US = us_from_iso("2026-03-30T22:00:00Z")
EVERY_S = {"north-air-a": 5, "north-air-b": 20, "south-air-a": 30, "yard": 60, "tank": 900}
QUANTITY = {"yard": "outdoor_temp_c", "tank": "fuel_l"}


def readings() -> list[Reading]:
    """Three days with noise, doubts, barred flags, an hour of silence and a meter."""
    draw = np.random.default_rng(7)
    found = []
    for point, every_s in EVERY_S.items():
        quantity = QUANTITY.get(point, "air_temp_c")
        times = np.arange(START_US - HOUR_US, END_US + HOUR_US, every_s * SECOND_US)
        if point == "north-air-b":
            times = times[(times < START_US + 9 * HOUR_US) | (times > START_US + 11 * HOUR_US)]
        for place, t_us in enumerate(times.tolist()):
            value = 1000 + place * 0.4 if quantity == "fuel_l" else 15 + draw.normal(0, 3)
            flag = [Flag.GOOD, Flag.RATE, Flag.LATE, Flag.SPIKE, Flag.RANGE][
                int(draw.choice(5, p=[0.9, 0.03, 0.03, 0.02, 0.02]))
            ]
            found.append(Reading(point, quantity, t_us, kept_value(value), flag, t_us + 300_000))
    return found


def frame_of(found: list[Reading]) -> pd.DataFrame:
    """Return the true readings with their minute; barred is what the README says is not charted."""
    barred = Flag.SPIKE | Flag.RANGE | Flag.CLOCK | Flag.FLAT
    rows = [
        (r.point, r.quantity, r.t_us, (r.t_us - START_US) // MINUTE_US, r.value)
        for r in found
        if not r.flag & barred and START_US <= r.t_us < END_US
    ]
    return pd.DataFrame(rows, columns=["point", "quantity", "t_us", "minute", "value"])


def minutes_of(frame: pd.DataFrame, point: str) -> pd.Series[float]:
    whole = range((END_US - START_US) // MINUTE_US)
    return frame[frame.point == point].groupby("minute").value.mean().reindex(whole)


@pytest.fixture(scope="module")
def raw() -> list[Reading]:
    return readings()


@pytest.mark.parametrize("archived", [False, True])
def test_minutes_are_those_of_the_raw_readings(
    tmp_path: Path, raw: list[Reading], *, archived: bool
) -> None:
    frame = frame_of(raw)
    with kept(tmp_path, raw) as made:
        if archived:
            archive(made)
            assert made.past.days()
        winter = winter_of(made.past, made.shop, made.plan, (START_US, END_US))
    assert winter.minutes == 71 * 60  # three days, one of 23 hours
    north = winter.bays["north"].air_c
    assert north is not None
    a = minutes_of(frame, "north-air-a").ffill(limit=1)
    b = minutes_of(frame, "north-air-b").ffill(limit=5)
    np.testing.assert_allclose(north, pd.concat([a, b], axis=1).median(axis=1), atol=1e-9)
    south = winter.bays["south"].air_c
    assert south is not None
    np.testing.assert_allclose(south, minutes_of(frame, "south-air-a").ffill(limit=1), atol=1e-9)
    yard = minutes_of(frame, "yard").ffill(limit=5)
    assert winter.outdoor_c is not None
    np.testing.assert_allclose(winter.outdoor_c, yard, atol=1e-9)
    assert winter.bays["north"].heater_on is None
    assert winter.bays["south"].door_open is None


def archive(made: Kept) -> None:
    mover = Archive(made.store, made.folder, "fjord_lane")
    try:
        mover.archive_closed(END_US + 4 * DAY_US, Rules())
    finally:
        mover.close()


def test_a_meter_is_read_once_a_minute_as_it_began(tmp_path: Path, raw: list[Reading]) -> None:
    frame = frame_of(raw)
    with kept(tmp_path, raw) as made:
        winter = winter_of(made.past, made.shop, made.plan, (START_US, END_US))
    meter = winter.counters["tank", "fuel_l"]
    rows = frame[frame.point == "tank"].groupby("minute").first()
    inside = (meter.t_us >= START_US) & (meter.t_us < END_US)
    assert not inside.all()  # what is just outside says what was used up to the ends
    meter = meter._replace(t_us=meter.t_us[inside], value=meter.value[inside])
    assert meter.quantity == "fuel_l"
    np.testing.assert_array_equal(meter.t_us, START_US + rows.index.to_numpy() * MINUTE_US)
    np.testing.assert_allclose(meter.value, rows.value, atol=1e-9)


def test_a_silent_sensor_is_unknown_after_its_stale_time(tmp_path: Path) -> None:
    said = [
        Reading("yard", "outdoor_temp_c", START_US + m * MINUTE_US, -4.0, Flag.GOOD, START_US)
        for m in (0, 1, 2)
    ]
    with kept(tmp_path, said) as made:
        winter = winter_of(made.past, made.shop, made.plan, (START_US, START_US + HOUR_US))
    assert winter.outdoor_c is not None
    assert np.isfinite(winter.outdoor_c).tolist() == [True] * 8 + [False] * 52
    assert winter.bays["north"].air_c is None


def test_a_state_said_on_change_holds_and_a_mixed_minute_does_not() -> None:
    nan = np.nan
    said = np.array([1.0, nan, nan, 0.5, nan, nan, 0.0, nan, nan])
    wanted = [1.0, 1.0, 1.0, 0.5, nan, nan, 0.0, 0.0, 0.0]
    np.testing.assert_array_equal(held(said, 2, state=True), wanted)
    np.testing.assert_array_equal(held(said, 1), [1, 1, nan, 0.5, 0.5, nan, 0, 0, nan])


def test_two_heaters_of_a_bay_add_up_and_one_unknown_leaves_it_unknown(tmp_path: Path) -> None:
    text = SHOP.replace(
        '[[point]]\nid = "yard"',
        "".join(
            f'[[point]]\nid = "{p}"\nbay = "north"\ntopic = "p/{p}"\nstale_after = "1 min"\n'
            "reads = { heater_power_w = { name = 'p' } }\n\n"
            for p in ("burner-a", "burner-b")
        )
        + '[[point]]\nid = "yard"',
    )
    said = [
        Reading(p, "heater_power_w", START_US + m * MINUTE_US, w, Flag.GOOD, START_US)
        for p, w, minutes in (("burner-a", 4000.0, range(10)), ("burner-b", 3000.0, range(5)))
        for m in minutes
    ]
    with kept(tmp_path, said, text) as made:
        winter = winter_of(made.past, made.shop, made.plan, (START_US, START_US + 12 * MINUTE_US))
    power = winter.bays["north"].heater_w
    assert power is not None
    np.testing.assert_array_equal(power, [7000.0] * 6 + [np.nan] * 6)


def test_imported_weather_stands_in_where_the_outdoor_sensor_is_silent(tmp_path: Path) -> None:
    hourly = [
        Reading("station", "outdoor_temp_c", START_US + h * HOUR_US, -h, Flag.GOOD, START_US)
        for h in range(3)
    ]
    own = [Reading("yard", "outdoor_temp_c", START_US, 3.0, Flag.GOOD, START_US)]
    span = (START_US, START_US + 2 * HOUR_US)
    with kept(tmp_path / "file", hourly) as made:
        winter = winter_of(made.past, made.shop, made.plan, span)
    assert winter.outdoor_c is not None
    np.testing.assert_array_equal(winter.outdoor_c, [0.0] * 60 + [-1.0] * 60)
    # Whether a file brought the point or the shop file lost it nobody can tell any more.
    assert winter.outdoor_note == (
        "Outdoors from station, not in the shop file (imported, or taken out of it), alone."
    )
    with kept(tmp_path / "both", hourly + own) as made:
        winter = winter_of(made.past, made.shop, made.plan, span)
    assert winter.outdoor_c is not None
    np.testing.assert_array_equal(winter.outdoor_c, [3.0] * 6 + [0.0] * 54 + [-1.0] * 60)
    assert "for 2 h without the sensor" in winter.outdoor_note


def test_stages_jobs_and_notes_come_from_the_chain(tmp_path: Path) -> None:
    def event(kind: str, hours: float, **data: object) -> NewEvent:
        return NewEvent(START_US + round(hours * HOUR_US), kind, "north", dict(data))

    opened = {"procedure": {"id": "p", "name": "P", "steps": []}}
    with kept(tmp_path) as made:
        made.store.add_events(
            [
                event("stage_started", -5, stage="drying"),
                event("stage_ended", -4),
                event("stage_started", -2, stage="wash"),
                event("stage_ended", 1),
                event("stage_started", 3, stage="cure"),
                event("job_note", 4, job="260328-1", text=" door left open ", **opened),
                event("job_note", 100, job="260328-1", text="much later", **opened),
            ]
        )
        winter = winter_of(made.past, made.shop, made.plan, (START_US, END_US))
    assert [(s.what, s.from_us < START_US, s.to_us is None) for s in winter.stages] == [
        ("wash", True, False),
        ("cure", False, True),
    ]
    assert [(str(day), text) for day, text in winter.notes] == [("2026-03-28", "door left open")]


@pytest.mark.parametrize("sensors", [2, 3, 4, 5])
def test_the_median_is_that_of_the_sensors_that_spoke(sensors: int) -> None:
    """Against numpy's own."""
    draw = np.random.default_rng(sensors)
    lines = draw.normal(20, 2, (sensors, 500))
    lines[draw.random(lines.shape) < 0.3] = np.nan
    lines[:, 7] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numpy warns of the minute without any
        wanted = np.nanmedian(lines, axis=0)
    np.testing.assert_allclose(_median(lines), wanted, atol=1e-12)


def test_a_file_with_a_reading_an_hour_counts_for_the_whole_hour(tmp_path: Path) -> None:
    hourly = [
        Reading("yard", "outdoor_temp_c", START_US + h * HOUR_US, -h, Flag.GOOD, START_US)
        for h in range(12)
        if h != 6
    ]
    with kept(tmp_path, hourly) as made:
        winter = winter_of(made.past, made.shop, made.plan, (START_US, START_US + 12 * HOUR_US))
    assert winter.outdoor_c is not None
    wanted = np.repeat(-np.arange(12.0), 60)
    wanted[6 * 60] = -5.0  # a reading holds for its pace, an hour, and no longer
    wanted[6 * 60 + 1 : 7 * 60] = np.nan
    np.testing.assert_array_equal(winter.outdoor_c, wanted)
