"""Connections that keep the boards waiting are closed, and too many are not let in."""

from __future__ import annotations

import asyncio
import http.client
import socket
import threading
import time
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from starlette.responses import StreamingResponse

from envmon.field.authority_files import Wish, ensure_certificates
from envmon.shop.boards import is_loopback
from envmon_boards import door_patience
from envmon_boards.app import build_app
from envmon_boards.door_patience import MOST, MOST_OF_ONE, has_room
from envmon_boards.door_server import server_of, sockets_of
from tests.benchmarks.broker_trials import free_port
from tests.boards_support import shop_text, stand_of
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

    from starlette.types import ASGIApp

HEAD = b"POST /api/v1/login HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"


@contextmanager
def served(app: ASGIApp, pair: tuple[Path, Path] | None = None) -> Iterator[int]:
    """Serve an application as the boards do, on a port of loopback."""
    port = free_port()
    server, sockets = server_of(app, pair), sockets_of("127.0.0.1", port)
    thread = threading.Thread(target=server.run, args=(sockets,), daemon=True)
    thread.start()
    try:
        wait_until(lambda: server.started, "the server")
        yield port
    finally:
        server.should_exit = True
        thread.join(30)


@pytest.fixture
def port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    monkeypatch.setattr(door_patience, "LOOK_EVERY_S", 0.1)
    monkeypatch.setattr(door_patience, "ASKING_S", 1.0)
    monkeypatch.setattr(door_patience, "READING_S", 1.0)
    with served(build_app(stand_of(tmp_path, shop_text()).boards)) as port:
        yield port


def opened(port: int, text: bytes = b"") -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), 30)
    connection.sendall(text)
    return connection


def rest_of(connection: socket.socket) -> bytes:
    """Return everything that comes until the other side closes; it must."""
    parts = []
    try:
        while part := connection.recv(65_536):
            parts.append(part)
    except ConnectionError:
        pass
    return b"".join(parts)


def status(port: int, path: str = "/healthz") -> int:
    asking = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        asking.request("GET", path)
        return asking.getresponse().status
    finally:
        asking.close()


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: loc",
        HEAD + b"Content-Length: 400\r\n\r\n{",
    ],
    ids=["nothing", "half a head", "half a body"],
)
def test_what_sends_too_slowly_is_closed_while_others_are_answered(port: int, text: bytes) -> None:
    with ExitStack() as held:
        slow = [held.enter_context(opened(port, text)) for _ in range(20)]
        begun = time.monotonic()
        assert status(port) == 503  # no watch is there; that is an answer

        said = [rest_of(one) for one in slow]

    assert all(b" 200 " not in one for one in said)
    assert time.monotonic() - begun >= 0.9


def test_a_head_that_is_fed_byte_by_byte_gains_no_time(port: int) -> None:
    ended = threading.Event()
    with opened(port, b"GET / HTTP/1.1\r\nX: ") as slow:

        def feed() -> None:
            try:
                while not ended.wait(0.1):
                    slow.sendall(b"x")
            except OSError:
                ended.set()

        thread = threading.Thread(target=feed)
        thread.start()
        wait_until(ended.is_set, "the connection to be closed", 30)
        thread.join()


def test_who_begins_no_encryption_is_closed_as_soon_as_who_sends_no_head(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a word of it the loop waits for 60 s, and each that waits takes a file."""
    monkeypatch.setattr(door_patience, "ASKING_S", 0.5)
    wish = Wish("Kelp Quay", (), ("localhost", "127.0.0.1"), 30)
    ensure_certificates(tmp_path / "tls", wish, datetime.now(UTC))
    pair = (tmp_path / "tls/shop.pem", tmp_path / "tls/shop.key")
    app = build_app(stand_of(tmp_path, shop_text()).boards)
    with served(app, pair) as port, ExitStack() as held:
        begun = time.monotonic()
        for silent in [held.enter_context(opened(port, text)) for text in (b"", b"\x16\x03")]:
            rest_of(silent)
    assert 0.4 <= time.monotonic() - begun < 20


MUCH = {
    "lines": b"GET /login HTTP/1.1\r\nHost: localhost\r\n" + b"a:\r\n" * 10_000 + b"\r\n",
    "pieces": HEAD + b"Transfer-Encoding: chunked\r\n\r\n" + b"1\r\n{\r\n" * 5_000,
    "both lengths": HEAD + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    "address": b"GET /" + b"%41/" * 3_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
}


@pytest.mark.parametrize("text", MUCH.values(), ids=MUCH)
def test_what_costs_more_work_than_it_is_long_is_refused_before_the_work(
    port: int, text: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """10 000 lines, or pieces, took 0.2 to 0.4 s of the one loop that answers every screen."""
    begun = time.process_time()
    for _ in range(5):
        with opened(port, text) as asking:
            assert b" 400 " in rest_of(asking)[:20]
    assert time.process_time() - begun < 0.4
    assert caplog.text == ""


def test_nonsense_behind_a_good_beginning_leaves_no_page_in_the_log(
    port: int, caplog: pytest.LogCaptureFixture
) -> None:
    """The rest of a second request comes while the first is being answered."""
    good = b"POST /api/v1/login HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2\r\n\r\n{}"
    for nonsense in (b"\x00\x01 ?\r\n\r\n", b"GET  /  HTTP/9\r\n\r\n", b"x" * 70_000):
        with opened(port, good + nonsense) as asking:
            rest_of(asking)
    assert status(port) == 503
    assert caplog.text == ""


def test_a_head_without_end_is_refused(port: int) -> None:
    with opened(port, b"GET / HTTP/1.1\r\n") as asking:
        try:
            for number in range(2_000):
                asking.sendall(b"X-%d: %s\r\n" % (number, b"x" * 1_000))
        except ConnectionError:
            return
        assert b" 400 " in rest_of(asking)


def test_a_body_without_end_is_refused(port: int) -> None:
    head = HEAD + b"Origin: http://localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
    with opened(port, head) as asking:
        said = b""
        try:
            for _ in range(2_000):
                asking.sendall(b"1000\r\n" + b"x" * 4_096 + b"\r\n")
        except ConnectionError:
            return
        said = rest_of(asking)
    assert b" 413 " in said or b" 4" in said[:20]


def test_too_many_connections_are_told_so_and_room_comes_back(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(door_patience, "MOST", 10)
    monkeypatch.setattr(door_patience, "ASKING_S", 60.0)
    with ExitStack() as held:
        for _ in range(10):
            held.enter_context(opened(port, b"GET"))
        assert status(port) == 503
        with opened(port) as eleventh:
            assert rest_of(eleventh).startswith(b"HTTP/1.1 503 Service Unavailable")
    wait_until(lambda: status(port, "/login") != 503, "room", 30)


def test_one_address_takes_no_other_its_room() -> None:
    here, there, other = "127.0.0.1", "192.0.2.7", "192.0.2.8"  # RFC 5737: addresses of nobody
    assert is_loopback(here)

    assert has_room(there, [there] * (MOST_OF_ONE - 1))
    assert not has_room(there, [there] * MOST_OF_ONE)
    assert has_room(other, [there] * MOST_OF_ONE)
    assert not has_room(other, [f"192.0.2.{n // MOST_OF_ONE}" for n in range(MOST)])
    assert has_room(here, [f"192.0.2.{n // MOST_OF_ONE}" for n in range(MOST)])
    network = [f"2001:db8::{n:x}" for n in range(MOST_OF_ONE)]  # RFC 3849
    assert not has_room("2001:db8::ffff", network)
    assert has_room("2001:db8:0:1::1", network)
    assert has_room(here, [here] * (MOST - 1))
    assert not has_room(here, [here] * MOST)


async def endless() -> AsyncIterator[bytes]:
    """Answer without end, as a stream to a screen does, only faster."""
    while True:
        yield b"x" * 65_536
        await asyncio.sleep(0)


def test_who_never_reads_an_answer_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door_patience, "LOOK_EVERY_S", 0.1)
    monkeypatch.setattr(door_patience, "READING_S", 1.0)
    app = StreamingResponse(endless())
    with (
        served(app) as port,
        opened(port, b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n") as deaf,
    ):

        def gone() -> bool:
            try:
                deaf.sendall(b"x")
            except ConnectionError:
                return True
            return False

        wait_until(gone, "the connection to be closed", 30)
