"""Who is told what when: calls, escalation, all-clear, cover, gathering, flood.

Source of the flood figures (more than 10 in 10 minutes, until fewer than 5): ISA-18.2 / IEC 62682,
from memory. The rest is this project's own promise.
"""

from __future__ import annotations

import pytest

from envmon.notice.decide import adopt, decide
from envmon.notice.rounds import REPEATS
from envmon.notice.state import NoticeState
from tests.notice_support import (
    AT_US,
    DAY_PERSON,
    NIGHT_US,
    QUIET_PERSON,
    SECOND_PERSON,
    Desk,
    book_of,
    event,
    minutes,
    told,
)


@pytest.fixture
def desk() -> Desk:
    return Desk(book_of(DAY_PERSON, SECOND_PERSON))


def test_first_person_is_told_after_the_gather_time(desk: Desk) -> None:
    assert desk.raise_alarm("north-window") == []
    assert desk.wait(19) == []
    (message,) = desk.wait(1)
    assert (message.person, message.alarms) == ("ola", (("north-window", 1),))
    assert message.line == (
        "HIGH North bay: north-window is wrong, since 14:00; bring the air back"
    )


def test_second_person_is_told_when_nobody_acknowledges(desk: Desk) -> None:
    desk.raise_alarm("north-window")
    desk.wait_min(15)
    assert [m.person for m in desk.sent] == ["ola"]
    lines = told(desk.wait(40))
    assert sum(line.startswith("kari: NOBODY ACKNOWLEDGED: HIGH North") for line in lines) == 1


@pytest.mark.parametrize("kind", ["alarm_acknowledged", "alarm_shelved", "alarm_removed"])
def test_person_who_acts_stops_the_escalation(desk: Desk, kind: str) -> None:
    desk.raise_alarm("north-window")
    desk.wait_min(5)
    desk.take(kind, alarm="north-window", by="Ola", via="link")
    desk.wait_min(300)
    assert [m.person for m in desk.sent] == ["ola"]


def test_alarm_acknowledged_before_it_is_told_is_told_to_nobody(desk: Desk) -> None:
    desk.raise_alarm("north-window")
    desk.wait(10)
    desk.take("alarm_acknowledged", alarm="north-window", by="Kari", via="wall")
    desk.wait_min(60)
    desk.take("alarm_cleared", alarm="north-window", what="window")
    desk.wait_min(60)
    assert desk.sent == []


def test_all_clear_goes_once_to_those_who_were_told(desk: Desk) -> None:
    desk.raise_alarm("north-window", "medium")
    desk.wait_min(20)
    desk.take("alarm_cleared", alarm="north-window", what="window", why="stage ended")
    desk.wait_min(60)
    assert told(desk.sent)[1:] == [
        "ola: Over: North bay: north-window is wrong, over since 14:20 (stage ended)"
    ]
    assert desk.sent[-1].clear
    assert desk.sent[-1].alarms == ()


def test_low_alarm_gets_no_all_clear(desk: Desk) -> None:
    desk.raise_alarm("north-lost", "low")
    desk.wait_min(1)
    desk.take("alarm_cleared", alarm="north-lost", what="lost")
    desk.wait_min(60)
    assert len(desk.sent) == 1


def test_high_alarm_over_within_the_gather_time_is_told_as_over(desk: Desk) -> None:
    desk.raise_alarm("north-condensation")
    desk.wait(5)
    desk.take("alarm_cleared", alarm="north-condensation", what="condensation")
    (message,) = desk.wait(30)
    assert "since 14:00 to 14:00, over now" in message.line
    assert desk.wait_min(60) == []


def test_medium_alarm_over_within_the_gather_time_is_not_told(desk: Desk) -> None:
    desk.raise_alarm("north-window", "medium")
    desk.wait(5)
    desk.take("alarm_cleared", alarm="north-window", what="window")
    assert desk.wait_min(60) == []


def test_high_alarm_is_told_again_a_few_times(desk: Desk) -> None:
    desk.raise_alarm("north-window")
    desk.wait_min(600)
    ola = [m.line for m in desk.sent if m.person == "ola"]
    assert len(ola) == 1 + REPEATS
    assert all(line.startswith("NOT ACKNOWLEDGED: HIGH") for line in ola[1:])


def test_alarm_raised_again_begins_a_new_round(desk: Desk) -> None:
    desk.raise_alarm("north-window")
    desk.wait_min(1)
    desk.take("alarm_acknowledged", alarm="north-window", by="Ola", via="wall")
    desk.wait_min(60)
    desk.take("alarm_again", alarm="north-window", what="window")
    desk.wait_min(17)
    assert [line[:20] for line in told(desk.sent[1:])] == [
        "ola: STILL: HIGH Nor",
        "kari: NOBODY ACKNOWL",
        "ola: NOT ACKNOWLEDGE",
    ]
    assert desk.sent[1].alarms == (("north-window", 3),)


def test_alarm_comes_back_from_the_shelf(desk: Desk) -> None:
    desk.raise_alarm("north-window")
    desk.take("alarm_shelved", alarm="north-window", minutes=30, reason="x", by="Ola", via="wall")
    assert desk.wait_min(30) == []
    desk.take("alarm_shelf_over", alarm="north-window", what="window")
    assert desk.state.standing == {}
    desk.raise_alarm("north-window")  # the guard does, where it still stands
    assert told(desk.wait_min(1))[0].startswith("ola: HIGH")


def test_alarms_of_one_moment_become_one_message(desk: Desk) -> None:
    desk.raise_alarm("north-lost", "low")
    desk.wait(6)
    desk.raise_alarm("north-window", "high")
    desk.wait(6)
    desk.raise_alarm("south-window", "medium")
    (message,) = desk.wait(30)
    assert message.line.startswith("HIGH North bay: north-window")
    assert message.line.endswith("(+2 more)")
    assert [alarm for alarm, _ in message.alarms] == ["north-window", "south-window", "north-lost"]


def test_person_hears_only_what_matters_enough(desk: Desk) -> None:
    desk.raise_alarm("north-window", "medium")
    desk.wait_min(60)
    assert {m.person for m in desk.sent} == {"ola"}


def test_root_speaks_for_what_follows_from_it(desk: Desk) -> None:
    desk.raise_alarm("north-unknown", "medium", under="shop-broker")
    desk.raise_alarm("shop-broker", "high", what="broker")
    (message,) = desk.wait_min(1)
    assert [alarm for alarm, _ in message.alarms] == ["shop-broker"]
    desk.wait_min(1)
    desk.take("alarm_cleared", "", alarm="shop-broker", what="broker")
    lines = told(desk.wait_min(4))
    assert len(lines) == 2
    assert lines[0].startswith("ola: Over: ")
    assert "north-unknown is wrong, since 14:00" in lines[1]


@pytest.mark.parametrize(
    ("root", "by"),
    [("medium", None), ("high", "alarm_shelved")],
    ids=["matters less", "is shelved"],
)
def test_root_that_cannot_speak_for_it_does_not_silence_it(root: str, by: str | None) -> None:
    desk = Desk(book_of(DAY_PERSON))
    desk.raise_alarm("north-heater", root)
    desk.wait_min(1)
    if by:
        desk.take(by, alarm="north-heater", by="Ola", via="wall", minutes=60, reason="x")
    desk.raise_alarm("north-cure_break", "high", under="north-heater")
    assert "north-cure_break" in told(desk.wait_min(1))[0]


def test_alarms_under_each_other_do_not_silence_each_other() -> None:
    desk = Desk(book_of(DAY_PERSON))
    desk.raise_alarm("north-window", under="north-unknown")
    desk.raise_alarm("north-unknown", under="north-window")
    (message,) = desk.wait_min(1)
    assert len(message.alarms) == 2


def test_flood_is_one_message_until_it_ebbs() -> None:
    desk = Desk(book_of(DAY_PERSON))
    for place in range(10):
        desk.raise_alarm(f"north-x{place}", "medium")
        desk.wait(21)
    assert len(desk.sent) == 10
    desk.raise_alarm("north-x10", "medium")
    (first,) = desk.wait(21)
    assert first.line.startswith("11 alarms in 10 minutes, look at the board. Worst: North bay")
    for place in range(11, 30):
        desk.raise_alarm(f"north-x{place}", "medium")
        assert desk.wait(21) == []
    after = desk.wait_min(9)  # four of the last ones lie less than ten minutes back
    assert len(after) == 1
    assert after[0].line.endswith("(+18 more)")
    assert desk.wait_min(60) == []


def test_high_alarm_in_a_flood_is_told_ten_minutes_after_the_last_message() -> None:
    desk = Desk(book_of(DAY_PERSON))
    for place in range(12):
        desk.raise_alarm(f"north-x{place}", "medium")
    assert len(desk.wait(21)) == 1
    for place in range(12, 18):
        desk.raise_alarm(f"north-x{place}", "medium")
        desk.wait(60)
    desk.raise_alarm("south-cure_break", "high")
    assert desk.wait_min(3.6) == []
    (message,) = desk.wait_min(0.4)
    assert "Worst: HIGH South bay: south-cure_break" in message.line


def test_curing_car_breaks_quiet_hours_and_a_drying_one_does_not() -> None:
    desk = Desk(book_of(QUIET_PERSON), NIGHT_US)
    desk.take("stage_started", "north", stage="cure")
    desk.take("stage_started", "south", stage="drying")
    desk.raise_alarm("south-window", "medium", stage="drying")
    desk.raise_alarm("north-window", "high", stage="cure")
    (message,) = desk.wait_min(1)
    assert message.alarms == (("north-window", 4),)
    desk.take("alarm_acknowledged", alarm="north-window", by="Ola", via="link")
    assert desk.until("2026-01-28T06:29:59-09:00") == []
    assert "south-window" in told(desk.wait(2))[0]


def test_what_is_over_by_the_end_of_quiet_hours_is_not_told() -> None:
    desk = Desk(book_of(QUIET_PERSON), NIGHT_US)
    for bay in ("north", "south"):
        desk.raise_alarm(f"{bay}-window", "high")
    desk.wait_min(30)
    desk.take("alarm_cleared", alarm="north-window", what="window")
    desk.wait_min(600)
    assert len(desk.sent) == 1 + REPEATS
    assert all(m.alarms == (("south-window", 2),) for m in desk.sent)


@pytest.mark.parametrize("what", ["broker", "silence", "notice", "watch"])
@pytest.mark.parametrize("curing", [True, False])
def test_trouble_of_the_shop_breaks_quiet_hours_while_a_car_cures(what: str, curing: bool) -> None:  # noqa: FBT001
    desk = Desk(book_of(QUIET_PERSON), NIGHT_US)
    if curing:
        desk.take("stage_started", "south", stage="early_cure")
    desk.raise_alarm(f"shop-{what}", "high")
    assert len(desk.wait_min(2)) == curing


def test_frost_breaks_quiet_hours_and_a_low_alarm_of_a_curing_bay_does_not() -> None:
    desk = Desk(book_of(QUIET_PERSON), NIGHT_US)
    desk.raise_alarm("north-frost", "high")
    desk.raise_alarm("south-lost", "low", stage="cure")
    (message,) = desk.wait_min(2)
    assert message.alarms == (("north-frost", 1),)


def test_stage_begun_in_quiet_hours_lets_a_held_message_go() -> None:
    desk = Desk(book_of(QUIET_PERSON), NIGHT_US)
    desk.raise_alarm("north-window", "medium")
    assert desk.wait_min(30) == []
    assert len(desk.take("stage_started", "north", stage="coating")) == 1


def test_what_stands_when_first_looked_is_told_and_what_is_past_is_not() -> None:
    book = book_of(DAY_PERSON)
    said = {"what": "window", "priority": "high", "text": "x", "do": "y"}
    old = AT_US - minutes(60 * 24 * 30)
    chain = [
        event("alarm_raised", old, seq=1, alarm="north-window", **said),
        event("alarm_cleared", old + minutes(5), seq=2, alarm="north-window", what="window"),
        event("alarm_raised", AT_US - minutes(90), "south", seq=3, alarm="south-window", **said),
    ]
    state, sent = adopt(book, NoticeState(AT_US), chain, AT_US)
    assert sent == []
    _, sent = decide(book, state, [], AT_US + minutes(1))
    assert told(sent) == ["ola: HIGH South bay: x, since 12:30; y"]


def test_another_chain_repeats_nothing_and_takes_back_what_is_gone() -> None:
    desk = Desk(book_of(DAY_PERSON))
    desk.raise_alarm("north-window")
    kept = event("alarm_raised", desk.at_us, seq=1, alarm="north-window", what="window",
                 priority="high", text="north-window is wrong")  # fmt: skip
    desk.raise_alarm("south-window")
    assert len(desk.wait_min(1)) == 1
    state, sent = adopt(desk.book, desk.state, [kept], desk.at_us)
    state, more = decide(desk.book, state, [], desk.at_us + minutes(1))
    assert told([*sent, *more]) == [
        "ola: Over: South bay: south-window is wrong, over since 14:01 (the live file was renewed)"
    ]


def test_clock_set_back_delays_nothing() -> None:
    desk = Desk(book_of(DAY_PERSON, SECOND_PERSON))
    desk.raise_alarm("north-window")
    desk.wait_min(10)
    desk.at_us -= minutes(60 * 24 * 400)
    desk.wait(0)
    desk.wait_min(6)
    assert {m.person for m in desk.sent} == {"ola", "kari"}


def test_flood_ends_when_four_are_left_in_ten_minutes() -> None:
    desk = Desk(book_of(DAY_PERSON))
    for place in range(11):
        desk.raise_alarm(f"north-x{place}", "medium")
    assert len(desk.wait_min(5)) == 1
    for place in range(5):
        desk.raise_alarm(f"south-x{place}", "medium")
        desk.wait_min(1)
    assert desk.wait(299) == []
    (message,) = desk.wait(1)
    assert message.line.endswith("(+4 more)")


def test_round_of_one_that_speaks_for_itself_again_begins_then() -> None:
    desk = Desk(book_of(DAY_PERSON, SECOND_PERSON))
    desk.raise_alarm("shop-broker")
    desk.raise_alarm("north-unknown", under="shop-broker")
    desk.take("alarm_acknowledged", "", alarm="shop-broker", by="Ola", via="wall")
    desk.wait_min(60)
    desk.take("alarm_cleared", "", alarm="shop-broker", what="broker")
    desk.wait_min(18)
    assert {m.person for m in desk.sent} == {"ola"}
    desk.wait(20)
    assert [m.person for m in desk.sent].count("kari") == 1
