"""Events are append-only, and their chain shows any change.

Source of the digest: FIPS 180-4 (SHA-256), recomputed here with hashlib from the documented
text; tampering is done with SQLite itself, past the store.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.errors import StoreError
from envmon.facts import NewEvent
from envmon.store.chain import GENESIS, canonical, first_break, link
from envmon.store.migrations import MIGRATIONS
from envmon.store.sqlite import LIVE_FILE, SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**62), 2**62) | st.text()
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path)
    made.add_events(
        [NewEvent(n, "stage_started", "one", {"stage": f"s{n}", "n": n}) for n in range(1, 8)]
    )
    yield made
    made.close()


@pytest.fixture
def raw(store: SqliteStore) -> Iterator[sqlite3.Connection]:
    """The file itself, opened by somebody who wants to change it."""
    connection = sqlite3.connect(store.path, isolation_level=None)
    yield connection
    connection.close()


def without_triggers(raw: sqlite3.Connection) -> sqlite3.Connection:
    raw.execute("DROP TRIGGER event_no_update")
    raw.execute("DROP TRIGGER event_no_delete")
    return raw


def test_chain_as_written_holds_and_goes_on_after_a_restart(
    store: SqliteStore, tmp_path: Path
) -> None:
    again = SqliteStore(tmp_path)
    again.add_events([NewEvent(9, "alarm_raised", "one", {})])
    again.close()
    events = list(store.events())
    assert [e.seq for e in events] == list(range(1, 9))
    assert first_break(events) is None
    assert first_break([]) is None
    assert [e.seq for e in store.events(after_seq=6)] == [7, 8]


def test_hash_is_sha256_of_the_documented_text(store: SqliteStore) -> None:
    before = "0" * 64
    for event in store.events():
        fields = [before, event.seq, event.at_us, event.kind, event.bay, event.data]
        text = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert event.hash == hashlib.sha256(text.encode()).hexdigest()
        before = event.hash


@pytest.mark.parametrize("statement", ["UPDATE event SET bay = 'two'", "DELETE FROM event"])
def test_events_cannot_be_changed_or_deleted(raw: sqlite3.Connection, statement: str) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="events are append-only"):
        raw.execute(statement)


@pytest.mark.parametrize(
    "change",
    [
        "at_us = at_us + 1",
        "kind = 'stage_ended'",
        "bay = 'two'",
        """data = '{"n":4,"stage":"other"}'""",
        "data = '{}'",
        f"hash = '{'ab' * 32}'",
    ],
)
@pytest.mark.parametrize("seq", [1, 4, 7])
def test_any_changed_field_shows(
    store: SqliteStore, raw: sqlite3.Connection, change: str, seq: int
) -> None:
    without_triggers(raw).execute(f"UPDATE event SET {change} WHERE seq = ?", (seq,))
    assert first_break(store.events()) == seq


@pytest.mark.parametrize("seq", [1, 4])
def test_a_removed_entry_shows_even_when_the_rest_is_renumbered(
    store: SqliteStore, raw: sqlite3.Connection, seq: int
) -> None:
    without_triggers(raw).execute("DELETE FROM event WHERE seq = ?", (seq,))
    assert first_break(store.events()) == seq
    for later in range(seq + 1, 8):
        raw.execute("UPDATE event SET seq = ? WHERE seq = ?", (later - 1, later))
    assert first_break(store.events()) == seq


def test_an_entry_rewritten_with_a_right_hash_breaks_the_next(
    store: SqliteStore, raw: sqlite3.Connection
) -> None:
    events = list(store.events())
    forged = link(events[2].hash, 4, NewEvent(4, "stage_started", "two", events[3].data))
    without_triggers(raw).execute(
        "UPDATE event SET bay = ?, hash = ? WHERE seq = 4", (forged.bay, forged.hash)
    )
    assert first_break(store.events()) == 5


def test_entries_that_change_places_show(store: SqliteStore, raw: sqlite3.Connection) -> None:
    without_triggers(raw)
    for source, target in ((3, 99), (4, 3), (99, 4)):
        raw.execute("UPDATE event SET seq = ? WHERE seq = ?", (target, source))
    assert first_break(store.events()) == 3


@settings(deadline=None, max_examples=50)
@given(st.lists(st.dictionaries(st.text(), JSON, max_size=4), max_size=5))
def test_any_json_comes_back_with_its_hash(
    tmp_path_factory: pytest.TempPathFactory, datas: list[dict[str, Any]]
) -> None:
    store = SqliteStore(tmp_path_factory.mktemp("chain"))
    written = store.add_events([NewEvent(1, "test", "one", data) for data in datas])
    assert list(store.events()) == written
    assert first_break(store.events()) is None
    store.close()


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), {1, 2}, b"bytes", "half a pair \ud800", {1: 1, "a": 2}]
)
def test_what_is_no_json_is_a_store_error_and_leaves_the_chain(
    store: SqliteStore, value: object
) -> None:
    for attempt in (
        lambda: store.add_events([NewEvent(1, "good", "", {}), NewEvent(1, "x", "", {"v": value})]),
        lambda: store.ask("x", "one", {"v": value}, 1),
    ):
        with pytest.raises(StoreError, match="no JSON"):
            attempt()
    assert len(list(store.events())) == 7
    assert store.requests() == []


def test_canonical_text_does_not_depend_on_the_order_of_keys() -> None:
    assert canonical({"b": 1, "a": [1.5, "ø"]}) == '{"a":[1.5,"ø"],"b":1}'
    assert canonical({"a": [1.5, "ø"], "b": 1}) == canonical({"b": 1, "a": [1.5, "ø"]})


def test_first_entry_follows_from_the_genesis_hash() -> None:
    assert link(GENESIS, 1, NewEvent(1, "k", "b", {})).hash != link("1" * 64, 1, NewEvent(
        1, "k", "b", {})).hash  # fmt: skip


def test_migrations_are_recorded_once(store: SqliteStore, raw: sqlite3.Connection) -> None:
    first = raw.execute("SELECT name, applied_us FROM migration").fetchall()
    assert [name for name, _ in first] == [name for name, _ in MIGRATIONS]
    SqliteStore(store.path.parent).close()
    assert raw.execute("SELECT name, applied_us FROM migration").fetchall() == first


def test_file_of_a_newer_envmon_is_refused_and_left_alone(
    store: SqliteStore, raw: sqlite3.Connection
) -> None:
    raw.execute("INSERT INTO migration VALUES ('9999_future', 1)")
    with pytest.raises(StoreError, match=r"newer envmon \(it has 9999_future\)"):
        SqliteStore(store.path.parent)
    assert raw.execute("SELECT count(*) FROM event").fetchone() == (7,)


def test_file_that_is_no_database_is_a_store_error(tmp_path: Path) -> None:
    (tmp_path / LIVE_FILE).write_bytes(b"this is a letter, not a database" * 200)
    with pytest.raises(StoreError, match="cannot open"):
        SqliteStore(tmp_path)
