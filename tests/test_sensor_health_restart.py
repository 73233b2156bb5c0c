"""Live, restart and redelivery give every reading the same flags, wherever the stream is cut."""

from __future__ import annotations

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import DAY_US, MINUTE_US, SECOND_US
from envmon.facts import Flag, Reading
from envmon.intake.health import HealthBook, HealthState
from envmon.intake.health_rules import HealthRule, rule_from_limits
from envmon.shop.sensor_health import HealthLimits
from tests.health_support import START_US

NAMES = (("a", "air_temp_c"), ("b", "rel_hum_pct"), ("c", "door_open"))
LIMITS = HealthLimits(5, 6, 300, 120, 0.1)
RULES: dict[tuple[str, str], HealthRule] = {
    NAMES[0]: rule_from_limits(LIMITS, "air_temp_c", 60),
    NAMES[1]: rule_from_limits(LIMITS._replace(flat_within=0.0), "rel_hum_pct", 90),
}
VALUES = st.sampled_from([20.0, 20.05, 20.1, 20.2, 23.0, 26.0, 26.1, 40.0, 99.5, 100.0])
GAPS_S = st.sampled_from([5, 10, 10, 30, 60, 61, 100, 400])
BITS = st.sampled_from([Flag.GOOD] * 8 + [Flag.RANGE, Flag.CLOCK, Flag.LATE])


@st.composite
def streams(draw: st.DrawFn) -> list[Reading]:
    """Draw readings in the order of taking in; some come late, twice, ahead or a day old."""
    readings: list[Reading] = []
    now_us = START_US
    for _ in range(draw(st.integers(1, 60))):
        now_us += draw(GAPS_S) * SECOND_US
        lag_us = draw(st.sampled_from([0] * 8 + [40 * SECOND_US, 5 * MINUTE_US, DAY_US + 1]))
        flag = draw(BITS)
        readings.append(
            Reading(*draw(st.sampled_from(NAMES)), now_us - lag_us, draw(VALUES), flag, now_us)
        )
        if draw(st.integers(0, 9)) == 0:
            readings.append(readings[-1]._replace(seen_us=now_us + 1))
            now_us += 1
    return readings


def kept(readings: list[Reading]) -> list[Reading]:
    """Return what a store keeps: the first of each series and time."""
    first: dict[tuple[str, str, int], Reading] = {}
    for reading in readings:
        first.setdefault(reading[:3], reading)
    return list(first.values())


def live(book: HealthBook, readings: list[Reading], apart: set[tuple[str, str]]) -> list[Reading]:
    return [book.judge([reading], apart)[0] for reading in readings]


def reloaded(state: HealthState) -> HealthState:
    """Return the state as it comes back from the disk."""
    return msgspec.json.decode(msgspec.json.encode(state), type=HealthState)


@given(streams(), st.data())
def test_restart_anywhere_gives_the_same_flags(
    readings: list[Reading], data: st.DataObject
) -> None:
    """The snapshot is older than the end of what is stored; the rest is passed over."""
    whole = live(HealthBook(RULES), readings, {NAMES[1]})
    saved_at = data.draw(st.integers(0, len(readings)))
    cut = data.draw(st.integers(saved_at, len(readings)))
    first = HealthBook(RULES)
    live(first, readings[:saved_at], {NAMES[1]})
    state = reloaded(first.state())
    live(first, readings[saved_at:cut], {NAMES[1]})
    second = HealthBook(RULES, state)
    second.pass_over(whole[saved_at:cut])
    assert second.state() == first.state()
    assert live(second, readings[cut:], {NAMES[1]}) == whole[cut:]


@given(streams(), st.data())
def test_however_the_stream_is_cut_into_turns_the_flags_are_the_same(
    readings: list[Reading], data: st.DataObject
) -> None:
    whole = live(HealthBook(RULES), readings, set())
    book, found, at = HealthBook(RULES), list[Reading](), 0
    while at < len(readings):
        size = data.draw(st.integers(1, 9))
        found += book.judge(readings[at : at + size])
        at += size
    assert found == whole


@given(streams(), st.data())
def test_what_comes_again_disturbs_nothing(readings: list[Reading], data: st.DataObject) -> None:
    whole = live(HealthBook(RULES), readings, set())
    book = HealthBook(RULES)
    for place, reading in enumerate(readings):
        assert book.judge([reading]) == [whole[place]]
        before = book.state()
        again = data.draw(st.lists(st.sampled_from(readings[: place + 1]), max_size=3))
        book.judge([old._replace(seen_us=reading.seen_us) for old in again])
        assert book.state() == before


@given(streams(), st.data())
def test_a_turn_that_failed_and_is_tried_again_changes_nothing(
    readings: list[Reading], data: st.DataObject
) -> None:
    whole = live(HealthBook(RULES), readings, set())
    book = HealthBook(RULES)
    for place, reading in enumerate(readings):
        for _ in range(data.draw(st.integers(0, 2))):
            book.judge(readings[place:])
            book.undo()
        assert book.judge([reading]) == [whole[place]]


@given(streams())
def test_flags_of_intake_stay_and_values_and_times_never_change(readings: list[Reading]) -> None:
    for was, now in zip(readings, live(HealthBook(RULES), readings, set(NAMES)), strict=True):
        assert was.flag & ~now.flag == 0
        assert now._replace(flag=was.flag) == was
        if was.flag & (Flag.LATE | Flag.CLOCK | Flag.RANGE):
            assert now == was


@given(streams())
def test_what_the_store_keeps_brings_the_memory_back_from_nothing(readings: list[Reading]) -> None:
    first = HealthBook(RULES)
    judged = live(first, readings, set())
    second = HealthBook(RULES)
    second.pass_over(kept(judged))
    assert second.state() == first.state()


def test_a_state_of_another_shop_file_is_taken_as_far_as_it_goes() -> None:
    book = HealthBook(RULES)
    book.judge([Reading(*name, START_US, 20.0, Flag.GOOD, START_US) for name in NAMES])
    state = reloaded(book.state())
    fewer = HealthBook({NAMES[0]: RULES[NAMES[0]], ("new", "air_temp_c"): RULES[NAMES[0]]}, state)
    assert list(fewer.state().series) == ["a/air_temp_c"]


def test_the_memory_of_a_series_is_small() -> None:
    book = HealthBook(RULES)
    turn = [
        Reading(*NAMES[0], START_US + n * SECOND_US, 20.05, Flag.GOOD, START_US) for n in range(9)
    ]
    book.judge(turn)
    assert len(msgspec.json.encode(book.state())) < 100
