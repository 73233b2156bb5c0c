"""Text from outside makes no second line in a log, moves no cursor, and tells no secret.

CWE-117 (output neutralization for logs) and CWE-150 (escape sequences), from memory; the escapes
tried are of ECMA-48 and xterm.
"""

from __future__ import annotations

import io
import logging
import re
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import HOUR_US
from envmon.service.notice.ack_link import Ticket, ensure_key, link_of
from envmon.service.notice.channels import scrubbed
from envmon.service.now import Now, print_now
from envmon.service.plain_log import PlainFormatter, plain
from envmon_boards.feed import LiveFeed
from tests.benchmarks.broker_trials import free_port
from tests.boards_support import NOW_US, shop_text, stand_of
from tests.door_support import HERE, Asker
from tests.mosquitto_support import wait_until
from tests.test_door_https import _is_open
from tests.test_inert_paths import raw

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

EVIL = (
    "a\nenvmon.watch: alarm north-window: acknowledged", "a\r\nb", "\x1b[2J\x1b[H",
    "\x1b]0;title\x07",
    "\x1b]8;;http://shop.example\x1b\\x", "\x9b31m", "a\x08\x08\x08", "\u202egnp.exe", "a\u2028b",
    "\x00", "a\x85b", "\x7f",
)  # fmt: skip
OBEYED = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


@pytest.fixture
def kept() -> Iterator[io.StringIO]:
    """A log as every process of a shop writes it."""
    text = io.StringIO()
    handler = logging.StreamHandler(text)
    handler.setFormatter(PlainFormatter("%(name)s: %(message)s"))
    log = logging.getLogger("envmon")
    log.addHandler(handler)
    yield text
    log.removeHandler(handler)


@pytest.mark.parametrize("evil", EVIL, ids=ascii)
def test_a_message_stays_one_line(kept: io.StringIO, evil: str) -> None:
    logging.getLogger("envmon.watch").warning("cannot decode a message on %s", evil)
    said = kept.getvalue()
    assert said.count("\n") == 1
    assert len(said.splitlines()) == 1
    assert not OBEYED.search(said)


@pytest.mark.parametrize("evil", EVIL, ids=ascii)
def test_a_trace_obeys_nothing_either(kept: io.StringIO, evil: str) -> None:
    try:
        raise RuntimeError(evil)  # noqa: TRY301 - what is caught is what is tested
    except RuntimeError:
        logging.getLogger("envmon.boards").exception("it failed")
    assert not OBEYED.search(kept.getvalue().replace("\t", ""))


@given(st.text(max_size=80))
def test_plain_text_is_one_line_and_ordinary_text_is_left_alone(text: str) -> None:
    told = plain(text)
    assert len(told.splitlines()) <= 1
    if not OBEYED.search(text) and "\n" not in text:
        assert told == text


@pytest.mark.parametrize("evil", EVIL[:4], ids=ascii)
def test_what_the_broker_sends_the_boards(kept: io.StringIO, evil: str) -> None:
    LiveFeed().take(f"envmon/{evil}/state", f"{evil} is no JSON".encode())
    LiveFeed().take("envmon/north/state", b"[" * 40 + evil.encode())
    assert len(kept.getvalue().splitlines()) == kept.getvalue().count("\n")
    assert not OBEYED.search(kept.getvalue())


def test_a_link_to_acknowledge_is_not_in_the_log(kept: io.StringIO) -> None:
    token = "WyJvbGEiLDE3Njk1NTg3MDBd.c2lnbmF0dXJl"
    logging.getLogger("envmon.boards").error("GET /ack/%s HTTP/1.1 failed", token)
    logging.getLogger("envmon.boards").error("https://air.shop.example/ack/%s", token)
    assert token not in kept.getvalue()
    assert kept.getvalue().count("/ack/…") == 2


def test_a_failing_link_does_not_log_itself(
    kept: io.StringIO, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boards = stand_of(tmp_path).boards
    asker = Asker(boards)
    link = link_of(
        "", ensure_key(tmp_path), Ticket("ola", NOW_US + HOUR_US, (("north-window", 1),))
    )

    def fail(*_all: object) -> None:
        raise RuntimeError(f"asked for {link}")

    monkeypatch.setattr("envmon_boards.ack_api.ticket_of", fail)
    answer = asker.ask("GET", link, client=HERE, headers={"host": "localhost"})
    assert answer.status == 500
    assert link not in answer.body.decode()
    assert "a request failed: GET" in kept.getvalue()
    assert link.rpartition("/")[2] not in kept.getvalue()


def test_the_board_process_logs_no_address_and_no_cookie(tmp_path: Path) -> None:
    """The real process: neither what is asked of it nor nonsense on its port leaves a secret."""
    port = free_port()
    shop = tmp_path / "shop.toml"
    text = shop_text().replace("port = 1883", f"port = {free_port()}")
    shop.write_text(text.replace("boards_port = 8050", f"boards_port = {port}"), encoding="utf-8")
    token = link_of("", ensure_key(tmp_path / "data"), Ticket("ola", NOW_US, ())).rpartition("/")[2]
    with (tmp_path / "stderr").open("wb") as stderr:
        process = subprocess.Popen(
            [sys.executable, "-m", "envmon_boards", str(shop)], stderr=stderr
        )
        try:
            wait_until(lambda: _is_open(port), "the boards")
            assert b" 410 " in raw(port, f"/ack/{token}")
            assert raw(port, "/api/v1/bays?secret=in-the-address")
            raw(port, "/\x1b[2Jbad address with spaces and in-the-address")
        finally:
            process.terminate()
            process.wait(60)
    said = (tmp_path / "stderr").read_text(encoding="utf-8")
    assert token not in said
    assert "in-the-address" not in said
    assert not OBEYED.search(said.replace("\t", ""))


@pytest.mark.parametrize("evil", EVIL, ids=ascii)
def test_a_terminal_obeys_no_topic_and_no_foreign_server(
    capsys: pytest.CaptureFixture[str], evil: str
) -> None:
    print_now(Now([], "Europe/Oslo", 3, evil))
    assert not OBEYED.search(capsys.readouterr().out)
    assert not OBEYED.search(scrubbed(f"550 {evil} refused", "mailto://kari:x@mail.example"))
