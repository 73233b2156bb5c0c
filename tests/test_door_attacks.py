"""What somebody on the Wi-Fi can try with a head, the log-in and a link costs the others nothing.

Quadratic time in Python's cookies: CVE-2024-7592 (number from memory; 3.11.7 has it). Cookies of
other services of a host come to every port of it: RFC 6265, 8.5.
"""

from __future__ import annotations

import asyncio
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon_boards.door_login import _JUDGED_SAVED
from envmon_boards.door_measure import AT_ONCE
from tests.door_support import HERE, NAME, STRANGER, Asker, answer_of, door_stand, scope_of

if TYPE_CHECKING:
    from pathlib import Path

WHO = "/api/v1/who"
HEAD = 60_000
"""Bytes of a head that the server still takes."""
SOON_S = 0.5
"""Of the processor; what was found took 2 to 5 s."""


@pytest.fixture(scope="module")
def asker(tmp_path_factory: pytest.TempPathFactory) -> Asker:
    return Asker(door_stand(tmp_path_factory.mktemp("attack")).boards)


@pytest.mark.parametrize("text", ['envmon="' + "\\" * HEAD, 'envmon="' + '\\"' * (HEAD // 2) + '"',
                                  ";" * HEAD, "a=" * (HEAD // 2)])  # fmt: skip
@pytest.mark.parametrize("path", [WHO, "/login", "/_dash-update-component"])
def test_a_cookie_of_backslashes_stops_nobodys_screen(asker: Asker, text: str, path: str) -> None:
    own = asker.log_in("Liv").cookie
    for cookie in (text, f"{own}; {text}", f"{text}; {own}"):
        begun = time.process_time()
        method = "POST" if path.startswith("/_dash") else "GET"
        asker.ask(method, path, {} if method == "POST" else None, cookie=cookie)
        assert time.process_time() - begun < SOON_S


def test_cookies_of_others_change_nothing_and_go_no_further(asker: Asker) -> None:
    own = asker.log_in("Kari").cookie
    for cookie in (own, f"a=1; {own}", f"{own};b=2", f'c="x;y"; {own} ', f"d;{own};=;;"):
        assert asker.ask("GET", WHO, cookie=cookie).document["name"] == "Kari"
    for cookie in (
        f"x{own}",
        own + "x" * 100,
        own.replace("envmon", "Envmon"),
        "envmon=",
        "envmon",
    ):
        assert asker.ask("GET", WHO, cookie=cookie).document["name"] == ""


@given(st.text(max_size=60))
def test_no_cookie_is_a_fault_of_the_server(asker: Asker, text: str) -> None:
    sent = text.encode("latin-1", "ignore").decode("latin-1")
    assert asker.ask("GET", WHO, cookie=f"envmon={sent}").document["name"] == ""


def test_a_foreign_page_uses_up_nothing_of_who_sits_at_the_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An image of it may ask for a record; that is refused, and must not count."""
    monkeypatch.setattr("envmon_boards.door_measure.SAVED", 3)
    asker = Asker(door_stand(tmp_path).boards)
    cookie = asker.log_in("Kari").cookie
    path, foreign = "/api/v1/jobs/x/record.pdf", {"sec-fetch-site": "cross-site"}
    for _ in range(10):
        assert asker.ask("GET", path, cookie=cookie, headers=foreign).status == 403
    assert asker.ask("GET", path, cookie=cookie).status == 404


def test_good_log_ins_without_end_are_slowed_as_well(tmp_path: Path) -> None:
    """Each is 80 ms of the processor; who has one PIN must not keep the others out with it."""
    asker = Asker(door_stand(tmp_path).boards)
    codes = [asker.log_in("Kari").status for _ in range(round(_JUDGED_SAVED) + 5)]
    assert codes == [200] * round(_JUDGED_SAVED) + [429] * 5
    assert asker.log_in("Liv", client="198.51.100.9").status == 200
    asker.clock.advance(2)
    assert asker.log_in("Kari").status == 200


def test_links_asked_for_by_strangers_leave_the_screens_their_threads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release, full, waiting = threading.Event(), threading.Event(), []

    def slow(*_all: Any, **_more: Any) -> Any:
        waiting.append(1)
        if len(waiting) == AT_ONCE:
            full.set()
        release.wait(30)
        raise RuntimeError("never mind")

    monkeypatch.setattr("envmon_boards.ack_api._Links.page", slow)
    asker = Asker(door_stand(tmp_path).boards)

    def ask(path: str, client: str) -> Any:
        host = "localhost" if client == HERE else NAME
        return answer_of(asker.app, scope_of("GET", path, {"host": host}, client), b"")

    async def both() -> int:
        asked = [asyncio.create_task(ask("/ack/x", STRANGER)) for _ in range(60)]
        assert await asyncio.to_thread(full.wait, 20)
        looked = await asyncio.wait_for(ask("/api/v1/bays/north/trend", HERE), 20)
        assert len(waiting) == AT_ONCE
        release.set()
        await asyncio.gather(*asked)
        return int(looked.status)

    try:
        assert asyncio.run(both()) == 200
    finally:
        release.set()
