"""The soak's check of a person's acts can tell: lost, doubled and a broken chain are found."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.facts import NewEvent
from envmon.store.sqlite import SqliteStore
from tests.acceptance.soak_acts import acts
from tests.acceptance.soak_person import BAY, NAME, Asked, marks_left

if TYPE_CHECKING:
    from pathlib import Path

JOB: dict[str, Any] = {"job": "260105-1", "by": NAME}
DONE = [
    ("job_opened", BAY, JOB), ("stage_started", BAY, {**JOB, "step": 0}),
    ("job_note", BAY, {**JOB, "text": "note 1"}),
    ("act_refused", BAY, {"act": "start", "by": NAME}),
    ("stage_ended", BAY, {**JOB, "step": 0}), ("job_closed", BAY, JOB),
    ("alarm_acknowledged", "one", {"alarm": "one-window", "by": NAME}),
]  # fmt: skip
ASKED = [
    Asked(1, "open", "", 200, 1), Asked(2, "start", "", 202), Asked(3, "note", "note 1", 200, 3),
    Asked(4, "start", "", 409), Asked(5, "finish", "", 0), Asked(6, "close", "", 200, 6),
    Asked(7, "acknowledge", "one-window", 200), Asked(8, "acknowledge", "two-frost", 422),
]  # fmt: skip


def kept(folder: Path, done: list[tuple[str, str, dict[str, Any]]]) -> Path:
    store = SqliteStore(folder)
    store.add_events([NewEvent(n, kind, bay, data) for n, (kind, bay, data) in enumerate(done)])
    store.close()
    return folder


def test_what_stands_as_it_was_answered_is_good(tmp_path: Path) -> None:
    found = acts(kept(tmp_path, DONE), ASKED, 1)
    assert (found["lost"], found["doubled"], found["chain_breaks_at"]) == ([], [], None)
    assert (found["jobs_opened"], found["jobs_closed"], found["refused"]) == (1, 1, 1)
    assert (found["acknowledged"], found["waiting"], found["events"]) == (1, 0, 7)


@pytest.mark.parametrize(
    ("gone", "lost"),
    [
        (2, ["note at 3", "close at 6", "note", "note 1"]),
        (1, ["note at 3", "close at 6", "start"]),
        (6, ["one-window"]),
        (4, ["close at 6"]),  # nobody was told that the step has ended
    ],
)
def test_an_act_that_was_answered_and_does_not_stand_is_found(
    tmp_path: Path, gone: int, lost: list[str]
) -> None:
    assert acts(kept(tmp_path, DONE[:gone] + DONE[gone + 1 :]), ASKED, 1)["lost"] == lost


@pytest.mark.parametrize(
    ("place", "doubled"),
    [
        (0, ["260105-1 job_opened", "open"]),
        (2, ["note", "note 1"]),
        (4, ["260105-1 stage_ended 0", "finish"]),
        (6, ["one-window"]),
    ],
)
def test_what_happened_twice_is_found(tmp_path: Path, place: int, doubled: list[str]) -> None:
    assert acts(kept(tmp_path, [*DONE, DONE[place]]), ASKED, 1)["doubled"] == doubled


def test_a_changed_entry_breaks_the_chain(tmp_path: Path) -> None:
    folder = kept(tmp_path, DONE)
    with contextlib.closing(sqlite3.connect(folder / "live.sqlite3")) as db:
        for name in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name[0]}")
        text = msgspec.json.encode({**JOB, "text": "note 2"}).decode()
        db.execute("UPDATE event SET data = ? WHERE seq = 3", (text,))
        db.commit()
    assert acts(folder, [], 0)["chain_breaks_at"] == 3


def test_panels_are_worked_one_mark_after_the_other() -> None:
    panels = [{"id": "roof", "marks": [{"step": "inspected"}]}, {"id": "boot", "marks": []}]
    assert list(marks_left({"panels": panels})) == [{"act": "apply", "panel": "boot"}]
