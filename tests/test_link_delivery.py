"""The link against a real Mosquitto: what is acknowledged, what comes again, what comes back.

Source of what is expected: MQTT 3.1.1 (OASIS Standard, 29 October 2014), sections named at each
check.
"""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.intake.link import BATCH, BrokerLink, Message, Will
from envmon.service.broker import LOOPBACK
from tests.benchmarks.broker_trials import free_port
from tests.link_support import wait_up
from tests.mosquitto_support import NEEDS_MOSQUITTO, Ear, Mosquitto, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


def link_to(broker: Mosquitto, *, up: bool = True) -> BrokerLink:
    link = BrokerLink(LOOPBACK, broker.port, "test-link", ["bay/+/air"])
    if up:
        wait_up(link)
    return link


def taken(link: BrokerLink, count: int) -> list[Message]:
    """Take until ``count`` messages have come; nothing is acknowledged."""
    got: list[Message] = []
    wait_until(
        lambda: len(got) >= count, f"{count} messages", 20, lambda: got.extend(link.take(0.1))
    )
    return got


def numbers(messages: list[Message]) -> list[int]:
    return [int(message.payload) for message in messages]


# A holder in a process of its own, so that kill -9 is what it says; acknowledges even numbers.
HOLDER = """
import sys
from envmon.intake.link import BrokerLink
from tests.link_support import wait_up
link = BrokerLink("127.0.0.1", int(sys.argv[1]), "test-link", ["bay/+/air"])
wait_up(link)
print("up", flush=True)
while True:
    for message in link.take(0.1):
        if int(message.payload) % 2 == 0:
            link.acknowledge([message])
        print(message.payload.decode(), flush=True)
"""


def test_after_kill_9_the_unacknowledged_come_again_and_no_others(broker: Mosquitto) -> None:
    """Section 4.4: unacknowledged QoS 1 messages are sent again when CleanSession is 0."""
    argv = [sys.executable, "-c", HOLDER, str(broker.port)]
    with subprocess.Popen(argv, stdout=subprocess.PIPE, text=True) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == "up\n"
            for number in range(6):
                broker.publish("bay/1/air", str(number))
            assert [int(holder.stdout.readline()) for _ in range(6)] == list(range(6))
        finally:
            holder.kill()
    broker.publish("bay/1/air", "99")
    link = link_to(broker)
    got = taken(link, 4)
    assert numbers(got) == [1, 3, 5, 99]
    link.acknowledge(got)
    link.close()


def test_acknowledged_messages_do_not_come_again(broker: Mosquitto) -> None:
    first = link_to(broker)
    broker.publish("bay/1/air", "1")
    first.acknowledge(taken(first, 1))
    first.close()
    second = link_to(broker)
    broker.publish("bay/1/air", "2")
    assert numbers(taken(second, 1)) == [2]
    second.close()


def test_session_waits_for_a_link_that_is_away(broker: Mosquitto) -> None:
    """Section 3.1.2.4: the server stores QoS 1 messages for a disconnected session."""
    link_to(broker).close()
    for number in range(5):
        broker.publish("bay/1/air", str(number))
    back = link_to(broker)
    assert numbers(taken(back, 5)) == list(range(5))
    back.close()


def test_broker_started_again_is_found_and_subscribed_again(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """The broker's memory is thrown away, so only a new subscription can bring the message."""
    link = link_to(broker)
    broker.stop()
    wait_until(lambda: not link.up, "the loss to be noticed", 20, lambda: link.take(0.05))
    assert link.last_error != ""
    (tmp_path / "mosquitto.db").unlink()
    broker.start()
    wait_until(lambda: link.up, "the link to come back", 40, lambda: link.take(0.05))
    assert link.last_error == ""
    broker.publish("bay/1/air", "7", "-r")
    assert numbers(taken(link, 1)) == [7]
    link.close()


def test_acknowledgement_of_an_earlier_connection_is_left_alone(broker: Mosquitto) -> None:
    """What came before the loss is sent again, so its old message id means nothing any more."""
    link = link_to(broker)
    broker.publish("bay/1/air", "1")
    (old,) = taken(link, 1)
    broker.stop()
    wait_until(lambda: not link.up, "the loss to be noticed", 20, lambda: link.take(0.05))
    link.acknowledge([old])
    broker.start()
    (again,) = taken(link, 1)
    assert (again.payload, again.connection) == (b"1", old.connection + 1)
    link.acknowledge([old])
    link.close()
    back = link_to(broker)
    got = taken(back, 1)
    assert numbers(got) == [1]
    back.acknowledge(got)
    back.close()


DOOMED = """
import sys
from envmon.intake.link import BrokerLink, Will
from tests.link_support import wait_up
link = BrokerLink("127.0.0.1", int(sys.argv[1]), "doomed", [], Will("will/doomed", b"gone"))
wait_up(link)
if sys.argv[2] == "close":
    link.close()
print("done", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize(("how", "expected"), [("kill", b"gone"), ("close", None)])
def test_last_will_is_said_after_a_kill_and_not_after_a_goodbye(
    broker: Mosquitto, how: str, expected: bytes | None
) -> None:
    """Sections 3.1.2.5 and 3.14.4: the will is discarded on DISCONNECT; here it is retained."""
    argv = [sys.executable, "-c", DOOMED, str(broker.port), how]
    with subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as doomed:
        assert doomed.stdout is not None
        assert doomed.stdout.readline() == "done\n"
        doomed.kill()
    with Ear(broker.port, "#") as ear:
        if expected is None:
            broker.publish("end", "end")
            wait_until(lambda: ear.newest("end"), "the message behind it")
        else:
            wait_until(lambda: ear.newest("will/doomed"), "the last will")
        assert ear.newest("will/doomed") == expected


def test_a_flood_comes_in_batches_and_in_order(broker: Mosquitto) -> None:
    link_to(broker).close()
    text = "".join(f"{number}\n" for number in range(2500))
    argv = ["mosquitto_pub", "-p", str(broker.port), "-q", "0", "-t", "bay/1/air", "-l"]
    link = link_to(broker)
    subprocess.run(argv, input=text, text=True, check=True, timeout=20)
    got: list[int] = []
    while len(got) < 2500:
        batch = taken(link, 1)
        assert len(batch) <= BATCH
        got += numbers(batch)
    assert got == list(range(2500))
    link.close()


def test_no_broker_is_said() -> None:
    port = free_port()
    link = BrokerLink(LOOPBACK, port, "test-link", ["a"], Will("w", b""))
    wait_until(lambda: "refused" in link.last_error, "the refusal", 20, lambda: link.take(0.05))
    assert not link.up
    assert link.take(0) == []
    assert link.publish("t", b"x") is False
    link.close()
