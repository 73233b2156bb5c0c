"""Delivery to real servers on loopback: SMTP (aiosmtpd) and HTTP, also when both are down.

Source of the mail protocol: RFC 5321 and 5322, through aiosmtpd and the standard library.
"""

from __future__ import annotations

import logging
from collections import Counter
from typing import TYPE_CHECKING

import pytest

from envmon.clock import DAY_US, HOUR_US
from envmon.facts import NewEvent
from envmon.service.notice.desk import MOST_LOST
from envmon.service.trouble_senses import notice_word
from tests.mosquitto_support import wait_until
from tests.notice_support import Stand, people_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.notice.state import Message
    from tests.notice_servers import HttpReceiver, MailServer

pytest_plugins = ["tests.notice_fixtures"]
OLA = '[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["phone", "mail"]\nleast = "low"\n'
KARI = OLA.replace("ola", "kari").replace("Ola", "Kari").replace("phone", "second") + (
    'after = "10 min"\n'
)
LINK = '\n[notice]\nlink_base = "https://air.kelp-quay.example"\n'


@pytest.fixture
def scene(
    tmp_path: Path, phone: HttpReceiver, mail: MailServer, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Stand]:
    monkeypatch.setenv("ENVMON_CHANNEL_SECOND", phone.address)
    monkeypatch.setenv("ENVMON_CHANNEL_MAIL", mail.address)
    scene = Stand(tmp_path, people_text(OLA, KARI) + LINK)
    yield scene
    scene.close()


def test_alarm_reaches_phone_and_mail(scene: Stand, phone: HttpReceiver, mail: MailServer) -> None:
    scene.raise_alarm()
    scene.wait(30)
    line = "HIGH North bay: north-window is wrong at 20 °C, since 14:00; bring the air back"
    assert phone.lines == [line]
    assert phone.got[0]["type"] == "failure"
    (letter,) = mail.got
    assert str(letter["Subject"]) == line
    plain = letter.get_body(("plain",))
    assert plain is not None
    text = plain.get_content()
    assert "To do: bring the air back" in text
    assert "To acknowledge: https://air.kelp-quay.example/ack/" in text


def test_person_who_acknowledges_stops_the_escalation(scene: Stand, phone: HttpReceiver) -> None:
    raised = scene.raise_alarm()
    scene.wait(60)
    data = {"alarm": "north-window", "by": "Ola", "via": "link", "seq": raised.seq}
    scene.add(NewEvent(scene.clock.now_us(), "alarm_acknowledged", "north", data))
    scene.wait(HOUR_US / 1e6, 120)
    assert len(phone.got) == 1


def test_second_person_is_told_after_ten_minutes(scene: Stand, phone: HttpReceiver) -> None:
    scene.raise_alarm()
    scene.wait(700)
    assert [line[:24] for line in phone.lines] == [
        "HIGH North bay: north-wi",
        "NOBODY ACKNOWLEDGED: HIG",
    ]


def test_both_servers_down_for_an_hour_lose_nothing_and_double_nothing(
    scene: Stand, phone: HttpReceiver, mail: MailServer
) -> None:
    scene.raise_alarm("north-lost", priority="low")
    scene.wait(30)
    assert (len(phone.got), len(mail.got)) == (1, 1)
    phone.stop()
    mail.stop()
    for place in range(6):
        scene.raise_alarm(f"south-x{place}", priority="medium")
        scene.wait(600, 60)
    assert (len(phone.got), len(mail.got)) == (1, 1)
    tries = sum(delivery.tries for delivery in scene.notice.outbox.failing())
    phone.start()
    mail.start()
    scene.wait(300, 10)
    told = [message.line for message in decided(scene)]
    assert Counter(phone.lines) == Counter(told)
    to_mail = Counter(subject.replace("\n", "") for subject in mail.subjects)
    assert to_mail == Counter(told)
    assert len(told) == 2 * 7  # Kari is told of each ten minutes later
    assert not any("perhaps" in line for line in [*phone.lines, *mail.subjects])
    assert scene.notice.outbox.waiting_channels() == []
    # An hour of 60 s steps: each channel is tried about once a step, not once for each message.
    assert 60 <= tries <= 600


def decided(scene: Stand) -> list[Message]:
    rows = {d.message.number: d.message for d in scene.notice.outbox.all()}
    return list(rows.values())


def test_server_that_answers_with_an_error_is_tried_again(
    scene: Stand, phone: HttpReceiver
) -> None:
    phone.code = 503
    scene.raise_alarm()
    scene.wait(120)
    assert phone.got == []
    assert phone.tries >= 2
    phone.code = 200
    scene.wait(120)
    assert len(phone.got) == 1
    assert "perhaps" not in phone.lines[0]


def test_server_that_hangs_holds_up_no_other_and_may_get_a_second_copy(
    scene: Stand, phone: HttpReceiver, mail: MailServer
) -> None:
    scene.notice.desk.limit_s = 0.3
    phone.go.clear()
    scene.raise_alarm()
    scene.clock.advance(30)
    scene.notice.look()
    wait_until(lambda: mail.got, "the mail", 5, meanwhile=scene.notice.turn)
    for _ in range(MOST_LOST * 3):
        scene.clock.advance(60)
        scene.settle()
    assert phone.tries == MOST_LOST
    assert len(mail.got) == 1
    assert "no answer within" in scene.notice.outbox.failing()[0].error
    phone.go.set()
    wait_until(lambda: len(phone.got) == MOST_LOST, "the receiver")
    scene.settle()
    assert sorted("perhaps sent before" in line for line in phone.lines) == [False, True, True]


def test_word_for_the_watch_comes_after_five_minutes_and_goes(
    scene: Stand, phone: HttpReceiver, tmp_path: Path
) -> None:
    scene.settle()
    assert notice_word(tmp_path, expected=True) == ""
    phone.stop()
    scene.raise_alarm()
    scene.wait(290)
    assert notice_word(tmp_path, expected=True) == ""
    scene.wait(90)
    said = notice_word(tmp_path, expected=True)
    assert "1 message does not go out over phone, since 14:00:" in said
    assert "s3cret" not in said
    assert "127.0.0.1" not in said
    phone.start()
    scene.wait(120)
    assert notice_word(tmp_path, expected=True) == ""


@pytest.fixture
def heard() -> Iterator[list[logging.LogRecord]]:
    """Everything that reaches the log of the process."""

    class Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            records.append(record)

    records: list[logging.LogRecord] = []
    ear = Ear(logging.DEBUG)
    logging.getLogger().addHandler(ear)
    yield records
    logging.getLogger().removeHandler(ear)


def test_no_address_is_ever_logged(
    scene: Stand, phone: HttpReceiver, mail: MailServer, heard: list[logging.LogRecord]
) -> None:
    scene.raise_alarm()
    phone.code = 500
    mail.stop()
    scene.wait(120)
    phone.stop()
    scene.wait(120)
    ours = [r.getMessage() for r in heard]
    assert any("channel phone:" in text for text in ours)
    kept = [d.error for d in scene.notice.outbox.failing()]
    assert kept
    for text in [*ours, *kept]:
        for secret in ("keeper", "s3cretword", "t0kenpath", str(phone.port), "ola@"):
            assert secret not in text
    assert not [r for r in heard if r.name.startswith("apprise")]


def test_low_alarm_is_given_up_aloud_after_hours_and_a_high_one_never(
    scene: Stand, phone: HttpReceiver, mail: MailServer, caplog: pytest.LogCaptureFixture
) -> None:
    phone.stop()
    mail.stop()
    scene.raise_alarm("north-lost", priority="low")
    scene.wait(60)
    scene.raise_alarm("south-window", priority="medium")
    scene.wait(60)
    scene.clock.at_us += 2 * DAY_US
    scene.wait(180)
    assert "given up, of low priority and older than 6 h: to ola: Low: North bay" in caplog.text
    phone.start()
    mail.start()
    scene.wait(180)
    assert sorted(phone.lines) == sorted(mail.subjects)
    assert sorted(line[:27] for line in phone.lines) == [
        "NOBODY ACKNOWLEDGED: South ",
        "South bay: south-window is ",
    ]
    standings = Counter(d.standing for d in scene.notice.outbox.all())
    assert standings == {"sent": 4, "given up": 4}


def test_late_message_waits_for_the_end_of_quiet_hours(tmp_path: Path, phone: HttpReceiver) -> None:
    person = OLA.replace('"phone", "mail"', '"phone"') + 'quiet = "15:00-17:00"\n'
    scene = Stand(tmp_path, people_text(person))
    phone.stop()
    scene.raise_alarm(priority="medium", stage=None)
    scene.wait(3000, 300)
    phone.start()
    scene.clock.at_us += HOUR_US
    scene.wait(1800, 300)
    assert phone.got == []
    scene.wait(3600, 300)
    assert len(phone.got) == 1
    scene.close()
