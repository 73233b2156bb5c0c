"""What one person may ask for: more than any hand does, and nobody else waits for who asks more.

429 and ``Retry-After``: RFC 6585, 4 and RFC 9110, 10.2.3. The numbers are envmon's own.
"""

from __future__ import annotations

import asyncio
import threading
import time
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import ManualClock
from envmon.guard.alarm_kinds import KINDS
from envmon.service.trouble_senses import DOOR_WORD, DOOR_WORD_OLD_S, Senses, door_word
from envmon.service.troubles import Troubles
from envmon.store.sqlite import SqliteStore
from envmon_boards.door_measure import AT_ONCE, PER_MINUTE, SAVED, SCREENS, Measure
from envmon_boards.door_porter import Visitor
from tests.door_support import HERE, STRANGER, Asker, answer_of, door_stand, scope_of
from tests.test_troubles import TOLD, WELL

if TYPE_CHECKING:
    from pathlib import Path

STAGE = "/api/v1/bays/north/stage"
FULL = 15
"""So much is saved up in these tests, where each thing kept costs a write to the disk."""


@pytest.fixture
def asker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Asker:
    monkeypatch.setattr("envmon_boards.door_measure.SAVED", FULL)
    return Asker(door_stand(tmp_path).boards)


def press(asker: Asker, cookie: str, times: int, **more: Any) -> list[int]:
    """Ask for a stage so often; return the answers' codes."""
    body = {"stage": "polish"}
    return [asker.ask("POST", STAGE, body, cookie=cookie, **more).status for _ in range(times)]


def kept(asker: Asker) -> int:
    with closing(SqliteStore(asker.boards.folder)) as store:
        return len(store.requests())


def test_who_asks_without_end_is_told_to_wait_and_nothing_more_is_kept(
    asker: Asker, caplog: pytest.LogCaptureFixture
) -> None:
    cookie = asker.log_in("Kari").cookie
    assert press(asker, cookie, FULL + 5) == [200] * FULL + [429] * 5
    assert kept(asker) == FULL
    answer = asker.ask("POST", STAGE, {"stage": "polish"}, cookie=cookie)
    assert answer.headers["retry-after"] == "1"
    assert answer.document["error"].endswith("60 things a minute: wait 1 s, then try again")
    assert caplog.text.count("Kari asks for more than 60 things a minute") == 1

    asker.clock.advance(1)
    assert press(asker, cookie, 2) == [200, 429]
    asker.clock.advance(600)
    assert press(asker, cookie, 1) == [200]
    asker.clock.advance(-3_600)  # a clock that is put right locks nobody out
    asker.clock.advance(5)
    assert press(asker, cookie, 1) == [200]


def test_nobody_else_is_held_up_and_who_asks_too_much_may_still_look(asker: Asker) -> None:
    flooding, other = asker.log_in("Kari").cookie, asker.log_in("Ola Nordahl").cookie
    press(asker, flooding, FULL + 5)
    assert press(asker, other, 5) == [200] * 5
    assert asker.ask("GET", "/api/v1/bays", cookie=flooding).status == 200


def test_many_log_ins_of_one_person_have_one_measure(asker: Asker) -> None:
    cookies = [asker.log_in("Kari").cookie for _ in range(5)]
    codes = [code for cookie in cookies for code in press(asker, cookie, FULL)]
    assert codes.count(200) == round(SCREENS * FULL) == kept(asker)


def test_a_hand_never_meets_it(tmp_path: Path) -> None:
    """A mark every two seconds for an hour; sixty at once when a tablet was away."""
    clock = ManualClock(0)
    measure, kari = Measure(tmp_path, clock), Visitor("Kari", "work", "token")
    for _ in range(180):
        assert [measure.takes(kari) for _ in range(10)] == [True] * 10
        clock.advance(20)
    clock.advance(60)
    assert [measure.takes(kari) for _ in range(61)] == [True] * 60 + [False]
    assert (PER_MINUTE, SAVED) == (60, 60)


def test_what_is_remembered_of_log_ins_long_gone_is_let_go(tmp_path: Path) -> None:
    clock = ManualClock(0)
    measure = Measure(tmp_path, clock)
    for number in range(1_000):
        assert measure.takes(Visitor(f"P{number % 5}", "work", str(number)))
        clock.advance(60)
    assert len(measure._of_session._left) < 5


def test_records_count_too_since_each_stands_in_the_chain(asker: Asker) -> None:
    cookie = asker.log_in("Kari").cookie
    press(asker, cookie, FULL)
    path = "/api/v1/jobs/260127-1/record.pdf"
    assert asker.ask("GET", path, cookie=cookie).status == 429
    assert asker.ask("GET", path, client=HERE).status == 401  # refused, and counted for nobody


def test_what_is_refused_for_its_form_or_role_costs_nothing(asker: Asker) -> None:
    cookie = asker.log_in("Liv").cookie
    assert set(press(asker, cookie, FULL + 5)) == {403}
    work = asker.log_in("Kari").cookie
    assert set(press(asker, work, FULL + 5, headers={"content-type": "text/plain"})) == {415}
    assert press(asker, work, 1) == [200]


def test_it_becomes_one_alarm_when_it_goes_on_and_is_over_by_itself(
    asker: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = asker.boards.folder
    assert door_word(folder) == ""
    press(asker, asker.log_in("Kari").cookie, FULL + 1)
    text = door_word(folder)
    assert text == "Kari asks the screens for far too much"
    assert Senses(folder).seen(0, TOLD).asking == text

    troubles, told = Troubles((), 0), []
    for second in range(200):
        seen = WELL._replace(real_s=float(second), asking=text if second < 90 else "")
        events = troubles.look(seen)
        troubles.kept(events)
        told += [(second, event.kind, event.data["what"]) for event in events]
    assert told == [(30, "trouble_began", "asking"), (150, "trouble_over", "asking")]
    assert KINDS["asking"].priority == "low"

    real_s = time.monotonic()
    monkeypatch.setattr("time.monotonic", lambda: real_s + DOOR_WORD_OLD_S + 5)
    assert door_word(folder) == ""
    (folder / DOOR_WORD).write_bytes(b"{")
    assert "cannot read" in door_word(folder)


def test_slow_answers_to_one_person_leave_the_others_theirs(
    asker: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Acts at once while no watch answers would take all the server's forty threads."""
    release, full, waiting = threading.Event(), threading.Event(), []

    def slow(*_rest: Any) -> list[Any]:
        waiting.append(1)
        if len(waiting) == AT_ONCE:
            full.set()
        release.wait(30)
        return []

    monkeypatch.setattr("envmon_boards.acts_api.events_for", slow)
    flooding, other = asker.log_in("Kari").cookie, asker.log_in("Ola Nordahl").cookie
    path, body = "/api/v1/bays/north/acts", b'{"act":"note","text":"again"}'

    def scope(method: str, path: str, cookie: str) -> dict[str, Any]:
        headers = {"host": "air.shop.example", "origin": asker.origin, "cookie": cookie}
        headers["content-type"] = "application/json"
        return scope_of(method, path, headers, STRANGER)

    async def both() -> tuple[int, list[int]]:
        acts = [
            asyncio.create_task(answer_of(asker.app, scope("POST", path, flooding), body))
            for _ in range(FULL)
        ]
        assert await asyncio.to_thread(full.wait, 20)
        looked = await asyncio.wait_for(
            answer_of(asker.app, scope("GET", "/api/v1/bays/north/trend", other), b""), 20
        )
        assert len(waiting) == AT_ONCE
        release.set()
        return looked.status, [answer.status for answer in await asyncio.gather(*acts)]

    try:
        looked, acted = asyncio.run(both())
    finally:
        release.set()
    assert looked == 200
    assert acted == [202] * FULL
