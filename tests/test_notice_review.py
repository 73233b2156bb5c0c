"""Between the parts: a clock set back, covered alarms, late messages, a dead process.

The promises are this project's own; where a figure comes from is said beside it.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.clock import HOUR_US
from envmon.errors import ServiceError
from envmon.facts import NewEvent
from envmon.service.ending import BAD_USE
from envmon.service.notice.desk import OUT_OF_TURN
from envmon.service.shop_run import children_of
from envmon.service.supervisor import SLOW_CAP_S, Child, Supervisor
from envmon.service.trouble_senses import (
    NOTICE_WORD,
    WORD_OLD_S,
    NoticeWord,
    Senses,
    Told,
    notice_word,
)
from tests.mosquitto_support import wait_until
from tests.notice_support import (
    DAY_PERSON,
    SECOND_PERSON,
    Desk,
    Stand,
    book_of,
    people_text,
    shop_of,
    told,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.notice_servers import HttpReceiver

pytest_plugins = ["tests.notice_fixtures"]


@pytest.mark.parametrize("anew", [False, True], ids=["while it runs", "while it is down"])
def test_clock_set_back_holds_up_no_waiting_message(
    scene: Stand,
    phone: HttpReceiver,
    anew: bool,  # noqa: FBT001
) -> None:
    scene.settle()
    phone.stop()
    scene.raise_alarm()
    scene.wait(400)
    assert scene.notice.outbox.failing()
    if anew:
        scene.notice.close()
    scene.clock.at_us -= 5 * HOUR_US
    if anew:
        scene.start()
    phone.start()
    scene.wait(5, 5)
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


@pytest.mark.parametrize(("falls", "wait_s"), [(0, 5.0), (3, 40.0), (4, SLOW_CAP_S), (999, 60.0)])
def test_spare_process_that_cannot_run_is_said_aloud_and_tried_again_slowly(
    caplog: pytest.LogCaptureFixture, falls: int, wait_s: float
) -> None:
    lines: list[str] = []
    child = ended_badly(Child("the messages", ["-c", f"exit({BAD_USE})"], spare=True, falls=falls))
    supervisor = Supervisor([child], lines.append)
    supervisor._look()
    supervisor._look()
    assert lines == [f"the messages ended (exit 2); starting it again in {wait_s:g} s"]
    assert "the messages: cannot run as asked and does NOT do its work" in caplog.text
    child.restart_at = child.started_at + 1e-9
    supervisor._look()
    assert child.process is not None
    assert child.process.wait(15) == BAD_USE
    assert child.started_at > child.restart_at, "it was started again"


def ended_badly(child: Child) -> Child:
    child.start()
    assert child.process is not None
    assert child.process.wait(15) == BAD_USE
    return child


def test_process_that_is_not_spare_ends_the_run_when_it_cannot_run() -> None:
    child = ended_badly(Child("the watch", ["-c", f"exit({BAD_USE})"]))
    with pytest.raises(ServiceError, match="the watch cannot run as asked"):
        Supervisor([child], lambda _line: None)._look()


def test_only_keeper_messages_and_outlook_are_spare(tmp_path: Path) -> None:
    shop = shop_of(people_text(DAY_PERSON))
    children = children_of(shop, tmp_path / "shop.toml", tmp_path, None)
    spare = {child.name for child in children if child.spare}
    assert spare == {"the keeper of the archive", "the messages to people", "the outlook"}


def at_s(folder: Path) -> float:
    return msgspec.json.decode((folder / NOTICE_WORD).read_bytes(), type=NoticeWord).at_s


@pytest.mark.parametrize("ago_s", [WORD_OLD_S + 1, -5.0], ids=["old", "before a restart"])
def test_word_that_is_not_fresh_means_nobody_is_told(tmp_path: Path, ago_s: float) -> None:
    """A word ahead of the monotonic time is from before the machine started; clock_gettime(2)."""
    now_s = time.monotonic()
    word = msgspec.json.encode(NoticeWord("no mail goes out", now_s - ago_s))
    (tmp_path / NOTICE_WORD).write_bytes(word)
    said = notice_word(tmp_path, expected=True)
    assert said.startswith("nobody is told: the notice process has given no sign of life for 60 s")
    assert said.endswith("it last said: no mail goes out")
    assert notice_word(tmp_path) == "no mail goes out"


def test_missing_word_is_wrong_only_where_people_are_to_be_told(tmp_path: Path) -> None:
    assert notice_word(tmp_path, expected=True).startswith("nobody is told")
    assert notice_word(tmp_path) == ""


def test_senses_allow_the_notice_process_a_minute_to_begin(tmp_path: Path) -> None:
    told = Told(link_up=True, link_error="", store_error="", archive="", set_back=0)
    for expects, after in ((True, "nobody is told"), (False, "")):
        senses = Senses(tmp_path, expects_notice=expects)
        assert senses.seen(0, told).notice == ""
        senses._grace_s -= WORD_OLD_S
        senses._word_at = 0.0
        assert senses.seen(0, told).notice[:14] == after


def test_word_is_left_again_though_nothing_changes(
    scene: Stand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene.settle()
    first_s = at_s(tmp_path)
    scene.settle()
    assert at_s(tmp_path) == first_s, "not with every turn"
    monkeypatch.setattr("envmon.service.notice.process.WORD_EVERY_S", 0.0)
    scene.settle()
    assert first_s < at_s(tmp_path) <= time.monotonic()


def test_process_that_is_held_leaves_no_fresh_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source of the hanging: SIGSTOP cannot be caught (POSIX)."""
    shop = tmp_path / "shop.toml"
    shop.write_text(people_text(DAY_PERSON), encoding="utf-8")
    argv = ["-m", "envmon.service.notice.process", str(shop), "--data", str(tmp_path)]
    with subprocess.Popen([sys.executable, *argv], stderr=subprocess.DEVNULL) as process:
        try:
            wait_until((tmp_path / NOTICE_WORD).exists, "the word")
            assert notice_word(tmp_path, expected=True) == ""
            os.kill(process.pid, signal.SIGSTOP)
            monkeypatch.setattr("envmon.service.trouble_senses.WORD_OLD_S", 0.5)
            wait_until(lambda: notice_word(tmp_path, expected=True) != "", "it to be missed")
        finally:
            process.kill()


def end_alarm(scene: Stand, alarm: str) -> None:
    data = {"alarm": alarm, "what": alarm.partition("-")[2]}
    scene.add(NewEvent(scene.clock.now_us(), "alarm_cleared", "north", data))


def begin_in_turn(scene: Stand) -> None:
    """Let the next try be one that keeps the order; one of ``OUT_OF_TURN`` does not."""
    scene.notice.desk._channels["phone"].fails = OUT_OF_TURN


def test_what_waited_out_an_outage_comes_in_the_order_it_was_decided(
    scene: Stand, phone: HttpReceiver
) -> None:
    scene.settle()
    phone.stop()
    for place in range(6):
        scene.raise_alarm(f"north-x{place}", priority="medium")
        scene.wait(300, 20)
    begin_in_turn(scene)
    phone.start()
    scene.wait(180, 5)
    assert [line.split()[2] for line in phone.lines] == [f"north-x{place}" for place in range(6)]


def test_alarm_over_before_it_could_be_told_says_so_and_its_all_clear_follows(
    scene: Stand, phone: HttpReceiver
) -> None:
    scene.settle()
    phone.stop()
    scene.raise_alarm("north-window", priority="medium")
    scene.wait(300)
    end_alarm(scene, "north-window")
    scene.wait(300)
    begin_in_turn(scene)
    phone.start()
    scene.wait(180, 5)
    assert [line.partition(",")[0] for line in phone.lines] == [
        "OVER BY NOW: North bay: north-window is wrong at 20 °C",
        "Over: North bay: north-window is wrong at 20 °C",
    ]


def test_message_a_server_refuses_holds_up_the_next_for_minutes_only(
    scene: Stand, phone: HttpReceiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server is a real one; what it refuses is one message, again and again."""
    came: list[str] = []

    def refuse() -> None:
        waits = scene.notice.desk._channels["phone"].trying
        came.append(waits.delivery.message.line if waits else "")
        phone.code = 500 if "north-x0" in came[-1] else 200

    monkeypatch.setattr(phone, "came", refuse)
    scene.raise_alarm("north-x0", priority="medium")
    scene.wait(300, 10)
    scene.raise_alarm("north-x1", priority="high")
    scene.wait(600, 10)
    assert any("north-x1" in line for line in phone.lines)
    assert not any("north-x0" in line for line in phone.lines)


def test_alarm_raised_anew_for_a_curing_car_reaches_who_it_now_matters_to() -> None:
    desk = Desk(book_of(DAY_PERSON, SECOND_PERSON.replace('after = "15 min"\n', "")))
    desk.raise_alarm("north-window", "medium")
    desk.wait_min(5)
    desk.take("alarm_acknowledged", alarm="north-window", by="Ola", via="wall")
    assert {m.person for m in desk.sent} == {"ola"}
    desk.sent.clear()
    data = {"alarm": "north-window", "what": "window", "priority": "high", "stage": "coating"}
    desk.take("alarm_again", **data, text="the air is wet", do="shut the door")
    desk.wait(20)
    line = "STILL: HIGH North bay: the air is wet, since 14:00; shut the door"
    assert sorted(told(desk.sent)) == [f"kari: {line}", f"ola: {line}"]
    assert desk.state.standing["north-window"].notice.stage == "coating"
    assert {m.breaks_quiet for m in desk.sent} == {True}
    assert not any("acknowledged" in m.body for m in desk.sent)
    desk.wait_min(16)
    assert sum("NOT ACKNOWLEDGED: HIGH" in line for line in told(desk.sent)) == 2


@pytest.mark.parametrize("base", ["", "https://air.kelp-quay.example"])
def test_link_is_sent_only_where_its_base_is_given(
    tmp_path: Path, phone: HttpReceiver, base: str
) -> None:
    """Without one it would lead to the machine itself (RFC 1122, 3.2.1.3), dead on a phone."""
    table = f'\n[notice]\nlink_base = "{base}"\n' if base else ""
    scene = Stand(tmp_path, people_text(DAY_PERSON.replace("ola-phone", "phone")) + table)
    scene.raise_alarm()
    scene.wait(60)
    scene.close()
    (got,) = phone.got
    assert ("/ack/" in str(got)) == bool(base)
    assert ("http" in got["message"]) == bool(base)
    assert not base or f"{base}/ack/" in got["message"]
