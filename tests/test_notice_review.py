"""Between the parts: a clock set back, covered alarms, late messages, a dead process.

The promises are this project's own; where a figure comes from is said beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.clock import HOUR_US
from tests.notice_support import DAY_PERSON, Desk, Stand, book_of, told

if TYPE_CHECKING:
    from tests.notice_servers import HttpReceiver

pytest_plugins = ["tests.notice_fixtures"]


@pytest.mark.parametrize("anew", [False, True], ids=["while it runs", "while it is down"])
def test_clock_set_back_holds_up_no_waiting_message(
    stand: Stand,
    phone: HttpReceiver,
    anew: bool,  # noqa: FBT001
) -> None:
    stand.settle()
    phone.stop()
    stand.raise_alarm()
    stand.wait(400)
    assert stand.notice.outbox.failing()
    if anew:
        stand.notice.close()
    stand.clock.at_us -= 5 * HOUR_US
    if anew:
        stand.start()
    phone.start()
    stand.wait(5, 5)
    assert len(phone.got) == 1


@pytest.mark.parametrize("what", ["cure_break", "condensation", "frost"])
@pytest.mark.parametrize("acked", [False, True])
def test_what_wants_an_act_of_its_own_is_covered_by_nothing(what: str, acked: bool) -> None:  # noqa: FBT001
    desk = Desk(book_of(DAY_PERSON))
    desk.raise_alarm("north-heater", "high")
    desk.wait_min(1)
    if acked:
        desk.take("alarm_acknowledged", alarm="north-heater", by="Ola", via="wall")
    desk.raise_alarm(f"north-{what}", "high", under="north-heater")
    desk.raise_alarm("north-window", "high", under="north-heater")
    (message,) = desk.wait_min(1)
    assert [alarm for alarm, _ in message.alarms] == [f"north-{what}"]


def outage(desk: Desk) -> None:
    """The broker is gone, and two alarms that follow from it stand."""
    desk.raise_alarm("shop-broker")
    desk.wait_min(1)
    for bay in ("north", "south"):
        desk.raise_alarm(f"{bay}-unknown", under="shop-broker")
    desk.wait_min(10)
    desk.sent.clear()


def test_end_of_an_outage_is_one_all_clear_and_no_wave() -> None:
    """The guard clears what followed up to a minute after the broker is back."""
    desk = Desk(book_of(DAY_PERSON))
    outage(desk)
    desk.take("alarm_cleared", "", alarm="shop-broker", what="broker")
    desk.wait(60)
    for bay in ("north", "south"):
        desk.take("alarm_cleared", bay, alarm=f"{bay}-unknown", what="unknown")
    desk.wait_min(30)
    assert [line[:10] for line in told(desk.sent)] == ["ola: Over:"]


def test_what_stands_three_minutes_after_its_root_cleared_is_told() -> None:
    desk = Desk(book_of(DAY_PERSON))
    outage(desk)
    desk.take("alarm_cleared", "", alarm="shop-broker", what="broker")
    desk.take("alarm_cleared", "south", alarm="south-unknown", what="unknown")
    desk.wait_min(3)
    assert len(desk.sent) == 1
    (message,) = desk.wait(20)
    assert [alarm for alarm, _ in message.alarms] == ["north-unknown"]


@pytest.mark.parametrize("kind", ["alarm_shelved", "alarm_removed"])
def test_what_followed_from_an_alarm_set_aside_is_told_at_once(kind: str) -> None:
    desk = Desk(book_of(DAY_PERSON))
    outage(desk)
    desk.take(kind, "", alarm="shop-broker", minutes=60, reason="x", by="Ola", via="wall")
    (message,) = desk.wait(20)
    assert {alarm for alarm, _ in message.alarms} == {"north-unknown", "south-unknown"}
