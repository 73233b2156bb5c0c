"""What every answer goes out with, errors too: no foreign script, no frame, no copy kept of data.

Content Security Policy level 3 (W3C), RFC 6797 (HSTS), RFC 9111 (no-store), RFC 9110 (Referer).
"""

from __future__ import annotations

import base64
import hashlib
import re
from typing import TYPE_CHECKING

import pytest

from envmon.errors import StoreError
from envmon_boards import api
from envmon_boards.door import MOST_SENT
from tests.door_support import BOARDS, HERE, Asker, door_stand
from tests.test_door_routes import FILLED, WITHOUT_ROW, routes_of

if TYPE_CHECKING:
    from pathlib import Path

    from tests.door_support import Answer

STATIC = ("/assets/", "/static/", "/_dash-component-suites/", "/_favicon.ico")


@pytest.fixture(scope="module")
def asker(tmp_path_factory: pytest.TempPathFactory) -> Asker:
    return Asker(door_stand(tmp_path_factory.mktemp("headers")).boards)


@pytest.fixture(scope="module")
def cookie(asker: Asker) -> str:
    return asker.log_in("Ola Nordahl").cookie


def policy(answer: Answer) -> dict[str, list[str]]:
    parts = answer.headers["content-security-policy"].split(";")
    return {words[0]: words[1:] for words in (part.split() for part in parts)}


def check(answer: Answer, path: str) -> None:
    """Hold an answer to what all of them go out with."""
    rules = policy(answer)
    assert rules["default-src"] == ["'none'"]
    assert rules["frame-ancestors"] == rules["base-uri"] == ["'none'"]
    for kind in ("script-src", "default-src", "connect-src"):
        allowed = rules.get(kind, [])
        assert not {"'unsafe-inline'", "'unsafe-eval'", "*", "https:", "http:", "data:"} & {
            *allowed
        }
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["x-frame-options"] == "DENY"
    assert answer.headers["referrer-policy"] in {"same-origin", "no-referrer"}
    assert answer.headers["cross-origin-opener-policy"] == "same-origin"
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert "camera=()" in answer.headers["permissions-policy"]
    assert "server" not in answer.headers
    if not path.startswith(STATIC):
        assert "no-store" in answer.headers["cache-control"], path


def test_every_route_for_everybody(asker: Asker, cookie: str) -> None:
    for method, pattern in routes_of(asker.app.routes):
        if pattern in WITHOUT_ROW or pattern == "/api/v1/logout":
            continue
        path = re.sub(r"\{([^}]+)\}", lambda found: FILLED[found[1]], pattern)
        for who in (cookie, ""):
            body: dict[str, str] | None = {} if method == "POST" else None
            check(asker.ask(method, path, body, cookie=who), path)


@pytest.mark.parametrize(
    ("method", "path", "headers", "status"),
    [
        ("GET", "/", {"host": "shop.example"}, 421),
        ("GET", "/", {"x-forwarded-for": "192.0.2.1"}, 421),
        ("GET", "/api/v1/bays", {}, 401),
        ("GET", "/alarms", {}, 303),
        ("POST", "/api/v1/demo", {"origin": "https://shop.example"}, 403),
        ("POST", "/api/v1/demo", {"content-type": "text/plain"}, 415),
        ("GET", "/assets/none.js", {}, 404),
        ("PUT", "/healthz", {}, 401),
    ],
)
def test_every_refusal(
    asker: Asker, method: str, path: str, headers: dict[str, str], status: int
) -> None:
    answer = asker.ask(method, path, headers=headers)
    assert answer.status == status
    check(answer, path)


def test_a_failure_of_ours_says_nothing_of_the_inside(
    asker: Asker, cookie: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(_self: object, _bay: str) -> None:
        raise RuntimeError("the inside: /srv/data/notice.key")

    monkeypatch.setattr(api._Answers, "bay", fail)
    answer = asker.ask("GET", "/api/v1/bays/north", cookie=cookie)
    assert (answer.status, answer.document) == (
        500, {"error": "this failed on the server; its log says more"},
    )  # fmt: skip
    check(answer, "/api")
    assert "notice.key" in caplog.text


def test_a_disk_that_fails_lets_nobody_in(
    asker: Asker, cookie: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_all: object) -> None:
        raise StoreError("/srv/data/door.sqlite3 fails")

    monkeypatch.setattr("envmon_boards.door_session.Sessions.person", fail)
    answer = asker.ask("GET", "/api/v1/bays", cookie=cookie)
    assert answer.status == 503
    assert b"/srv" not in answer.body
    check(answer, "/api")


def test_too_long_a_body_is_not_read_to_its_end(asker: Asker, cookie: str) -> None:
    for path in ("/api/v1/demo", "/api/v1/login", "/api/v1/alarms/x/acknowledge"):
        answer = asker.ask("POST", path, b"x" * (MOST_SENT + 1), cookie=cookie)
        assert answer.status in {404, 405, 413}
        check(answer, path)
    assert asker.ask("POST", "/api/v1/login", b"x" * (MOST_SENT + 1)).status == 413


def test_the_only_script_in_a_page_is_the_one_whose_hash_is_allowed(
    asker: Asker, cookie: str
) -> None:
    answer = asker.ask("GET", "/", cookie=cookie)
    shown = re.sub(r"<!--.*?-->", "", answer.body.decode(), flags=re.DOTALL)
    inline = re.findall(r"<script([^>]*)>([^<]+)</script>", shown)
    scripts = [text for attributes, text in inline if "application/json" not in attributes]
    hashes = {
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
        for text in scripts
    }
    assert len(hashes) == 1
    assert {*policy(answer)["script-src"]} == {"'self'", *hashes}


def test_a_board_takes_style_sheets_of_its_own_and_known_ones_only(
    asker: Asker, cookie: str
) -> None:
    rules = policy(asker.ask("GET", "/", cookie=cookie))
    assert rules["style-src-elem"][0] == "'self'"
    assert all(one.startswith("'sha256-") for one in rules["style-src-elem"][1:])
    empty = base64.b64encode(hashlib.sha256(b"").digest()).decode()
    assert f"'sha256-{empty}'" in rules["style-src-elem"]


@pytest.mark.parametrize("path", ["/login", "/ack/x"])
def test_pages_that_are_no_board_allow_no_style_of_their_own_either(
    asker: Asker, path: str
) -> None:
    answer = asker.ask("GET", path)
    assert policy(answer)["style-src"] == ["'self'"]
    assert "<style" not in answer.body.decode()
    assert " style=" not in answer.body.decode()


def test_a_record_opened_as_a_page_runs_nothing(asker: Asker, cookie: str) -> None:
    rules = policy(asker.ask("GET", "/api/v1/jobs/x/record.html", cookie=cookie))
    assert "script-src" not in rules
    assert "sandbox" in rules


def test_an_acknowledge_link_is_told_to_no_other_page(asker: Asker) -> None:
    assert asker.ask("GET", "/ack/x").headers["referrer-policy"] == "no-referrer"


def test_encryption_is_asked_for_again_only_where_there_is_one(
    asker: Asker, tmp_path: Path
) -> None:
    assert "strict-transport-security" not in asker.ask("GET", "/login").headers
    behind = Asker(door_stand(tmp_path, f"{BOARDS}behind_proxy = true\n").boards)
    told = behind.ask("GET", "/login", client=HERE).headers["strict-transport-security"]
    assert re.fullmatch(r"max-age=\d{6,}", told)


def test_behind_a_proxy_nobody_is_here_and_waits_go_by_who_the_proxy_saw(tmp_path: Path) -> None:
    behind = Asker(door_stand(tmp_path, f"{BOARDS}behind_proxy = true\n").boards)
    assert behind.ask("GET", "/api/v1/bays", client=HERE).status == 401
    through = {"x-forwarded-for": "192.0.2.1, 198.51.100.9"}
    for number in range(10):
        told = behind.log_in(f"name {number}", "111111", client=HERE, headers=through)
        assert told.status == 401
    made_up = {"x-forwarded-for": "203.0.113.77, 198.51.100.9"}
    assert behind.log_in("x", "111111", client=HERE, headers=made_up).status == 429
    other = {"x-forwarded-for": "198.51.100.10"}
    assert behind.log_in("x", "111111", client=HERE, headers=other).status == 401
    past_it = behind.log_in("y", "111111", client="198.51.100.9", headers=other)
    assert past_it.status == 429
