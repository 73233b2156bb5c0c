"""Every address of the boards against every role; a new one without a row in the table fails here.

That what is not allowed is refused by default: OWASP ASVS 4.0, 4.1.5 and 4.1.3 (from memory).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

from envmon.service.people.book import ROLES
from envmon_boards.app import build_app
from envmon_boards.door_roles import READING, ROUTES, needed_for
from tests.boards_support import stand_of
from tests.door_support import HERE, NAME, SECRETS, STRANGER, Asker, door_stand

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FILLED = {
    "bay_id": "north", "alarm": "north-window", "act": "acknowledge", "job_id": "260127-1",
    "token": "x", "kind": "ratio", "package_name": "dash_html_components",
    "fingerprinted_path:path": "none.js", "path:path": "look_a_tokens.css",
}  # fmt: skip
WITHOUT_ROW = {
    "/_dash-ws-callback": "a websocket: the door closes every one",
    "{path:path}": "Dash's page for every other path: reading takes look",
}


def routes_of(routes: Any) -> Iterator[tuple[str, str]]:
    """Yield method and path of every route, those of included routers too."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from routes_of(inner.routes)
        elif getattr(route, "methods", None):
            yield from ((method, route.path) for method in route.methods if method != "HEAD")
        else:
            mounted = type(route).__name__ == "Mount"
            yield "GET", f"{route.path}/{{path:path}}" if mounted else route.path


@pytest.fixture(scope="module")
def asker(tmp_path_factory: pytest.TempPathFactory) -> Asker:
    return Asker(door_stand(tmp_path_factory.mktemp("door")).boards)


@pytest.fixture(scope="module")
def cookies(asker: Asker) -> dict[str, str]:
    return {"": "", **asker.cookies()}


def test_every_route_has_its_row(asker: Asker) -> None:
    known = {(method, path) for method, path, _ in ROUTES}
    there = {pair for pair in routes_of(asker.app.routes) if pair[1] not in WITHOUT_ROW}
    assert len(there) > 35
    assert there - known == set()


def test_the_demo_adds_nothing_without_a_row(tmp_path: Path) -> None:
    boards = stand_of(tmp_path).boards
    object.__setattr__(boards, "source", object())
    known = {(method, path) for method, path, _ in ROUTES}
    there = {pair for pair in routes_of(build_app(boards).routes) if pair[1] not in WITHOUT_ROW}
    assert ("POST", "/api/v1/demo") in there
    assert there - known == set()


def test_nothing_that_writes_is_open_but_the_door_itself() -> None:
    writing = {path for method, path, needed in ROUTES if method != "GET" and needed == "nobody"}
    assert writing == {"/api/v1/login", "/api/v1/logout", "/ack/{token}"}


def test_what_strangers_are_answered_is_small(asker: Asker) -> None:
    """A line of asking must not bring them megabytes; the log-in's own page needs none."""
    for method, pattern, needed in ROUTES:
        path = re.sub(r"\{([^}]+)\}", lambda found: FILLED[found[1]], pattern)
        if method == "GET" and needed == "nobody":
            assert len(asker.ask(method, path).body) < 64_000, path
    assert asker.ask("GET", "/static/plotly.min.js").status == 303


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "TRACE", "BREW"])
def test_what_nobody_listed_takes_manage_to_write(method: str) -> None:
    assert needed_for(method, "/api/v1/something/new") == "manage"


@pytest.mark.parametrize("method", sorted(READING))
def test_what_nobody_listed_takes_look_to_read(method: str) -> None:
    assert needed_for(method, "/api/v1/something/new") == "look"


def test_out_of_service_takes_manage() -> None:
    acts = ("acknowledge", "shelve", "unshelve", "reset", "remove", "return")
    needed = {act: needed_for("POST", f"/api/v1/alarms/north-window/{act}") for act in acts}
    assert needed == dict.fromkeys(acts, "work") | {"remove": "manage", "return": "manage"}


def outcome(asker: Asker, method: str, path: str, cookie: str, client: str) -> str:
    answer = asker.ask(method, path, {} if method == "POST" else None, cookie=cookie, client=client)
    if answer.status == 303 and answer.headers["location"].startswith("/login"):
        return "log in"
    if answer.status == 401 and answer.document == {"error": "log in first"}:
        return "log in"
    if answer.status == 403 and b"has the role" in answer.body:
        return "role"
    # Dash answers 500 to what it cannot make sense of, and says no more than that.
    assert answer.status != 500 or path.startswith("/_dash-"), (method, path)
    return "in"


@pytest.mark.parametrize("role", ["", *ROLES])
@pytest.mark.parametrize("client", [STRANGER, HERE])
def test_every_route_lets_in_who_may_and_nobody_else(
    asker: Asker, cookies: dict[str, str], role: str, client: str
) -> None:
    rank = ROLES.index(role) if role else (0 if client == HERE else -1)
    tried = 0
    for method, pattern in routes_of(asker.app.routes):
        if pattern in WITHOUT_ROW or pattern == "/api/v1/logout":
            continue
        path = re.sub(r"\{([^}]+)\}", lambda found: FILLED[found[1]], pattern)
        needed = needed_for(method, path)
        may = needed == "nobody" or rank >= ROLES.index(needed)
        wanted = "in" if may else "role" if role else "log in"
        got = outcome(asker, method, path, cookies[role], client)
        assert got == wanted, (method, path, role, client)
        tried += 1
    assert tried > 35


@pytest.mark.parametrize("path", ["/", "/bench/north", "/alarms", "/points", "/nothing/such"])
def test_a_page_sends_strangers_to_the_log_in_and_back(asker: Asker, path: str) -> None:
    answer = asker.ask("GET", f"{path}?secret=1")
    assert (answer.status, answer.headers["location"]) == (303, f"/login?next={path}")
    assert asker.ask("GET", path, client=HERE).status == 200


def test_a_paper_opened_by_hand_leads_to_the_log_in_too(asker: Asker) -> None:
    path = "/api/v1/jobs/260127-1/record.html"
    assert asker.ask("GET", path).status == 401
    answer = asker.ask("GET", path, client=HERE, headers={"sec-fetch-mode": "navigate"})
    assert (answer.status, answer.headers["location"]) == (303, f"/login?next={path}")


@pytest.mark.parametrize(
    "path", ["/login%3F/x", "/login%23x", "/healthz%3Fx", "/assets%2F", "/LOGIN", "/login/",
             "//login", "/ack/x/y", "/api/v1/who/x", "/static/other.js"],
)  # fmt: skip
def test_what_only_looks_like_an_open_address_is_shut(asker: Asker, path: str) -> None:
    answer = asker.ask("GET", path)
    assert answer.status in {303, 307, 401, 404}
    if answer.status == 303:
        assert answer.headers["location"].startswith("/login?next=")


def test_only_the_nearest_neighbour_is_here(asker: Asker) -> None:
    """What came through a proxy on this machine, or from a look-alike address, is a stranger."""
    for client in ("::ffff:192.0.2.7", "128.0.0.1", "127.0.0.1.example", ""):
        assert asker.ask("GET", "/api/v1/bays", client=client).status == 401
    # A proxy that tells nothing but passes the name on, as many do when asked to.
    passed_on = {"host": NAME}
    assert asker.ask("GET", "/api/v1/bays", client=HERE, headers=passed_on).status == 401
    for header in ("x-forwarded-for", "x-forwarded-proto", "forwarded", "x-real-ip", "via"):
        answer = asker.ask("GET", "/api/v1/bays", client=HERE, headers={header: "127.0.0.1"})
        assert answer.status == 421
        assert "behind_proxy" in answer.document["error"]


def test_without_people_only_this_machine_is_let_in(tmp_path: Path) -> None:
    boards = stand_of(tmp_path).boards
    asker = Asker(boards)
    here = {"host": "localhost", "origin": "http://localhost"}
    assert asker.ask("GET", "/api/v1/bays", client=HERE, headers=here).status == 200
    stage = "/api/v1/bays/north/stage"
    assert asker.ask("POST", stage, {"stage": None}, client=HERE, headers=here).status == 200
    assert asker.ask("GET", "/api/v1/bays", headers=here).status == 401
    assert asker.ask("POST", stage, {"stage": None}, headers=here).status == 401


def test_a_stranger_hears_of_health_only_whether_it_is(asker: Asker) -> None:
    assert set(asker.ask("GET", "/healthz").document) == {"ok"}
    assert "watch" in asker.ask("GET", "/healthz", client=HERE).document


FOREIGN = [
    {"origin": "https://shop.example"}, {"origin": "null"}, {"origin": f"http://{'x' * 9}"},
    {"origin": "http://air.shop.example:81"}, {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"}, {"sec-fetch-site": "none"}, {"content-type": "text/plain"},
    {"content-type": "application/x-www-form-urlencoded"}, {"content-type": "multipart/form-data"},
]  # fmt: skip


@pytest.mark.parametrize("foreign", FOREIGN, ids=str)
def test_no_page_of_another_site_can_make_a_browser_act(
    asker: Asker, cookies: dict[str, str], foreign: dict[str, str]
) -> None:
    """Cross-site request forgery, with the cookie along as if SameSite did not hold."""
    for method, pattern in routes_of(asker.app.routes):
        if method in READING or pattern.startswith("/ack/") or pattern in WITHOUT_ROW:
            continue
        path = re.sub(r"\{([^}]+)\}", lambda found: FILLED[found[1]], pattern)
        answer = asker.ask(method, path, {}, cookie=cookies["manage"], headers=foreign)
        assert answer.status in {403, 415}, path
    assert asker.ask("GET", "/api/v1/who", cookie=cookies["manage"]).document["role"] == "manage"


def test_everybody_here_has_a_role_of_their_own() -> None:
    assert {role for role, _ in SECRETS.values()} == set(ROLES)
