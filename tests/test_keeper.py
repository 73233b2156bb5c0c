"""The keeper: one at a time, says what is wrong, keeps a second copy of the event chain."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.clock import DAY_US, ManualClock
from envmon.errors import ServiceError
from envmon.facts import NewEvent
from envmon.service.keeping.keeper import KEEPER_WORD, Keeper, KeeperWord, archive_lock
from envmon.store.chain import first_break
from envmon.store.chain_copy import bring_up_copy, copy_path, read_copy
from envmon.store.sqlite import SqliteStore
from tests.archive_support import DAY0, everything, keep, some_days
from tests.guard_support import SHOP, shop_from

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOW_US = (DAY0 + 5) * DAY_US


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    keeper = Keeper(shop_from(SHOP), tmp_path)
    yield keeper
    keeper.close()


def word(folder: Path) -> str:
    store = SqliteStore(folder)
    text = store.snapshot(KEEPER_WORD)
    store.close()
    return msgspec.json.decode(text or b"{}", type=KeeperWord).text


def test_turn_moves_what_is_closed_and_says_nothing(keeper: Keeper, tmp_path: Path) -> None:
    keep(tmp_path, some_days(5))
    assert keeper.turn(NOW_US).moved == 3 * 432
    assert keeper.turn(NOW_US) == (0, 0, 0, 0, ())
    keeper.say(NOW_US)
    assert word(tmp_path) == ""


def test_second_keeper_is_refused_and_nothing_is_touched(keeper: Keeper, tmp_path: Path) -> None:
    keep(tmp_path, some_days(5))
    with (
        archive_lock(tmp_path),
        pytest.raises(ServiceError, match="another process works on the archive"),
    ):
        keeper.turn(NOW_US)
    assert not list(tmp_path.rglob("*.parquet"))
    assert keeper.turn(NOW_US).moved == 3 * 432


def test_damaged_file_is_set_aside_and_told_until_the_keeper_ends(
    keeper: Keeper, tmp_path: Path
) -> None:
    keep(tmp_path, some_days(5))
    keeper.turn(NOW_US)
    victim = sorted(tmp_path.rglob("*.parquet"))[1]
    victim.write_bytes(victim.read_bytes()[:-100])
    assert keeper.turn(NOW_US).damaged == (victim.name,)
    keeper.say(NOW_US)
    assert victim.name in word(tmp_path)
    assert "backup" in word(tmp_path)
    assert victim.with_name(victim.name + ".damaged").exists()
    assert {r.t_us // DAY_US for r in everything(tmp_path)} == {DAY0, *range(DAY0 + 2, DAY0 + 5)}


def test_failure_is_told_and_taken_back(keeper: Keeper, tmp_path: Path) -> None:
    keeper.say(NOW_US, "the disk is full")
    assert word(tmp_path) == "the disk is full"
    keeper.say(NOW_US)
    assert word(tmp_path) == ""


def chained(folder: Path, count: int) -> SqliteStore:
    store = SqliteStore(folder)
    store.add_events([NewEvent(n, "test", "one", {"n": n, "ø": "é\n"}) for n in range(count)])
    return store


def test_copy_of_the_chain_grows_and_verifies(tmp_path: Path) -> None:
    store, path = chained(tmp_path, 5), copy_path(tmp_path, "test")
    assert bring_up_copy(store, path) == 5
    assert bring_up_copy(store, path) == 0
    store.add_events([NewEvent(9, "test", "", {})])
    assert bring_up_copy(store, path) == 1
    assert read_copy(path) == list(store.events())
    assert first_break(read_copy(path)) is None
    store.close()


@pytest.mark.parametrize("cut", [1, 30, 150])
def test_torn_copy_is_kept_and_written_anew(tmp_path: Path, cut: int) -> None:
    store, path = chained(tmp_path, 5), copy_path(tmp_path, "test")
    bring_up_copy(store, path)
    whole = path.read_bytes()
    path.write_bytes(whole[:-cut])
    torn = read_copy(path)
    assert torn == list(store.events())[: len(torn)]
    assert len(torn) >= 3
    bring_up_copy(store, path)
    assert path.read_bytes() == whole
    assert path.with_name(path.name + ".torn").read_bytes() == whole[:-cut]
    store.close()


def test_copy_of_another_chain_is_kept_beside(tmp_path: Path) -> None:
    store, path = chained(tmp_path, 5), copy_path(tmp_path, "test")
    other = json.dumps([3, 1, "x", "", {}, "0" * 64]) + "\n"
    path.parent.mkdir(parents=True)
    path.write_text(other, encoding="utf-8")
    assert bring_up_copy(store, path) == 5
    assert read_copy(path) == list(store.events())
    assert path.with_name("events.jsonl.3.other").read_text(encoding="utf-8") == other
    store.close()


def test_process_turns_until_stopped(keeper: Keeper, tmp_path: Path) -> None:
    import threading

    from envmon.service.keeping.keeper_process import run

    keep(tmp_path, some_days(5))
    stop = threading.Event()

    class StopAfterOne(ManualClock):
        def now_us(self) -> int:
            stop.set()
            return super().now_us()

    run(keeper, StopAfterOne(NOW_US), stop)
    assert len(list(tmp_path.rglob("*.parquet"))) == 3
