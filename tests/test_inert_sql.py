"""Text in questions stays a value: no table is dropped, no condition bent, no file read.

Shapes: OWASP SQL injection notes (from memory); DuckDB's own ways to files are tried too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.facts import NewEvent
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, Air
from tests.door_support import HERE, Asker, door_stand

if TYPE_CHECKING:
    from pathlib import Path

SHAPES = (
    "'", '"', "\\", "';", "' OR '1'='1", "' OR 1=1 --", "'; DROP TABLE reading; --",
    "x' UNION SELECT data FROM event --", '"; DELETE FROM session; --', "`", "%27", "\x00",
    "') OR ('a'='a", "1); ATTACH '/tmp/x.db' AS x; --", "read_csv('/etc/passwd')",
    "'||(SELECT content FROM read_text('/etc/passwd'))||'", "air_temp_c; PRAGMA writable_schema=1",
)  # fmt: skip
QUESTIONS = (
    "/api/v1/bays/{}", "/api/v1/bays/{}/trend?hours=3", "/api/v1/bays/{}/outlook",
    "/api/v1/bays/{}/plan", "/api/v1/jobs/{}", "/api/v1/jobs/{}/record.json", "/ack/{}",
    "/api/v1/mix/{}", "/api/v1/history?bay={}&from_ms=0&to_ms=1000",
    "/api/v1/history?bay=north&from_ms=0&to_ms=1000&quantities={}",
    "/api/v1/history?bay=north&from_ms={}&to_ms=1000",
    "/api/v1/history/export?bay=north&from_ms=0&to_ms=1000&quantities={}&format=csv",
    "/api/v1/history/export?bay=north&from_ms=0&to_ms=1000&quantities=air_temp_c&format={}",
    "/api/v1/history/span?bay={}", "/api/v1/winter?winter={}", "/api/v1/alarms/recent?hours={}",
    "/api/v1/alarms/figures?days={}", "/api/v1/vapour?carrier={}", "/api/v1/mix/resin?product={}",
)  # fmt: skip


@pytest.fixture(scope="module")
def asker(tmp_path_factory: pytest.TempPathFactory) -> Asker:
    folder = tmp_path_factory.mktemp("sql")
    store = SqliteStore(folder)
    store.add_readings(Air().readings("north", NOW_US))
    store.add_events([NewEvent(NOW_US, "alarm_raised", "north", {"alarm": "north-window"})])
    store.close()
    return Asker(door_stand(folder).boards)


@pytest.fixture(scope="module")
def cookie(asker: Asker) -> str:
    return asker.log_in("Ola Nordahl").cookie


def counted(folder: Path) -> tuple[int, int]:
    store = SqliteStore(folder)
    try:
        return len(list(store.events())), len(list(store.readings(0, 2 * NOW_US, ["north-all"])))
    finally:
        store.close()


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_bends_nothing(asker: Asker, cookie: str, question: str) -> None:
    before = counted(asker.boards.folder)
    assert before == (1, 3)
    for shape in SHAPES:
        text = quote(shape, safe="") if "?" in question else shape.replace("?", "")
        answer = asker.ask("GET", question.format(text), cookie=cookie)
        assert answer.status < 500, (shape, answer.body)
        assert b"root:" not in answer.body, shape
        assert b"alarm_raised" not in answer.body or "recent" in question, shape
    assert counted(asker.boards.folder) == before


@pytest.mark.parametrize("shape", SHAPES)
def test_a_log_in_cannot_be_bent(asker: Asker, shape: str) -> None:
    for name, secret in ((shape, "739158"), ("Kari", shape), (shape, shape)):
        answer = asker.log_in(name, secret)
        assert answer.status in {401, 422, 429}, answer.body
        assert "set-cookie" not in answer.headers
    assert asker.ask("GET", "/api/v1/who", cookie=f"envmon={shape}").document["name"] == ""
    asker.clock.advance(86_400)
    assert asker.log_in("Kari", client=HERE).status == 200


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=60))
def test_what_a_person_types_is_kept_letter_by_letter(tmp_path: Path, text: str) -> None:
    """Whatever stands in an event's data comes back the same, and beside it nothing changes."""
    clean = text.encode("utf-8", "replace").decode()
    store = SqliteStore(tmp_path)
    try:
        (event,) = store.add_events([NewEvent(1, "job_note", "north", {"text": clean})])
        assert next(iter(store.events(event.seq - 1))).data == {"text": clean}
        assert store.events_of(clean or "x") is not None
        assert list(store.events_of(clean or "x")) == []
    finally:
        store.close()
