"""No text in an address leads to a file that is not meant, and none becomes a header.

Ways round a check: OWASP path traversal notes (from memory); RFC 3986, 3.3 and 5.2.4 on dots.
"""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING
from urllib.parse import unquote

import pytest

from envmon.clock import ManualClock
from envmon.errors import EnvmonError
from envmon.service.record.make import Wish
from envmon.service.record.make import record as write_record
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, Stand, shop_text, stand_of
from tests.door_support import HERE, Asker, door_stand

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

UP = ("..", "%2e%2e", ".%2e", "..%2f..", "%2e%2e%2f", "..\\", "%5c..%5c", "....//", "%252e%252e")
SECRET = "this stands in no answer"


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "notice.key"
    path.write_text(SECRET)
    return path


@pytest.fixture(scope="module")
def asker(tmp_path_factory: pytest.TempPathFactory) -> Asker:
    return Asker(door_stand(tmp_path_factory.mktemp("paths")).boards)


def addresses(secret: Path) -> Iterator[str]:
    target = str(secret).lstrip("/")
    for up in UP:
        many = "/".join([up] * 12)
        for begin in ("/assets", "/assets/fonts", "/static", "/_dash-component-suites/dash",
                      "/_dash-component-suites", "/_favicon.ico", "/login"):  # fmt: skip
            yield f"{begin}/{many}/{target}"
        yield f"/assets/{up}/door_assets/login.js"
        yield f"/assets/{up}/app.py"
        yield f"/api/v1/jobs/{up}%2fnotice.key/record.json"
        yield f"/api/v1/jobs/{many}/{target}/record.html"
    yield f"/assets//{target}"
    yield f"/assets/%2f{target}"
    yield "/assets/app.py%00.js"
    yield "/assets/\x00"


def test_no_address_leads_out_of_the_assets(stand_at: Stand, secret: Path) -> None:
    """Sent as they are, since clients put dots right beforehand."""
    for address in addresses(secret):
        said = raw(stand_at.port, address)
        assert SECRET.encode() not in said, address
        assert b"def build_app" not in said, address
        assert b"Logs a person in" not in said, address
        assert said.startswith(b"HTTP/1.1 "), address
        assert b" 500 " not in said.partition(b"\r\n")[0] or "/_dash-" in address, address


@pytest.fixture
def stand_at(tmp_path: Path) -> Iterator[Stand]:
    with stand_of(tmp_path).serving() as serving:
        yield serving


def raw(port: int, address: str) -> bytes:
    """Return the answer to an address that nobody tidies on its way."""
    with socket.create_connection(("127.0.0.1", port), 20) as connection:
        head = f"GET {address} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
        connection.sendall(head.encode("latin-1"))
        said = b""
        while part := connection.recv(65_536):
            said += part
    return said


JOBS = ("../../etc/passwd", "..", "x/../y", "x\r\nSet-Cookie: a=b", 'x"; filename="y.exe', "\x00",
        "'; DROP TABLE event; --", "%00", "a" * 5_000)  # fmt: skip


def papers(folder: Path) -> list[Path]:
    return sorted(path for path in folder.parent.rglob("*") if path.suffix in {".json", ".pdf"})


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.parametrize("form", ["json", "html", "pdf"])
def test_a_job_nobody_opened_names_no_file(asker: Asker, job: str, form: str) -> None:
    cookie = asker.log_in("Kari").cookie
    before = papers(asker.boards.folder)
    answer = asker.ask("GET", f"/api/v1/jobs/{unquote(job)}/record.{form}", cookie=cookie)
    assert answer.status in {200, 404}
    assert answer.status == 404 or b"<!DOCTYPE html>" in answer.body  # a path of no route: a page
    assert "set-cookie" not in answer.headers
    assert "filename" not in answer.headers.get("content-disposition", "")
    assert papers(asker.boards.folder) == before


@pytest.mark.parametrize("job", JOBS)
def test_a_record_is_written_where_it_was_asked_and_nowhere_else(tmp_path: Path, job: str) -> None:
    shop = tmp_path / "shop.toml"
    shop.write_text(shop_text(), encoding="utf-8")
    SqliteStore(tmp_path / "data").close()
    before = {path for path in tmp_path.rglob("*") if "sqlite3" not in path.name}
    with pytest.raises(EnvmonError):
        write_record(
            Wish(shop, job, tmp_path / "out.json", None, force=False), ManualClock(NOW_US), print
        )
    assert {path for path in tmp_path.rglob("*") if "sqlite3" not in path.name} == before


@pytest.mark.parametrize("bay", ["../north", "north\r\nX: y", 'north"', "\x00", "north/.."])
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_is_named_after_a_bay_that_is_there(asker: Asker, bay: str, form: str) -> None:
    query = f"bay={bay}&from_ms=0&to_ms=1000&quantities=air_temp_c&format={form}"
    answer = asker.ask("GET", f"/api/v1/history/export?{query}", client=HERE)
    assert answer.status in {404, 422}
    assert "content-disposition" not in answer.headers
    assert "x" not in answer.headers


@pytest.mark.parametrize("path", ["//shop.example/", "//shop.example/%2e%2e", "/\\shop.example"])
def test_no_address_sends_a_browser_elsewhere(asker: Asker, path: str) -> None:
    answer = asker.ask("GET", path)
    where = answer.headers.get("location", "")
    assert where.startswith("/login?next=")
    assert not where.startswith("//")
