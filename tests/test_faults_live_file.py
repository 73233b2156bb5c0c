"""A damaged or missing live file is found, set aside and told of; the rest goes on."""

from __future__ import annotations

import shutil
import sqlite3
from typing import TYPE_CHECKING, NamedTuple

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US
from envmon.errors import StoreDamagedError, StoreError
from envmon.facts import Event, Flag, Reading
from envmon.service.heartbeat import NOTICE_US
from envmon.service.keeping.keeper import Keeper
from envmon.service.watch import Watch
from envmon.service.watch_process import ensure_sound
from envmon.store import rescue
from envmon.store.chain import first_break
from envmon.store.chain_copy import copy_path
from envmon.store.rescue import RENEWED, SUSPECT_FILE, open_or_renew
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.archive_support import DAY0
from tests.faults_support import (
    NOW_US,
    PAGE,
    SITE,
    all_rows,
    live_rows,
    lived_in,
    overwrite_pages,
    page_count,
)
from tests.guard_support import SHOP, shop_from
from tests.watch_support import HandWatch

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LATER_US = NOW_US + 60_000_000


class Before(NamedTuple):
    """What was there before the damage."""

    folder: Path
    live: set[Reading]
    days: dict[int, list[Reading]]
    events: list[Event]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Before:
    folder = tmp_path_factory.mktemp("shop") / "data"
    lived_in(folder)
    store = SqliteStore(folder)
    events = list(store.events())
    store.close()
    return Before(folder, live_rows(folder), all_rows(folder), events)


@pytest.fixture
def data(whole: Before, tmp_path: Path) -> Path:
    shutil.copytree(whole.folder, tmp_path / "data")
    return tmp_path / "data"


def header(data: Path) -> None:
    with (data / LIVE_FILE).open("r+b") as handle:
        handle.write(b"\0" * 100)


def first_page(data: Path) -> None:
    overwrite_pages(data / LIVE_FILE, [0])


def middle(data: Path) -> None:
    overwrite_pages(data / LIVE_FILE, list(range(page_count(data) // 2, page_count(data) // 2 + 8)))


def every_tenth(data: Path) -> None:
    overwrite_pages(data / LIVE_FILE, list(range(15, page_count(data), 10)))


def half(data: Path) -> None:
    live = data / LIVE_FILE
    live.write_bytes(live.read_bytes()[: page_count(data) // 2 * PAGE + 1000])


def empty(data: Path) -> None:
    (data / LIVE_FILE).write_bytes(b"")


def missing(data: Path) -> None:
    (data / LIVE_FILE).unlink()


def no_database(data: Path) -> None:
    (data / LIVE_FILE).write_bytes(b"notes of the day\n" * 5000)


def renewed(data: Path) -> tuple[SqliteStore, rescue.Renewal]:
    store, renewal = open_or_renew(data, SITE, LATER_US)
    assert renewal is not None
    return store, renewal


@pytest.mark.parametrize(
    ("damage", "least"),
    [
        (header, 1.0), (first_page, 1.0), (middle, 0.8), (every_tenth, 0.6), (half, 0.02),
        (empty, 0.0), (missing, 0.0), (no_database, 0.0),
    ],
)  # fmt: skip
def test_damaged_file_is_renewed_and_history_is_whole_after_a_keepers_turn(
    data: Path, whole: Before, damage: Callable[[Path], None], least: float
) -> None:
    damage(data)
    broken = (data / LIVE_FILE).read_bytes() if (data / LIVE_FILE).exists() else b""
    store, renewal = renewed(data)
    events = list(store.events())
    kept = set(store.readings(-(2**62), 2**62))
    store.close()

    assert kept <= whole.live
    assert least * len(whole.live) <= len(kept) == renewal.readings
    assert first_break(events) is None
    assert events[:-1] == whole.events
    assert events[-1].kind == RENEWED
    assert events[-1].data["events"] == renewal.events == len(whole.events)
    assert bool(renewal.file) == bool(broken)
    if renewal.file:
        assert (data / renewal.file).read_bytes() == broken
    keeper = Keeper(shop_from(SHOP), data)
    assert keeper.turn(LATER_US).adopted == 3
    keeper.close()
    after = all_rows(data)
    for day in range(DAY0, DAY0 + 3):
        assert after[day] == whole.days[day]
    summaries = sqlite3.connect(data / LIVE_FILE)
    assert summaries.execute("SELECT count(*) FROM summary").fetchone()[0] == 3 * 3 * 2
    summaries.close()


def test_sound_file_is_left_alone(data: Path) -> None:
    before = (data / LIVE_FILE).read_bytes()
    store, renewal = open_or_renew(data, SITE, LATER_US)
    store.close()
    assert renewal is None
    assert (data / LIVE_FILE).read_bytes() == before
    assert not list(data.glob("*.damaged*"))


def test_folder_without_anything_is_a_fresh_start(tmp_path: Path) -> None:
    store, renewal = open_or_renew(tmp_path / "data", SITE, NOW_US)
    assert renewal is None
    assert list(store.events()) == []
    store.close()


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    pages=st.sets(st.integers(0, 1 << 16), min_size=1, max_size=12),
    byte=st.sampled_from([0, 90, 255]),
)
def test_whatever_pages_go_bad_nothing_is_invented_and_the_chain_verifies(
    whole: Before, scratch: Path, pages: set[int], byte: int
) -> None:
    shutil.rmtree(scratch)
    shutil.copytree(whole.folder, scratch)
    bad = sorted({page % page_count(scratch) for page in pages})
    overwrite_pages(scratch / LIVE_FILE, bad, byte)
    store, _ = open_or_renew(scratch, SITE, LATER_US)
    events, kept = list(store.events()), set(store.readings(-(2**62), 2**62))
    store.close()

    assert kept <= whole.live
    assert first_break(events) is None
    assert events[: len(whole.events)] == whole.events
    found = sqlite3.connect(scratch / LIVE_FILE)
    assert found.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    found.close()


def reading_leaves(data: Path) -> dict[int, int]:
    """Return how many readings stand on each page, as SQLite's own dbstat tells, pages from 0."""
    db = sqlite3.connect(data / LIVE_FILE)
    sql = "SELECT pageno - 1, ncell FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf'"
    try:
        return dict(db.execute(sql))
    except sqlite3.OperationalError as error:
        pytest.skip(f"this SQLite cannot tell its pages: {error}")
    finally:
        db.close()


def test_damaged_pages_cost_their_own_rows_and_few_others(data: Path, whole: Before) -> None:
    leaves = reading_leaves(data)
    chosen = sorted(leaves)[2::9]
    assert len(chosen) >= 5
    overwrite_pages(data / LIVE_FILE, chosen)
    store, renewal = renewed(data)
    store.close()
    lost = len(whole.live) - renewal.readings
    on_them = sum(leaves[page] for page in chosen)
    # Beside each page one reading stands above it in the tree, and may go with it or stay.
    assert on_them <= lost <= on_them + 2 * len(chosen)


def test_garbage_beside_the_file_is_found_though_sqlite_passes_over_it(
    data: Path, whole: Before
) -> None:
    store = SqliteStore(data)
    newer = Reading("panel", "panel_temp_c", NOW_US + 5, 21.0, Flag.GOOD, NOW_US + 5)
    store.add_readings([newer])
    wal = data / (LIVE_FILE + "-wal")
    garbage = b"\x5a" * wal.stat().st_size
    copied = data.with_name("copied")
    shutil.copytree(data, copied)
    store.close()
    (copied / (LIVE_FILE + "-wal")).write_bytes(garbage)

    store, renewal = renewed(copied)
    kept = set(store.readings(-(2**62), 2**62))
    store.close()
    assert "-wal" in renewal.why
    assert kept == whole.live
    assert (copied / (renewal.file + "-wal")).read_bytes() == garbage


def test_committed_events_that_are_gone_are_missed_and_come_back(data: Path, whole: Before) -> None:
    """The newest entries (-wal) are deleted, after the chain's copy had them."""
    hand = HandWatch(data, at_us=LATER_US)
    hand.store.ask("stage_started", "one", {"stage": "coating"}, LATER_US)
    hand.watch.turn(0)
    keeper = Keeper(shop_from(SHOP), data)
    keeper.turn(LATER_US)
    copied = data.with_name("copied")
    shutil.copytree(data, copied)
    events = list(hand.store.events())
    keeper.close()
    hand.store.close()
    (copied / (LIVE_FILE + "-wal")).unlink()
    (copied / (LIVE_FILE + "-shm")).unlink()

    store, renewal = renewed(copied)
    assert f"ends at event {len(whole.events)}" in renewal.why
    assert renewal.source == "salvage and copy"
    assert list(store.events())[:-1] == events
    store.close()


def test_chain_is_pieced_together_from_file_and_copy(data: Path, whole: Before) -> None:
    """The copy ends early, and the file has a hole before that."""
    copy = copy_path(data, SITE)
    lines = copy.read_bytes().splitlines(keepends=True)
    copy.write_bytes(b"".join(lines[:150]))
    raw = (data / LIVE_FILE).read_bytes()
    page = next(n for n in range(len(raw) // PAGE) if b'"n":20,' in raw[n * PAGE : (n + 1) * PAGE])
    overwrite_pages(data / LIVE_FILE, [page])
    store, renewal = renewed(data)
    assert renewal.source == "salvage and copy"
    assert list(store.events())[:-1] == whole.events
    store.close()


def test_without_a_copy_the_chain_keeps_its_longest_true_beginning(
    data: Path, whole: Before
) -> None:
    copy_path(data, SITE).unlink()
    raw = (data / LIVE_FILE).read_bytes()
    page = next(n for n in range(len(raw) // PAGE) if b'"n":100,' in raw[n * PAGE : (n + 1) * PAGE])
    overwrite_pages(data / LIVE_FILE, [page])
    store, renewal = renewed(data)
    events = list(store.events())
    assert store.snapshot("guard") is None
    store.close()
    assert 80 <= renewal.events <= 101
    assert events[: renewal.events] == whole.events[: renewal.events]
    assert first_break(events) is None


class PowerCutError(Exception):
    """Stands for a power cut."""


STEPS = ["sync", "_swap_in", "_name_also", "rmtree", "replace 1", "replace 2", "replace 3"]


@pytest.mark.parametrize("step", STEPS)
def test_power_cut_while_renewing_costs_a_second_try(
    data: Path, whole: Before, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = SqliteStore(data)
    store.add_readings([Reading("panel", "panel_temp_c", NOW_US, 21.0, Flag.GOOD, NOW_US)])
    (data / "x").mkdir()
    for tail in ("", "-wal", "-shm"):
        shutil.copy(data / (LIVE_FILE + tail), data / "x" / (LIVE_FILE + tail))
    store.close()
    for tail in ("", "-wal", "-shm"):
        shutil.move(data / "x" / (LIVE_FILE + tail), data / (LIVE_FILE + tail))
    (data / "x").rmdir()
    middle(data)
    with monkeypatch.context() as patch:
        _crash_at(step, patch)
        with pytest.raises(PowerCutError):
            open_or_renew(data, SITE, LATER_US)
    store, _ = open_or_renew(data, SITE, LATER_US)
    events = list(store.events())
    kept = {r for r in store.readings(-(2**62), 2**62) if r.point != "panel"}
    store.close()
    assert kept <= whole.live
    assert len(kept) >= 0.8 * len(whole.live)
    assert [event.kind for event in events].count(RENEWED) == 1
    assert first_break(events) is None
    assert len(list(data.glob(f"{LIVE_FILE}.damaged-*"))) == 3
    assert not (data / "renewing").exists()
    assert not (data / "renewed").exists()


def _crash_at(step: str, patch: pytest.MonkeyPatch) -> None:
    from pathlib import Path as AnyPath

    def crash(*_arguments: object) -> None:
        raise PowerCutError

    name, _, number = step.partition(" ")
    if name == "rmtree":
        real_tree, calls = shutil.rmtree, iter([False, True])
        patch.setattr(
            shutil,
            "rmtree",
            lambda path, **more: crash() if next(calls) else real_tree(path, **more),
        )
    elif name == "replace":
        real, left = AnyPath.replace, [int(number)]

        def replace(self: AnyPath, target: AnyPath) -> AnyPath:
            left[0] -= 1
            if left[0] == 0:
                raise PowerCutError
            return real(self, target)

        patch.setattr(AnyPath, "replace", replace)
    else:
        patch.setattr(rescue, name, crash)


def test_another_process_finds_no_database_while_files_change_places(
    data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    middle(data)
    tried: list[str] = []
    from pathlib import Path as AnyPath

    real_replace = AnyPath.replace

    def replace(self: AnyPath, target: AnyPath) -> AnyPath:
        done = real_replace(self, target)
        if self.name == "stub":
            with pytest.raises(StoreDamagedError):
                SqliteStore(data)
            tried.append(self.name)
        return done

    monkeypatch.setattr(AnyPath, "replace", replace)
    store, _ = renewed(data)
    store.close()
    assert tried == ["stub"]
    assert not (data / (LIVE_FILE + "-wal")).exists()


def test_watch_comes_back_with_the_stage_and_says_it_for_a_day(data: Path) -> None:
    missing(data)
    store, renewal = renewed(data)
    store.close()
    hand = HandWatch(data, at_us=LATER_US)
    assert hand.watch.state.bays["one"].stage == "polish"
    hand.watch.turn(0)
    beat = hand.retained("envmon/watch/heartbeat")
    assert (beat["state"], beat["text"]) == ("up", renewal.text())
    assert "missing" in beat["text"]
    assert "events" in beat["text"]
    hand.clock.at_us = LATER_US + NOTICE_US + 2_000_000
    hand.watch.turn(0)
    hand.watch._heart.beat(now=True)
    assert hand.retained("envmon/watch/heartbeat")["text"] == ""
    hand.store.close()


def test_salvaged_chain_brings_the_guards_snapshot_along(data: Path) -> None:
    middle(data)
    copy_path(data, SITE).unlink()
    raw = sqlite3.connect(data / LIVE_FILE)
    before = raw.execute("SELECT state FROM snapshot WHERE name = 'guard'").fetchone()[0]
    checkpoints = raw.execute("SELECT count(*) FROM checkpoint").fetchone()
    raw.close()
    store, renewal = renewed(data)
    assert renewal.source == "salvage"
    assert store.snapshot("guard") == before
    assert store.run("SELECT count(*) FROM checkpoint").fetchone() == checkpoints
    store.close()


def test_requests_of_a_person_come_over(data: Path) -> None:
    store = SqliteStore(data)
    store.ask("stage_started", "two", {"stage": "polish"}, NOW_US)
    store.close()
    middle(data)
    store, _ = renewed(data)
    assert [(r.kind, r.bay) for r in store.requests()] == [("stage_started", "two")]
    store.close()


@pytest.fixture
def small_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let SQLite keep next to nothing in memory, so that it meets the damage at once."""
    real = SqliteStore.__init__

    def opened(self: SqliteStore, folder: Path) -> None:
        real(self, folder)
        self.run("PRAGMA cache_size = 1")

    monkeypatch.setattr(SqliteStore, "__init__", opened)


@pytest.mark.usefixtures("small_cache")
def test_damage_met_in_a_turn_leaves_the_watch_and_nothing_is_acknowledged(data: Path) -> None:
    hand = HandWatch(data, at_us=LATER_US)
    hand.store.run("PRAGMA wal_checkpoint(TRUNCATE)")
    overwrite_pages(data / LIVE_FILE, list(range(2, page_count(data))))
    hand.link.put("hall/panel", b'[{"n":"temp","v":20.5}]')
    with pytest.raises(StoreDamagedError, match="it is damaged"):
        hand.watch.turn(0)
    assert hand.link.acknowledged == []
    hand.store.close()


def test_keeper_that_meets_damage_makes_the_watch_look(data: Path) -> None:
    keeper = Keeper(shop_from(SHOP), data)
    overwrite_pages(data / LIVE_FILE, list(range(2, page_count(data))))
    with pytest.raises(StoreDamagedError):
        keeper.turn(NOW_US + 3 * DAY_US)
    inode = (data / LIVE_FILE).stat().st_ino
    with pytest.raises(StoreDamagedError, match="another process met damage"):
        ensure_sound(data / LIVE_FILE, inode)
    store, _ = renewed(data)
    assert not (data / SUSPECT_FILE).exists()
    ensure_sound(data / LIVE_FILE, (data / LIVE_FILE).stat().st_ino)
    store.close()
    assert keeper.turn(LATER_US).adopted == 3
    keeper.close()


def test_file_taken_away_under_the_watch_is_noticed(data: Path) -> None:
    inode = (data / LIVE_FILE).stat().st_ino
    ensure_sound(data / LIVE_FILE, inode)
    keeper = Keeper(shop_from(SHOP), data)
    missing(data)
    with pytest.raises(StoreDamagedError, match="taken away"):
        ensure_sound(data / LIVE_FILE, inode)
    with pytest.raises(StoreError, match="is gone"):
        keeper.turn(LATER_US)
    SqliteStore(data).close()
    with pytest.raises(StoreDamagedError, match="taken away"):
        ensure_sound(data / LIVE_FILE, inode)
    keeper.close()


def test_file_another_process_made_in_place_of_a_lost_one_counts_as_lost(
    data: Path, whole: Before
) -> None:
    """A board that opens a missing file makes one."""
    missing(data)
    SqliteStore(data).close()
    store, renewal = renewed(data)
    assert f"its copy in the archive at {len(whole.events)}" in renewal.why
    assert list(store.events())[:-1] == whole.events
    store.close()


def test_watch_on_a_renewed_store_is_the_same_watch_again(data: Path) -> None:
    """A second start after the renewal finds nothing to renew and no news to write."""
    middle(data)
    store, _ = renewed(data)
    store.close()
    first = HandWatch(data, at_us=LATER_US)
    first.watch.finish()
    store, again = open_or_renew(data, SITE, LATER_US)
    assert again is None
    kinds = [event.kind for event in store.events()]
    assert kinds.count(RENEWED) == 1
    Watch(shop_from(SHOP), store, first.link, first.clock)
    assert [event.kind for event in store.events()] == kinds
    store.close()
