"""Sessions: a new id at each log-in, ends by time and at once, kept over a restart, never in clear.

Rules held to: OWASP session management notes (new id at log-in against fixation, idle and absolute
ends, HttpOnly, Secure, SameSite; from memory); the ``__Host-`` prefix is RFC 6265bis, 4.1.3.2.
"""

from __future__ import annotations

import asyncio
import stat
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, ManualClock
from envmon.service.job.book import Ledger
from envmon.store.sqlite import SqliteStore
from envmon_boards.door_session import MOST, SPANS, Sessions
from envmon_boards.door_store import DOOR_FILE, DoorStore
from tests.door_support import (
    BOARDS,
    HERE,
    NAME,
    SECRETS,
    STRANGER,
    Asker,
    door_stand,
    everybody,
    people_in,
    scope_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.service.people.book import Person, Role

WHO = "/api/v1/who"


@pytest.fixture
def asker(tmp_path: Path) -> Asker:
    return Asker(door_stand(tmp_path).boards)


def role(asker: Asker, cookie: str) -> str:
    found: str = asker.ask("GET", WHO, cookie=cookie).document["role"]
    return found


def of_role(wanted: Role) -> str:
    return next(name for name, (known, _) in SECRETS.items() if known == wanted)


def test_a_cookie_no_script_and_no_other_site_can_use(asker: Asker) -> None:
    sent = asker.log_in("Kari").headers["set-cookie"]
    parts = {part.strip().lower() for part in sent.split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/"} <= parts
    assert not any(part.startswith("domain") for part in parts)
    assert sent.startswith("envmon=")


def test_encrypted_the_cookie_is_bound_to_this_host(tmp_path: Path) -> None:
    stand = door_stand(tmp_path, f"{BOARDS}behind_proxy = true\n")
    sent = Asker(stand.boards).log_in("Kari").headers["set-cookie"]
    assert sent.startswith("__Host-envmon=")
    assert "secure" in {part.strip().lower() for part in sent.split(";")}


def test_an_id_given_beforehand_is_never_taken_up(asker: Asker) -> None:
    """Session fixation: who plants an id gains nothing, also when it was good for somebody."""
    planted = asker.log_in("Liv").cookie
    mine = asker.log_in("Kari", cookie=planted).cookie
    assert mine != planted
    assert (role(asker, mine), role(asker, planted)) == ("work", "")
    assert asker.log_in("Kari", cookie="envmon=chosen").cookie != "envmon=chosen"
    assert role(asker, "envmon=chosen") == ""


def test_ids_are_long_random_and_kept_as_hashes(asker: Asker, tmp_path: Path) -> None:
    ids = [asker.log_in("Kari").cookie.removeprefix("envmon=") for _ in range(5)]
    assert len(set(ids)) == 5
    assert all(len(one) >= 43 for one in ids)  # 256 bits in base64
    kept = b"".join(path.read_bytes() for path in tmp_path.glob(f"{DOOR_FILE}*"))
    assert not any(one.encode() in kept for one in ids)
    assert stat.S_IMODE((tmp_path / DOOR_FILE).stat().st_mode) == 0o600


@pytest.mark.parametrize("wanted", SPANS)
def test_idle_it_ends(asker: Asker, wanted: Role) -> None:
    cookie, span = asker.log_in(of_role(wanted)).cookie, SPANS[wanted]
    asker.clock.advance(span.idle_us / 1e6 - 60)
    assert role(asker, cookie) == wanted
    asker.clock.advance(span.idle_us / 1e6)
    assert role(asker, cookie) == ""


@pytest.mark.parametrize("wanted", SPANS)
def test_however_busy_it_ends(asker: Asker, wanted: Role) -> None:
    cookie, span = asker.log_in(of_role(wanted)).cookie, SPANS[wanted]
    step_us = span.idle_us // 2
    begun_us = asker.clock.now_us()
    while asker.clock.now_us() + step_us - begun_us < span.most_us:
        asker.clock.advance(step_us / 1e6)
        assert asker.ask("GET", "/", cookie=cookie).status == 200
    asker.clock.advance(step_us / 1e6)
    assert role(asker, cookie) == ""


def test_a_tablet_left_lying_is_idle_though_its_page_asks(asker: Asker) -> None:
    """A page that only looks by itself keeps nobody logged in who may do more."""
    cookie = asker.log_in("Kari").cookie
    for _ in range(8):
        asker.clock.advance(SPANS["work"].idle_us / 1e6 / 7)
        asker.ask("GET", "/api/v1/bays", cookie=cookie)
    assert role(asker, cookie) == ""


def test_a_wall_that_only_looks_stays(asker: Asker) -> None:
    cookie = asker.log_in("Liv").cookie
    for _ in range(100):
        asker.clock.advance(DAY_US / 1e6)
        assert asker.ask("GET", "/api/v1/bays", cookie=cookie).status == 200


@pytest.mark.parametrize("back_us", [2 * HOUR_US, 30 * DAY_US])
def test_a_clock_set_back_lengthens_nothing(asker: Asker, back_us: int) -> None:
    cookie = asker.log_in("Ola Nordahl").cookie
    asker.clock.advance(-back_us / 1e6)
    assert role(asker, cookie) == ""


def test_logged_out_is_out_at_once_for_whoever_holds_the_id(asker: Asker) -> None:
    cookie = asker.log_in("Kari").cookie
    answer = asker.ask("POST", "/api/v1/logout", {}, cookie=cookie)
    assert answer.status == 200
    assert 'envmon=""' in answer.headers["set-cookie"]
    assert role(asker, cookie) == ""


def change(asker: Asker, tmp_path: Path, people: list[Person]) -> None:
    assert asker.boards.people is not None
    asker.boards.people.save(people, tmp_path)


@pytest.mark.parametrize("what", ["removed", "another role", "another PIN", "file gone"])
def test_who_is_changed_is_out_at_once(asker: Asker, tmp_path: Path, what: str) -> None:
    cookie, other = asker.log_in("Kari").cookie, asker.log_in("Liv").cookie
    people = {one.name: one for one in everybody()}
    kari = people.pop("Kari")
    if what == "another role":
        people["Kari"] = replace(kari, role="manage")
    elif what == "another PIN":
        people["Kari"] = replace(kari, kept=people["Liv"].kept)
    change(asker, tmp_path, list(people.values()))
    if what == "file gone":
        (tmp_path / "people.toml").unlink()
    assert role(asker, cookie) == ""
    assert role(asker, other) == ("" if what == "file gone" else "look")


def test_a_people_file_that_cannot_be_used_lets_nobody_in_and_the_wall_goes_on(
    asker: Asker, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    cookie = asker.log_in("Kari").cookie
    (tmp_path / "people.toml").write_text("[[person]]\nname = 'Kari'\nrole = 'work'\nkept = '4711'")
    for _ in range(3):
        answer = asker.ask("GET", "/api/v1/bays", cookie=cookie)
        assert answer.status == 503
        assert b"4711" not in answer.body
    assert asker.ask("GET", "/api/v1/bays", cookie=cookie, client=HERE).status == 200
    stage = "/api/v1/bays/north/stage"
    assert asker.ask("POST", stage, {"stage": None}, cookie=cookie, client=HERE).status == 401
    assert asker.log_in("Kari").status == 503
    assert caplog.text.count("nobody can be let in") == 1


def test_a_restart_keeps_everybody_in(asker: Asker) -> None:
    cookie = asker.log_in("Kari").cookie
    assert role(Asker(asker.boards), cookie) == "work"


def test_a_damaged_file_logs_everybody_out_and_no_more(asker: Asker, tmp_path: Path) -> None:
    cookie = asker.log_in("Kari").cookie
    for path in tmp_path.glob(f"{DOOR_FILE}*"):
        path.write_bytes(b"this was a database once, before the card wore out" * 50)
    fresh = Asker(asker.boards)
    assert role(fresh, cookie) == ""
    assert fresh.log_in("Kari").status == 200


def test_a_person_has_so_many_at_most(tmp_path: Path) -> None:
    clock = ManualClock(0)
    sessions = Sessions(DoorStore(tmp_path), people_in(tmp_path), clock)
    kari = next(one for one in everybody() if one.name == "Kari")
    tokens = []
    for _ in range(MOST + 2):
        tokens.append(sessions.begin(kari))
        clock.advance(1)
    assert [sessions.person(one) for one in tokens] == [None, None, *[kari] * MOST]


@pytest.mark.parametrize(
    "cookie",
    ["envmon=", "envmon", "=", ";;;", 'envmon="', "envmon=\xff\xfe", "envmon=a; envmon=b",
     "envmon=' OR 1=1 --", "envmon=" + "a" * 8_000, "x" * 9_000],
)  # fmt: skip
def test_nonsense_for_a_cookie_is_nobody(asker: Asker, cookie: str) -> None:
    answer = asker.ask("GET", WHO, cookie=cookie)
    assert (answer.status, answer.document["role"]) == (200, "")


def test_a_stream_ends_with_its_session(asker: Asker) -> None:
    """The live page hears that it is logged out, instead of going on for ever."""
    cookie = asker.log_in("Kari").cookie
    scope = scope_of("GET", "/api/v1/stream", {"host": NAME, "cookie": cookie}, STRANGER)
    parts: list[bytes] = []
    ended = False

    async def listen() -> None:
        async def receive() -> Any:
            await asyncio.Event().wait()

        async def send(message: Any) -> None:
            nonlocal ended
            if message["type"] == "http.response.start":
                assert message["status"] == 200
                return
            parts.append(message["body"])
            ended = not message.get("more_body", False)
            if len(parts) == 2:
                assert asker.boards.people is not None
                others = [one for one in everybody() if one.name != "Kari"]
                asker.boards.people.save(others, asker.boards.folder)

        await asyncio.wait_for(asker.app(scope, receive, send), 60)

    asyncio.run(listen())
    assert ended
    assert parts[-1] == b""
    assert 3 <= len(parts) <= 4


ACTS: list[tuple[str, dict[str, Any], str]] = [
    ("/api/v1/bays/north/acts", {"act": "note", "text": "x", "by": "Ola"}, "job_act"),
    ("/api/v1/bays/north/acts", {"act": "note", "text": "x"}, "job_act"),
    ("/api/v1/alarms/north-window/acknowledge", {"by": "Ola"}, "alarm_acknowledged"),
    ("/api/v1/alarms/north-window/shelve", {"minutes": 5, "reason": "x"}, "alarm_shelved"),
    ("/api/v1/bays/north/stage", {"stage": "polish"}, "stage_started"),
]


@pytest.mark.parametrize(("path", "body", "kind"), ACTS, ids=str)
def test_who_did_it_is_who_is_logged_in(
    asker: Asker, monkeypatch: pytest.MonkeyPatch, path: str, body: dict[str, Any], kind: str
) -> None:
    """The server says who; what the browser claims does not count."""
    monkeypatch.setattr("envmon_boards.acts_api.WAIT_S", 0.0)
    answer = asker.ask("POST", path, body, cookie=asker.log_in("Kari").cookie)
    assert answer.status in {200, 202}, answer.body
    store = SqliteStore(asker.boards.folder)
    kept = [(request.kind, request.data["by"]) for request in store.requests()]
    store.close()
    assert kept == [(kind, "Kari")]


def test_who_erased_is_who_is_logged_in(asker: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("envmon_boards.acts_api.WAIT_S", 0.0)
    ledger = Ledger(bays={"260127-1": "north"})
    monkeypatch.setattr("envmon_boards.jobs_api.ledger_from", lambda _store: ledger)
    store = SqliteStore(asker.boards.folder)
    cookie = asker.log_in("Ola Nordahl").cookie
    asker.ask("POST", "/api/v1/jobs/260127-1/erase", {"by": "Kari"}, cookie=cookie)
    kept = [request.data.get("by") for request in store.requests()]
    store.close()
    assert kept == ["Ola Nordahl"]


def test_spans_are_what_the_guide_says() -> None:
    assert SPANS["work"].idle_us == 4 * HOUR_US
    assert SPANS["manage"].idle_us == 30 * MINUTE_US
    assert SPANS["look"].idle_us == 30 * DAY_US


def test_two_shops_beside_each_other_know_their_own(tmp_path: Path) -> None:
    first, second = tmp_path / "a", tmp_path / "b"
    for folder in (first, second):
        folder.mkdir()
    one, two = Asker(door_stand(first).boards), Asker(door_stand(second).boards)
    assert role(two, one.log_in("Kari").cookie) == ""
