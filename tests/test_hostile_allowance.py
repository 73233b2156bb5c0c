"""A series beyond all measure is thinned and told; what a node kept is taken whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import SECOND_US
from envmon.errors import StoreError
from envmon.facts import Flag, Foretold, Reading
from envmon.guard.alarm_kinds import KINDS
from envmon.intake.allowance import READINGS_PER_S, READINGS_SAVED, Allowance, Purse
from envmon.service.buttons import PRESSES_SAVED
from envmon.service.trouble_senses import GROWTH_SPAN_S, HOUR_S, Growth
from envmon.service.troubles import LOW_BYTES, LOW_HOURS, Room, Seen, Troubles
from envmon.service.watch import PAYLOAD_KEPT, REJECTS_SAVED, TOPIC_KEPT
from envmon.store.sqlite import REJECTS_KEPT
from tests.guard_support import SHOP
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path

BUTTON = """
[[button]]
id = "foot"
bay = "one"
topic = "hall/foot"
"""


def readings(point: str, count: int, from_us: int = 0) -> list[Reading]:
    return [Reading(point, "air_temp_c", from_us + n, 20.0, Flag.GOOD, 0) for n in range(count)]


def test_what_a_node_kept_for_a_day_of_seconds_is_taken_whole() -> None:
    kept = readings("air-a", 86_400)

    assert Allowance().admitted(kept, 0) == kept


def test_beyond_its_measure_a_series_keeps_the_newest_and_others_lose_nothing() -> None:
    allowance = Allowance()
    allowance.admitted(readings("wild", READINGS_SAVED), 0)
    come = readings("wild", 1_000) + readings("calm", 3)

    assert allowance.admitted(come, SECOND_US) == come[1_000 - int(READINGS_PER_S) :]
    assert allowance.word(SECOND_US).startswith("wild sends far too much; 5 readings a second")
    assert allowance.word(60 * SECOND_US) == ""


def test_a_forecast_beyond_measure_is_thinned_as_well() -> None:
    allowance = Allowance()
    told = [Foretold("sky", n, 1.0, 0) for n in range(READINGS_SAVED + 500)]

    assert allowance.foretold(told, 0) == told[500:]
    assert allowance.word(0).startswith("sky sends far too much")


@given(
    st.lists(st.tuples(st.integers(0, 300_000), st.integers(-5, 100), st.booleans()), max_size=30)
)
def test_a_purse_never_gives_more_than_it_holds_and_undoing_costs_nothing(
    asks: list[tuple[int, int, bool]],
) -> None:
    purse, now_us, given_out = Purse[str](5.0, 1_000.0), 0, 0
    newest_us = 0
    for wanted, later_s, keeps in asks:
        now_us += later_s * SECOND_US
        newest_us = max(newest_us, now_us)
        granted = purse.take("x", wanted, now_us)
        assert 0 <= granted <= wanted
        if keeps:
            purse.kept()
            given_out += granted
        else:
            purse.undo()
    forward_s = sum(max(0, later_s) for _, later_s, _ in asks)
    assert given_out <= 1_000 + 5 * forward_s


def test_the_watch_thins_a_flood_and_acknowledges_all_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon.intake.allowance.READINGS_SAVED", 2_000)
    watch = HandWatch(tmp_path)
    for second in range(12):
        pack = [("hall/air-a", senml("temp", 20.0, second + n / 1_000)) for n in range(1_000)]
        watch.turn(second, *pack)

    stored = [r for r in watch.store.readings(0, 2**62) if r.point == "air-a"]
    assert len(watch.link.acknowledged) == 12_000
    assert 2_000 <= len(stored) <= 2_000 + 12 * READINGS_PER_S
    assert watch.retained("envmon/one/state")["conditions"]


def test_a_turn_that_could_not_be_written_costs_no_allowance(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon.intake.allowance.READINGS_SAVED", 2_000)
    watch = HandWatch(tmp_path)
    pack = [("hall/air-a", senml("temp", 20.0, n / 1_000)) for n in range(1_900)]
    real, fails = watch.store.add_readings, [True] * 4
    monkeypatch.setattr("envmon.service.watch.RETRY_S", 0.0)

    def add(come: list[Reading]) -> int:
        if come and fails and fails.pop():
            raise StoreError("no room")
        return real(come)

    monkeypatch.setattr(watch.store, "add_readings", add)
    watch.turn(5, *pack)
    for at_s in range(6, 10):
        watch.turn(at_s)

    assert sum(r.point == "air-a" for r in watch.store.readings(0, 2**62)) == 1_900


def test_refused_payloads_are_all_counted_and_few_are_kept(tmp_path: Path) -> None:
    watch, long = HandWatch(tmp_path), "x" * 60_000
    for second in range(20):
        watch.turn(second, *[(f"hall/{long}", b"?" * 60_000) for _ in range(200)])

    kept = watch.store.rejects()
    assert watch.store.reject_total() == 4_000
    assert REJECTS_SAVED <= REJECTS_KEPT
    assert len(kept) == REJECTS_KEPT
    assert max(len(one.payload) for one in kept) == PAYLOAD_KEPT
    assert max(len(one.topic) for one in kept) == TOPIC_KEPT
    watch.turn(60, ("hall/late", b"?"))
    assert watch.store.rejects()[0].topic == "hall/late"
    assert watch.store.reject_total() == 4_001


def test_a_button_pressed_by_a_machine_fills_no_chain(tmp_path: Path) -> None:
    watch = HandWatch(tmp_path, SHOP + BUTTON)
    watch.turn(0)
    before = len(watch.event_kinds())
    presses = [("hall/foot", b'{"button":"press","n":%d}' % n) for n in range(5, 1_000)]
    watch.turn(1, *presses)

    assert 0 < len(watch.event_kinds()) - before <= PRESSES_SAVED
    assert watch.store.reject_total() == 995 - PRESSES_SAVED
    assert "stuck" in watch.store.rejects()[0].reason


def seen(**more: object) -> Seen:
    room = more.pop("room", Room(10 * LOW_BYTES, 100 * LOW_BYTES))
    assert isinstance(room, Room)
    return Seen(0, 0.0, 0, bool(room), "", "", room, "", "", 0, str(more.get("flood", "")))


def test_a_flood_and_a_disk_that_fills_up_are_told() -> None:
    assert "flood" in KINDS
    told = Troubles((), 0).look(seen(flood="air-a sends far too much"))
    assert [event.data["what"] for event in told] == ["flood"]

    grows = Room(10 * LOW_BYTES, 100 * LOW_BYTES, "", 10 * LOW_BYTES / (LOW_HOURS - 1))
    (event,) = Troubles((), 0).look(seen(room=grows))
    assert event.data["what"] == "disk"
    assert "enough for 47 h as it grows now" in event.data["text"]
    slower = grows._replace(grows_bytes_h=10 * LOW_BYTES / (LOW_HOURS + 1))
    assert Troubles((), 0).look(seen(room=slower)) == []


def test_growth_is_what_goes_on_for_half_an_hour_not_one_import(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"")
    growth, found = Growth(path), []
    for span, size in enumerate((0, 6_000, 6_000, 7_000, 8_000, 10_000, 10_000)):
        path.write_bytes(b"x" * size)
        found.append(growth.per_hour(span * GROWTH_SPAN_S))
    steady = 1_000 / GROWTH_SPAN_S * HOUR_S

    assert found == [0, 0, 0, 0, 0, pytest.approx(steady), 0]
