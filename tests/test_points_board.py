"""The points board: what its server answers, who may claim, and what it never writes.

That a string stays one string is asked of Python's own tomllib (TOML 1.0).
"""

from __future__ import annotations

import http.client
import json
import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from envmon.field.hearing_link import Hearing
from envmon.intake.link import Account
from envmon.service.points.taking_in import REFUSED_FILE, REQUEST_FILE
from envmon_boards.points_api import NO_BROKER
from tests.boards_support import Stand, stand_of
from tests.door_support import STRANGER, Asker, door_stand, door_text
from tests.mosquitto_support import wait_until
from tests.points_support import SHOP, shop_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CLAIM: dict[str, Any] = {
    "topic": "fjord/panel", "bay": "north", "point": "panel", "format": "number",
    "takes": [{"quantity": "panel_temp_c"}],
}  # fmt: skip


def ask(stand: Stand, method: str, path: str, body: object = None) -> tuple[int, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=30)
    headers = {"Content-Type": "application/json", "Origin": stand.url}
    try:
        connection.request(method, path, None if body is None else json.dumps(body), headers)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()


@pytest.fixture
def deaf(tmp_path: Path) -> Iterator[Stand]:
    """Boards that know their shop file and listen to no broker."""
    stand = stand_of(tmp_path / "data", SHOP)
    stand.boards = replace(stand.boards, shop_path=shop_file(tmp_path))
    (tmp_path / "data").mkdir()
    with stand.serving() as serving:
        yield serving


def test_lines_are_shown_first_and_written_on_a_second_word(deaf: Stand, tmp_path: Path) -> None:
    file, path = tmp_path / "shop.toml", "/api/v1/points/claim"
    status, shown = ask(deaf, "POST", path, CLAIM)
    assert (status, shown["writable"]) == (200, True)
    assert shown["lines"].startswith('[[point]]\nid = "panel"\n')
    assert file.read_text(encoding="utf-8") == SHOP
    status, done = ask(deaf, "POST", path, {**CLAIM, "write": True, "seen": shown["seen"]})
    assert status == 200
    assert done["done"].startswith("Added; as it was before: shop.toml.before-")
    text = file.read_text(encoding="utf-8")
    assert shown["lines"] in text
    assert text.replace(shown["lines"] + "\n", "") == SHOP
    assert (tmp_path / "data" / REQUEST_FILE).exists()


def test_a_file_changed_since_its_lines_were_shown_is_left_alone(
    deaf: Stand, tmp_path: Path
) -> None:
    _, shown = ask(deaf, "POST", "/api/v1/points/claim", CLAIM)
    person = SHOP.replace("# The shop", "# Our shop")
    (tmp_path / "shop.toml").write_text(person, encoding="utf-8")
    asked = {**CLAIM, "write": True, "seen": shown["seen"]}
    status, answer = ask(deaf, "POST", "/api/v1/points/claim", asked)
    assert status == 422
    assert "has changed since these lines were shown" in answer["error"]
    assert (tmp_path / "shop.toml").read_text(encoding="utf-8") == person


def test_a_file_that_cannot_be_written_gives_its_lines_all_the_same(
    deaf: Stand, tmp_path: Path
) -> None:
    (tmp_path / "shop.toml").chmod(0o444)
    status, shown = ask(deaf, "POST", "/api/v1/points/claim", CLAIM)
    assert (status, shown["writable"]) == (200, False)
    asked = {**CLAIM, "write": True, "seen": shown["seen"]}
    status, answer = ask(deaf, "POST", "/api/v1/points/claim", asked)
    assert status == 422
    assert "read-only" in answer["error"]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"takes": []}, "each once"),
        ({"format": "xml"}, "xml"),
        ({"topic": 7}, "topic"),
        ({"more": 1}, "more"),
        ({"bay": "west"}, "bay"),
        ({"takes": [{"quantity": "a\n[shop]"}]}, "quantity"),
        ({"topic": "\ud800"}, "is not claimed"),
    ],
)
def test_what_cannot_be_claimed_is_refused_in_words(
    deaf: Stand, tmp_path: Path, change: dict[str, object], word: str
) -> None:
    status, answer = ask(deaf, "POST", "/api/v1/points/claim", {**CLAIM, **change})
    assert status == 422, answer
    assert word in answer["error"]
    assert (tmp_path / "shop.toml").read_text(encoding="utf-8") == SHOP


def test_a_topic_like_toml_is_one_string_in_the_file(deaf: Stand, tmp_path: Path) -> None:
    topic = 'x"\n[[contact]]\nname = "me\\'
    _, shown = ask(deaf, "POST", "/api/v1/points/claim", {**CLAIM, "topic": topic})
    asked = {**CLAIM, "topic": topic, "write": True, "seen": shown["seen"]}
    assert ask(deaf, "POST", "/api/v1/points/claim", asked)[0] == 200
    found = tomllib.loads((tmp_path / "shop.toml").read_text(encoding="utf-8"))
    assert found["point"][-1]["topic"] == topic
    assert "contact" not in found


def test_why_a_changed_file_does_not_count_is_said(deaf: Stand, tmp_path: Path) -> None:
    (tmp_path / "data" / REFUSED_FILE).write_text("NOT taken in:\n[broker]", encoding="utf-8")
    assert ask(deaf, "GET", "/api/v1/points")[1]["refused"] == "NOT taken in:\\n[broker]"


def test_without_a_broker_it_says_so_and_without_a_shop_file_too(tmp_path: Path) -> None:
    with stand_of(tmp_path, SHOP).serving() as stand:
        status, answer = ask(stand, "GET", "/api/v1/points")
        assert (status, answer["up"], answer["trouble"]) == (200, False, NO_BROKER)
        assert ask(stand, "POST", "/api/v1/points/claim", CLAIM)[0] == 503


def test_claiming_takes_manage_and_looking_takes_look(tmp_path: Path) -> None:
    stand = door_stand(tmp_path)
    file = tmp_path / "shop.toml"
    file.write_text(door_text(), encoding="utf-8")
    asker = Asker(replace(stand.boards, shop_path=file))
    cookies = asker.cookies()
    statuses = {
        role: (asker.ask("GET", "/api/v1/points", cookie=cookie, client=STRANGER).status,
               asker.ask("POST", "/api/v1/points/claim", CLAIM, cookie=cookie).status)
        for role, cookie in {"": "", **cookies}.items()
    }  # fmt: skip
    assert statuses == {
        "": (401, 401), "look": (200, 403), "work": (200, 403), "manage": (200, 200),
    }  # fmt: skip
    foreign = {"origin": "https://elsewhere.example"}
    answer = asker.ask(
        "POST", "/api/v1/points/claim", CLAIM, cookie=cookies["manage"], headers=foreign
    )
    assert answer.status == 403


def test_listening_begins_with_the_first_question_only(tmp_path: Path) -> None:
    hearing = Hearing(("127.0.0.1", 9), Account())
    stand = stand_of(tmp_path, SHOP)
    stand.boards = replace(stand.boards, hearing=hearing)
    with stand.serving() as serving:
        ask(serving, "GET", "/api/v1/bays")
        assert hearing.since_s() == 0
        ask(serving, "GET", "/api/v1/points")
        wait_until(lambda: hearing.since_s() > 0, "the listening")
    hearing.close()
