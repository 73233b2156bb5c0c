"""Whatever bytes come in by a door: a documented answer within a second, and nothing kept of it.

The doors and their seeds stand in ``hostile_support``; ``acceptance/hostile_fuzz.py`` gives each of
them minutes instead of moments.
"""

from __future__ import annotations

import gc
import random
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from envmon.clock import ManualClock
from envmon.errors import EnvmonError, InputError, ShopFileError
from envmon.service.heating.bills import LARGEST_FILE as LARGEST_BILLS
from envmon.service.heating.bills import BillsWish, bills_from_csv, import_bills
from envmon.service.keeping.importing import ImportJob, import_file
from envmon.service.record.verifying import checked
from envmon.shop.load import LARGEST_FILE, load_shop
from envmon.store.sqlite import SqliteStore
from envmon_boards.feed import LiveFeed
from tests.hostile_support import (
    DOORS,
    FIXTURES,
    NOW_US,
    SLOWEST_S,
    TODAY,
    cpu_of,
    forged,
    rss_mib,
    shop,
)

if TYPE_CHECKING:
    from pathlib import Path

SLOW = {"shop": 25, "csv": 25, "gzip": 25, "parquet": 25}
"""Doors with a file or a database behind them get fewer inputs."""
BYTES_DOORS = [name for name in DOORS if name != "record"]
PATIENCE_S = 3 * SLOWEST_S
"""The longest input there is, on a machine three times slower [s of the processor]."""
WARM, MORE, GROWN_MIB = 300, 1_500, 16.0


def changed(seed: bytes, words: tuple[bytes, ...], number: int) -> bytes:
    """Return a seed with a few bytes cut, doubled, put in or changed."""
    luck, data = random.Random(number), bytearray(seed)
    for _ in range(luck.randint(1, 6)):
        at, to = sorted((luck.randint(0, len(data)), luck.randint(0, len(data))))
        act = luck.randrange(5)
        if act == 0:
            del data[at : min(to, at + 40)]
        elif act == 1:
            data[at:at] = data[at : min(to, at + 200)]
        elif act == 2:
            data[at:at] = luck.choice(words or (b"\0",))
        elif act == 3 and at < len(data):
            data[at] = luck.randrange(256)
        else:
            data[at:at] = bytes([luck.choice(b"\0\r\n\"'[]{},;=-+1\xff\xc3")])
    return bytes(data)


@pytest.mark.parametrize("name", BYTES_DOORS)
def test_a_door_answers_any_bytes_within_a_second(name: str) -> None:
    door = DOORS[name]
    seeds = door.seeds()
    assert any(door.take(seed) for seed in seeds)  # else nothing behind the door is reached

    @settings(
        max_examples=SLOW.get(name, 150), deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.large_base_example],
    )  # fmt: skip
    @given(st.sampled_from(seeds), st.integers(0, 2**32), st.binary(max_size=60))
    def any_bytes(seed: bytes, number: int, plain: bytes) -> None:
        for data in (plain, changed(seed, door.words, number), seed[: number % 50] + plain):
            assert cpu_of(door.take, data)[1] < SLOWEST_S

    any_bytes()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32))
@example(1)
def test_a_record_changed_by_somebody_who_knows_it_is_never_more_than_wrong(seed: int) -> None:
    door = DOORS["record"]
    made = door.seeds()[0]
    assert door.take(made)

    assert cpu_of(door.take, forged(made, seed))[1] < SLOWEST_S


def test_a_digest_of_any_text_is_only_wrong() -> None:
    made = DOORS["record"].seeds()[0]
    strange = made.replace(b'"digest":"', b'"digest":"\xc3\xa9', 1)

    assert strange != made
    assert any("digest" in text for text in checked(strange).wrong)


@pytest.mark.parametrize("name", ["senml", "json", "topic", "button", "bills", "feed"])
def test_memory_stays_level(name: str) -> None:
    door = DOORS[name]
    seeds = door.seeds()

    def take(numbers: range) -> None:
        for number in numbers:
            door.take(changed(seeds[number % len(seeds)], door.words, number))
        gc.collect()

    take(range(WARM))
    before = rss_mib()
    take(range(WARM, WARM + MORE))

    assert rss_mib() - before < GROWN_MIB


def test_files_without_end_are_refused_before_they_are_read(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_bytes(b"[[bay]]\n" * (LARGEST_FILE // 8 + 1))
    with pytest.raises(ShopFileError) as refused:
        load_shop(path)
    assert "is it a shop file?" in refused.value.faults[0].message

    path.write_bytes(b"".join(b"k%d=1\n" % n for n in range(LARGEST_FILE // 9)))

    def refuses(_data: bytes) -> bool:
        with pytest.raises(ShopFileError):
            load_shop(path)
        return True

    assert cpu_of(refuses, b"")[1] < PATIENCE_S


@pytest.mark.parametrize(
    "rows",
    ['"' + "x" * 200_000 + '",2025-01-31,1,kWh,1', "x\n" * (LARGEST_BILLS // 2 - 50)],
    ids=["a cell without end", "faults without end"],
)
def test_bills_without_end_are_refused_in_words(rows: str) -> None:
    def refuses(_data: bytes) -> bool:
        with pytest.raises(InputError, match="nothing was brought in"):
            bills_from_csv("from,to,amount,unit,cost\n" + rows, shop().heating, TODAY)
        return True

    assert cpu_of(refuses, b"")[1] < PATIENCE_S


def kept_in(folder: Path) -> tuple[int, int, int]:
    """Return how many readings, events and requests a data folder holds."""
    with closing(SqliteStore(folder)) as store:
        rows = [len(list(store.readings(0, 2**62))), len(list(store.events()))]
        return rows[0], rows[1], len(store.requests())


@settings(max_examples=15, deadline=None, suppress_health_check=[*HealthCheck])
@given(number=st.integers(0, 2**32))
@pytest.mark.parametrize("name", ["csv", "parquet", "bills"])
def test_of_a_refused_file_nothing_is_kept(
    name: str, number: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("refused")
    door, shop_file = DOORS[name], FIXTURES / "shops" / "one_bay_metric.toml"
    file = folder / f"in.{'csv' if name == 'bills' else name}"
    file.write_bytes(changed(door.seeds()[0], door.words, number))
    clock, data = ManualClock(NOW_US), str(folder / "data")
    new = 0
    try:
        if name == "bills":
            import_bills(BillsWish(shop_file, file, data), clock, lambda _line: None)
            new = 1
        else:
            job = ImportJob(shop_file, file, data, any_point=True)
            new = import_file(job, clock, lambda _bytes, _rows: None).tally.new
    except EnvmonError:
        pass
    if new == 0:
        assert kept_in(folder / "data") == (0, 0, 0)


def test_the_boards_keep_nothing_of_bays_the_shop_does_not_have() -> None:
    feed = LiveFeed(known=frozenset({"one"}))
    for number in range(1_000):
        feed.take(f"envmon/b{number}/state", b'{"bay":"x"}')
        feed.take(f"envmon/b{number}/outlook", b"{}")

    assert feed.snapshot()[1]["bays"] == {}
    assert "envmon/one/state" in feed.topics()
    assert not any("+" in topic for topic in feed.topics())
