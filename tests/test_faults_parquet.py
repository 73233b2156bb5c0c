"""A torn or missing Parquet file costs the readings of its days; the rest of history goes on."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.clock import DAY_US, HOUR_US
from envmon.service.keeping.keeper import KEEPER_WORD, Keeper, KeeperWord
from envmon.store.history import history
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from tests.archive_support import DAY0, KEY_SERIES
from tests.faults_support import NOW_US, all_rows, lived_in
from tests.guard_support import SHOP, shop_from
from tests.watch_support import HandWatch

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.facts import Reading
    from envmon.store.history import History

TORN_DAY = DAY0 + 1


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop") / "data"
    lived_in(folder)
    return folder


@pytest.fixture
def data(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path / "data")
    return tmp_path / "data"


def truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def flip_a_bit(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 3] ^= 0x10
    path.write_bytes(raw)


def remove(path: Path) -> None:
    path.unlink()


def by_the_hour(data: Path) -> History:
    store = SqliteStore(data)
    past = Past(store, data)
    try:
        return history(past, KEY_SERIES, DAY0 * DAY_US, NOW_US, 200, "UTC")
    finally:
        past.close()
        store.close()


def word_of(data: Path) -> str:
    store = SqliteStore(data)
    text = store.snapshot(KEEPER_WORD)
    store.close()
    return msgspec.json.decode(text or b"{}", type=KeeperWord).text


def without(days: dict[int, list[Reading]], day: int) -> dict[int, list[Reading]]:
    return {other: rows for other, rows in days.items() if other != day}


@pytest.mark.parametrize(
    ("tear", "why"),
    [(truncate, "bytes instead of"), (flip_a_bit, "digest"), (remove, "missing")],
)
def test_torn_file_is_set_aside_and_told_and_the_rest_goes_on(
    data: Path,
    whole: Path,
    tear: Callable[[Path], None],
    why: str,
    caplog: pytest.LogCaptureFixture,
) -> None:
    before, chart = all_rows(whole), by_the_hour(whole)
    victim = sorted(data.rglob("*.parquet"))[1]
    tear(victim)
    torn = victim.read_bytes() if victim.exists() else None
    keeper = Keeper(shop_from(SHOP), data)
    turned = keeper.turn(NOW_US + HOUR_US)
    assert turned.damaged == (victim.name,)
    assert why in caplog.text
    keeper.say(NOW_US + HOUR_US)
    assert f"damaged in the archive, set aside: {victim.name}" in word_of(data)
    assert keeper.turn(NOW_US + 2 * HOUR_US).damaged == ()
    keeper.close()

    aside = victim.with_name(victim.name + ".damaged")
    assert (aside.read_bytes() if aside.exists() else None) == torn
    assert all_rows(data) == without(before, TORN_DAY)
    after = by_the_hour(data)
    assert after.step_s == chart.step_s >= 3600
    for name, line in chart.lines.items():
        for old, new in zip(line, after.lines[name], strict=True):
            assert old.tobytes() == new.tobytes()


def test_torn_file_met_by_a_reader_before_the_keeper_is_left_out_loudly(
    data: Path, whole: Path, caplog: pytest.LogCaptureFixture
) -> None:
    truncate(sorted(data.rglob("*.parquet"))[1])
    assert all_rows(data) == without(all_rows(whole), TORN_DAY)
    assert "left out" in caplog.text


def test_file_put_back_from_a_backup_counts_again(data: Path, whole: Path) -> None:
    victim = sorted(data.rglob("*.parquet"))[1]
    sound = victim.read_bytes()
    truncate(victim)
    keeper = Keeper(shop_from(SHOP), data)
    keeper.turn(NOW_US)
    victim.write_bytes(sound)
    assert keeper.turn(NOW_US).adopted == 1
    keeper.close()
    assert all_rows(data) == all_rows(whole)


def test_watch_tells_the_screens_what_the_keeper_found(data: Path) -> None:
    truncate(sorted(data.rglob("*.parquet"))[1])
    keeper = Keeper(shop_from(SHOP), data)
    keeper.turn(NOW_US)
    keeper.say(NOW_US)
    keeper.close()
    hand = HandWatch(data, at_us=NOW_US)
    hand.watch.turn(0)
    beat = hand.retained("envmon/watch/heartbeat")
    assert beat["state"] == "up"
    assert "restore from a backup" in beat["text"]
    hand.store.close()
