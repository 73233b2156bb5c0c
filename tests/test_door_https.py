"""The board process with a certificate, as a browser finds it, and what it refuses to serve.

TLS 1.2 as the least: RFC 9325, 3.1.1 (from memory). The certificate is of the shop's own authority.
"""

from __future__ import annotations

import http.client
import json
import socket
import ssl
import subprocess
import sys
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import DAY_US
from envmon.errors import ServiceError, ShopFileError
from envmon.field.authority_files import Wish, ensure_certificates
from envmon.service.people.certificate import _covers, certificate_words
from envmon.service.people.door import boards_address, ensure_shut
from envmon.service.supervisor import _answers
from envmon.shop.load import load_shop
from envmon_boards.door_server import sockets_of
from tests.benchmarks.broker_trials import free_port
from tests.boards_support import shop_text
from tests.door_support import people_in
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TLS = 'people_file = "people.toml"\ncertificate = "tls/shop.pem"\nkey = "tls/shop.key"\n'
NAMES = 'names = ["air.shop.home.arpa"]\n'


def shop_in(folder: Path, boards: str, host: str = "127.0.0.1", port: int = 8050) -> Path:
    text = shop_text().replace("port = 1883", f"port = {free_port()}")
    text = text.replace("boards_port = 8050", f'boards_port = {port}\nboards_host = "{host}"')
    path = folder / "shop.toml"
    path.write_text(text + (f"\n[boards]\n{boards}" if boards else ""), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("https")
    people_in(made)
    wish = Wish("Kelp Quay", ("air.shop.home.arpa",), ("localhost", "127.0.0.1"), 30)
    ensure_certificates(made / "tls", wish, datetime.now(UTC))
    return made


@contextmanager
def boards(shop: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    argv = [sys.executable, "-m", "envmon_boards", str(shop)]
    process = subprocess.Popen(argv, stderr=subprocess.PIPE)
    try:
        wait_until(lambda: process.poll() is not None or _is_open(port), "the boards")
        yield process
    finally:
        process.terminate()
        process.wait(60)
        assert process.stderr is not None
        process.stderr.close()


def _is_open(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture(scope="module")
def port(folder: Path) -> Iterator[int]:
    chosen = free_port()
    with boards(shop_in(folder, TLS + NAMES, port=chosen), chosen):
        yield chosen


def ask(
    folder: Path, port: int, path: str, body: Any = None, **headers: str
) -> tuple[http.client.HTTPResponse, bytes]:
    trusting = ssl.create_default_context(cafile=folder / "tls" / "ca.pem")
    connection = http.client.HTTPSConnection("localhost", port, timeout=30, context=trusting)
    sent = {"Content-Type": "application/json", "Origin": f"https://localhost:{port}", **headers}
    text = None if body is None else json.dumps(body)
    connection.request("GET" if body is None else "POST", path, text, sent)
    answer = connection.getresponse()
    said = answer.read()
    connection.close()
    return answer, said


def test_who_trusts_the_shop_logs_in_over_tls(folder: Path, port: int) -> None:
    answer, said = ask(folder, port, "/api/v1/login", {"name": "Kari", "secret": "739158"})
    assert (answer.status, json.loads(said)) == (200, {"name": "Kari", "role": "work"})
    sent = answer.headers["Set-Cookie"]
    assert sent.startswith("__Host-envmon=")
    assert "; secure" in sent.lower()
    assert answer.headers["Strict-Transport-Security"] == "max-age=2592000"
    cookie = sent.partition(";")[0]
    who = ask(folder, port, "/api/v1/who", Cookie=cookie)[1]
    assert json.loads(who)["name"] == "Kari"
    assert ask(folder, port, "/api/v1/logout", {}, Cookie=cookie)[0].status == 200
    assert json.loads(ask(folder, port, "/api/v1/who", Cookie=cookie)[1])["name"] == ""


def test_who_does_not_trust_it_is_warned(port: int) -> None:
    connection = http.client.HTTPSConnection("localhost", port, timeout=30)
    with pytest.raises(ssl.SSLCertVerificationError):
        connection.request("GET", "/")
    connection.close()


def test_without_encryption_nothing_is_answered(port: int) -> None:
    connection = http.client.HTTPConnection("localhost", port, timeout=30)
    connection.request("GET", "/healthz")
    with pytest.raises((OSError, http.client.HTTPException)):
        connection.getresponse()
    connection.close()


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
def test_old_encryption_is_refused(folder: Path, port: int) -> None:
    old = ssl.create_default_context(cafile=folder / "tls" / "ca.pem")
    old.set_ciphers("DEFAULT:@SECLEVEL=0")
    old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection(("127.0.0.1", port), 30) as plain,
        pytest.raises((ssl.SSLError, ConnectionError)),
    ):
        old.wrap_socket(plain, server_hostname="localhost")


def test_a_write_from_the_same_host_unencrypted_is_foreign(folder: Path, port: int) -> None:
    body = {"name": "Kari", "secret": "739158"}
    answer, _ = ask(folder, port, "/api/v1/login", body, Origin=f"http://localhost:{port}")
    assert answer.status == 403


def test_names_of_the_shop_file_are_let_in_and_others_not(folder: Path, port: int) -> None:
    for host, status in (("air.shop.home.arpa", 200), ("AIR.shop.home.arpa:8443", 200),
                         ("other.home.arpa", 421)):  # fmt: skip
        assert ask(folder, port, "/login", Host=host)[0].status == status


def test_the_supervisor_hears_that_encrypted_boards_live(port: int) -> None:
    assert _answers(port, encrypted=True)
    assert not _answers(port, encrypted=False)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("", ["people_file", "certificate", "behind_proxy"]),
        (TLS.partition("\n")[0] + "\n" + NAMES, ["certificate"]),
        (TLS.partition("\n")[2] + NAMES, ["people_file"]),
        (TLS, ["names"]),
        ('people_file = "people.toml"\nbehind_proxy = true\n', ["names"]),
    ],
)
def test_another_address_takes_a_shut_door(tmp_path: Path, lines: str, words: list[str]) -> None:
    shop = shop_in(tmp_path, lines, "0.0.0.0")
    with pytest.raises(ShopFileError) as caught:
        load_shop(shop)
    (fault,) = caught.value.faults
    assert fault.path == "shop.boards_host"
    assert all(word in fault.message for word in words)
    assert "or use 127.0.0.1" in fault.message


def test_the_process_itself_refuses_with_exit_2_and_says_what_to_do(tmp_path: Path) -> None:
    shop = shop_in(tmp_path, "", "0.0.0.0")
    for argv in (["envmon_boards", str(shop)], ["envmon.cli", "check", str(shop)],
                 ["envmon.cli", "run", str(shop)]):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", *argv], capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == 2
        assert "envmon people SHOP.toml add NAME --role manage" in done.stderr


def spoil(folder: Path, what: str) -> None:
    tls = folder / "tls"
    if what == "nobody":
        (folder / "people.toml").unlink()
    elif what == "key for all":
        (tls / "shop.key").chmod(0o644)
    elif what == "no certificate":
        (tls / "shop.pem").unlink()
    elif what == "another key":
        (tls / "shop.key").write_bytes((tls / "ca.key").read_bytes())
    elif what == "no PEM":
        (tls / "shop.pem").write_text("not a certificate")
    elif what == "people for all":
        (folder / "people.toml").chmod(0o644)


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("nobody", "role manage, so nobody could put anything right"),
        ("key for all", "chmod 600"),
        ("no certificate", "envmon certificates"),
        ("another key", "envmon certificates"),
        ("no PEM", "envmon certificates"),
        ("people for all", "chmod 600"),
    ],
)
def test_what_does_not_hold_stops_it_before_it_serves(
    tmp_path: Path, what: str, words: str
) -> None:
    people_in(tmp_path)
    ensure_certificates(
        tmp_path / "tls", Wish("Kelp Quay", (), ("localhost",), 30), datetime.now(UTC)
    )
    shop = shop_in(tmp_path, TLS + NAMES)
    assert ensure_shut(load_shop(shop), shop) is not None
    spoil(tmp_path, what)
    with pytest.raises(ServiceError, match=words):
        ensure_shut(load_shop(shop), shop)


def test_an_address_that_is_not_of_this_machine_is_named() -> None:
    with pytest.raises(ServiceError, match="must be an address of this machine"):
        sockets_of("192.0.2.1", free_port())


def test_loopback_is_always_served_for_this_machines_own_screens() -> None:
    port = free_port()
    found = sockets_of("127.0.0.2", port) + sockets_of("localhost", port)
    names = [one.getsockname()[0] for one in found]
    for one in found:
        one.close()
    assert names == ["127.0.0.2", "127.0.0.1"]


@pytest.mark.parametrize(
    ("boards_lines", "host", "address"),
    [
        ("", "127.0.0.1", "http://127.0.0.1:8050/"),
        (TLS + NAMES, "0.0.0.0", "https://air.shop.home.arpa:8050/"),
        (TLS, "192.168.1.20", "https://192.168.1.20:8050/"),
        (TLS, "127.0.0.1", "https://127.0.0.1:8050/"),
        ('people_file = "p"\nbehind_proxy = true\n' + NAMES, "127.0.0.1",
         "https://air.shop.home.arpa/"),
    ],
)  # fmt: skip
def test_a_person_is_told_where_to_look(
    tmp_path: Path, boards_lines: str, host: str, address: str
) -> None:
    assert boards_address(load_shop(shop_in(tmp_path, boards_lines, host))) == address


def said_of(folder: Path, names: str, days: float = 0) -> list[str]:
    shop = shop_in(folder, f"{TLS}names = {names}\n")
    now_us = time.time_ns() // 1_000 + round(days * DAY_US)
    return list(certificate_words(load_shop(shop), shop, now_us))


def test_what_a_browser_would_say_is_said_beforehand(tmp_path: Path) -> None:
    people_in(tmp_path)
    wish = Wish("Kelp Quay", ("air.shop.home.arpa",), ("localhost",), 90)
    ensure_certificates(tmp_path / "tls", wish, datetime.now(UTC))
    assert said_of(tmp_path, '["air.shop.home.arpa", "LOCALHOST"]') == []
    (other,) = said_of(tmp_path, '["wall.shop.home.arpa"]')
    assert "not for wall.shop.home.arpa" in other
    assert "--host wall.shop.home.arpa" in other
    assert "runs out soon" in said_of(tmp_path, "[]", 70)[0]
    assert "has run out" in said_of(tmp_path, "[]", 91)[0]


@pytest.mark.parametrize(
    ("pattern", "name", "covered"),
    [
        ("*.shop.example", "air.shop.example", True),
        ("*.shop.example", "shop.example", False),
        ("*.shop.example", "a.b.shop.example", False),
        ("192.168.1.20", "192.168.1.20", True),
    ],
)
def test_a_star_stands_for_one_part(pattern: str, name: str, covered: bool) -> None:  # noqa: FBT001
    assert _covers(pattern, name) is covered
