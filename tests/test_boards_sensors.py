"""The sensors board's answer: who is named first, what is counted, what a calibration says."""

from __future__ import annotations

import http.client
import json
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import DAY_US, MINUTE_US, SECOND_US, iso_from_us
from envmon.facts import CALIBRATION_ACCEPTED, Flag, NewEvent, Reading
from envmon.guard.alarm_kinds import KINDS
from envmon.guard.live import AlarmState, ShopAlarms
from envmon.service.sensors_judge import Finding, Series, findings_of, headline_of, kind_of
from envmon.store.sensor_facts import Newest, ahead_of_time, counted_readings, newest_readings
from envmon.store.sqlite import SqliteStore
from envmon_boards.feed import ALARMS_TOPIC
from tests.boards_support import NOW_US, Stand, stand_of
from tests.calibration_support import SHOP, record_data

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

AIR, HUM = ("north-air", "air_temp_c"), ("north-air", "rel_hum_pct")


def reading(series: tuple[str, str], ago_s: float, flag: Flag = Flag.GOOD) -> Reading:
    at_us = NOW_US - round(ago_s * SECOND_US)
    return Reading(*series, at_us, 20.0, flag, at_us)


def alarm(what: str, **other: Any) -> AlarmState:
    kind = KINDS[what]
    facts = {
        "id": f"north-air-{what}", "bay": "north", "what": what, "stage": None,
        "since": iso_from_us(NOW_US), "text": kind.name, "name": kind.name, "do": kind.do,
    } | other  # fmt: skip
    return AlarmState(**facts)


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    """The boards of the calibration's shop, whose sensors all spoke just now."""
    store = SqliteStore(tmp_path)
    spoken = [AIR, HUM, ("south-air", "air_temp_c"), ("south-air", "rel_hum_pct"),
              ("outdoor", "outdoor_temp_c"), ("boiler", "heater_on")]  # fmt: skip
    store.add_readings([reading(series, 5)._replace(value=1.0) for series in spoken])
    store.close()
    with stand_of(tmp_path, SHOP).serving() as serving:
        serving.say()
        yield serving


def add(stand: Stand, *readings: Reading, events: tuple[NewEvent, ...] = ()) -> None:
    store = SqliteStore(stand.boards.folder)
    store.add_readings(readings)
    store.add_events(events)
    store.close()


def tell(stand: Stand, *alarms: AlarmState) -> None:
    said = ShopAlarms(iso_from_us(NOW_US), alarms)
    stand.feed.take(ALARMS_TOPIC, msgspec.json.encode(said))


def answer(stand: Stand) -> Any:
    line = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=10)
    line.request("GET", "/api/v1/sensors")
    reply = line.getresponse()
    document = json.loads(reply.read())
    line.close()
    assert reply.status == 200, document
    assert reply.headers["Cache-Control"] == "no-store"
    return document


def sensor(document: Any, point: str = "north-air") -> Any:
    (found,) = [each for each in document["sensors"] if each["id"] == point]
    return found


def row(document: Any, series: tuple[str, str]) -> Any:
    (found,) = [
        each for each in sensor(document, series[0])["quantities"] if each["quantity"] == series[1]
    ]
    return found


def test_all_is_well(stand: Stand) -> None:
    document = answer(stand)
    assert [each["id"] for each in document["sensors"]] == [
        "north-air", "south-air", "outdoor", "boiler"
    ]  # fmt: skip
    assert {each["kind"] for each in document["sensors"]} == {"fit"}
    assert document["headline"] == {"kind": "fit", "text": "All 4 sensors are well", "do": ""}
    air = row(document, AIR)
    assert (air["text"], air["t_ms"], air["fresh"]) == ("1.0 °C", NOW_US // 1000 - 5000, True)
    assert row(document, ("boiler", "heater_on"))["text"] == "on"
    assert row(document, ("boiler", "heater_on"))["calibration"] is None
    assert sensor(document, "outdoor")["where"] == "outside the bays"


def test_flags_of_the_last_day_are_counted_by_kind(stand: Stand) -> None:
    """One reading may have two flags; what is older than a day does not count."""
    spike, wet = Flag.SPIKE | Flag.RATE, Flag.WET
    marks = [(100, spike), (110, spike), (120, wet), (130, Flag.GOOD), (86_500, Flag.RANGE)]
    add(stand, *(reading(HUM, ago_s, flag) for ago_s, flag in marks))
    found = row(answer(stand), HUM)
    assert (found["readings"], found["flagged"]) == (5, 3)
    assert {each["flag"]: each["count"] for each in found["flags"]} == {
        "SPIKE": 2, "RATE": 2, "WET": 1
    }  # fmt: skip


def test_counts_are_those_of_a_count_by_hand(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    flags = [Flag(n * 37 % 256) for n in range(200)]
    readings = [reading(HUM, 10 * n, flag) for n, flag in enumerate(flags)]
    store.add_readings(readings)
    found = counted_readings(store, NOW_US - 1_500 * SECOND_US, NOW_US)[HUM]
    taken = [r.flag for r in readings if NOW_US - 1_500 * SECOND_US <= r.t_us < NOW_US]
    assert found.total == len(taken)
    assert found.flagged == sum(flag != Flag.GOOD for flag in taken)
    for flag in Flag:
        if flag:
            assert found.by_flag.get(flag, 0) == sum(bool(each & flag) for each in taken)


def test_a_reading_with_a_wrong_clock_is_not_the_newest(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    ahead_us = NOW_US + DAY_US
    store.add_readings(
        [
            reading(HUM, 40),
            reading(HUM, 30, Flag.CLOCK),
            Reading(*HUM, ahead_us, 9.0, Flag.CLOCK, NOW_US - SECOND_US),
        ]
    )
    assert newest_readings(store, NOW_US)[HUM].t_us == NOW_US - 40 * SECOND_US
    assert ahead_of_time(store, NOW_US) == {HUM: NOW_US - SECOND_US}


def test_the_calibration_in_force(stand: Stand) -> None:
    """It counts since 23:05 UTC of the day before, which is five past midnight in the shop."""
    data = record_data(checked="2025-07-10", due="2026-01-10", by="Odd")
    add(stand, events=(NewEvent(NOW_US - DAY_US, CALIBRATION_ACCEPTED, "", data),))
    document = answer(stand)
    assert row(document, HUM)["calibration"] == {
        "standing": "overdue", "line": "× 1.1000 − 2.000", "since": "2026-01-27",
        "checked": "2025-07-10", "due": "2026-01-10", "reference": "two salt jars", "by": "Odd",
    }  # fmt: skip
    assert row(document, AIR)["calibration"]["standing"] == "shop_file"
    assert row(document, ("outdoor", "outdoor_temp_c"))["calibration"]["standing"] == "none"
    assert sensor(document)["kind"] == "marginal"
    assert document["headline"]["text"] == "Go to north-air, North bay"
    assert document["headline"]["do"] == "humidity: calibration overdue: calibrate it"


def test_the_alarms_of_a_sensor(stand: Stand) -> None:
    drift = alarm("drift", id="north-drift", text="Sensors drift apart: north-air humidity moved")
    tell(stand, alarm("stuck"), drift, alarm("lost", id="south-air-lost", bay="south"))
    document = answer(stand)
    assert document["alarms_live"] is True
    assert [each["id"] for each in document["sensors"]][:2] == ["north-air", "south-air"]
    assert [each["id"] for each in sensor(document)["alarms"]] == ["north-air-stuck", "north-drift"]
    assert sensor(document, "south-air")["kind"] == "unknown"
    assert document["headline"]["do"].endswith("; then 1 more")


def test_old_alarms_are_not_shown_as_the_present(stand: Stand) -> None:
    said = ShopAlarms(iso_from_us(NOW_US), (alarm("stuck"),))
    stand.feed.take(ALARMS_TOPIC, msgspec.json.encode(said), live=False)
    document = answer(stand)
    assert (document["alarms_live"], sensor(document)["alarms"]) == (False, [])


def test_without_the_watch_no_sensor_is_blamed(stand: Stand) -> None:
    stand.beat("down", "stopped")
    assert answer(stand)["headline"]["text"] == "The watch takes nothing in"


def test_a_store_that_is_gone_is_said(stand: Stand) -> None:
    (stand.boards.folder / "live.sqlite3").write_bytes(b"no database" * 100)
    line = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=10)
    line.request("GET", "/api/v1/sensors")
    reply = line.getresponse()
    assert reply.status == 503
    assert "live.sqlite3" in json.loads(reply.read())["error"]
    line.close()


def judged(flag: Flag = Flag.GOOD, ago_s: float = 5, **other: Any) -> list[Finding]:
    newest = Newest(NOW_US - round(ago_s * SECOND_US), 20.0, flag)
    alarms = other.pop("alarms", ())
    series = Series("humidity", newest, MINUTE_US, **other)
    return findings_of([series], alarms, NOW_US)


@pytest.mark.parametrize(
    ("flag", "kind", "why"),
    [
        (Flag.RANGE, "unfit", "humidity: out of range"),
        (Flag.SPIKE, "unfit", "humidity: leap"),
        (Flag.FLAT, "unfit", "humidity: stands still"),
        (Flag.RATE, "marginal", "humidity: too fast"),
        (Flag.WET, "marginal", "humidity: wet"),
        (Flag.APART, "marginal", "humidity: disagrees"),
    ],
)
def test_what_the_newest_reading_tells(flag: Flag, kind: str, why: str) -> None:
    (finding,) = judged(flag)
    assert (finding.kind, finding.why) == (kind, why)
    assert finding.do


def test_silence_and_its_border() -> None:
    assert judged(ago_s=60) == []
    assert kind_of(judged(ago_s=60.1)) == "unknown"
    assert kind_of(judged(Flag.FLAT, ago_s=61)) == "unknown"  # an old fault says nothing of now
    nothing = findings_of([Series("humidity", None, MINUTE_US)], [], NOW_US)
    assert nothing == [Finding("unknown", "humidity: nothing heard", KINDS["lost"].do)]


def test_a_clock_ahead_is_told_from_silence() -> None:
    found = judged(ago_s=3_600, ahead_us=NOW_US - SECOND_US)
    assert [each.kind for each in found] == ["unfit", "unknown"]
    assert found[0].why == "humidity: its clock is ahead"


def test_an_alarm_speaks_for_what_it_is_about() -> None:
    """What to do is said once, by the alarm, though the newest reading tells the same."""
    found = judged(Flag.FLAT, alarms=[alarm("stuck")])
    assert [each.why for each in found] == ["alarm: sensor stands still"]
    over = judged(alarms=[alarm("stuck", active=False, life="RTNUN")])
    assert [each.kind for each in over] == ["marginal"]
    shelved = judged(alarms=[alarm("stuck", life="SHLVD")])
    assert [each.kind for each in shelved] == ["marginal"]


def test_the_one_line_that_says_where_to_go() -> None:
    silent, wet = judged(ago_s=99), judged(Flag.WET)
    one, other = ("a", "North bay", silent), ("b", "South bay", silent)
    assert headline_of([], listening=True).kind == "none"
    assert headline_of([one, other], listening=True).text == "No sensor is heard"
    assert headline_of([one], listening=True).text == "Go to a, North bay"
    assert headline_of([one, ("b", "South bay", wet)], listening=True).do.endswith("then 1 more")
    assert headline_of([("a", "North bay", [])], listening=True).text == "The sensor is well"
