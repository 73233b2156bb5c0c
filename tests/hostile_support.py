"""Doors that bytes from outside come in by, with what they begin from, and what must hold of each.

A door takes any bytes. It returns whether it took them in; documented errors are refusals, and
everything else that comes out of it is a fault.
"""

from __future__ import annotations

import atexit
import gzip
import json
import math
import os
import random
import shutil
import tempfile
import time
from contextlib import suppress
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

import cbor2

from envmon.errors import InputError, PayloadError, ShopFileError
from envmon.intake.decode import Decoder
from envmon.intake.topics import TopicTable
from envmon.service.buttons import parse_press
from envmon.service.heating.bills import bills_from_csv
from envmon.service.keeping.import_judge import judged
from envmon.service.keeping.import_known import Known
from envmon.service.keeping.importing import source_of
from envmon.service.record.proof import sealed, text_of
from envmon.service.record.verifying import checked
from envmon.shop.load import load_shop
from envmon.shop.models import Point, Read
from envmon.store.parquet import open_duck
from envmon_boards.feed import ALARMS_TOPIC, HEARTBEAT_TOPIC, LiveFeed
from tests.record_support import JOB, told_story

if TYPE_CHECKING:
    from collections.abc import Callable

    import duckdb

    from envmon.shop.models import Shop

NOW_US = 1_768_374_001_000_000
TODAY = date(2026, 1, 14)
SLOWEST_S = 1.0
"""No input may take longer [s of the processor]."""
FIXTURES = Path(__file__).parent.parent / "fixtures"
READS = {
    "air_temp_c": {"name": "t", "pointer": "/t"},
    "door_open": {"name": "d", "pointer": "/d/0/~1"},
}


class Door(NamedTuple):
    """One way in.

    Attributes:
        take: Takes bytes; returns whether they were taken in.
        seeds: What is taken in as it stands; the first of it, changed, makes good fuzz.
        words: Words of its language.
    """

    take: Callable[[bytes], bool]
    seeds: Callable[[], list[bytes]]
    words: tuple[bytes, ...] = ()


def cpu_of(take: Callable[[bytes], bool], data: bytes) -> tuple[bool, float]:
    """Return what a door said and what it took [s of the processor]."""
    begun = time.process_time()
    taken = take(data)
    return taken, time.process_time() - begun


def rss_mib() -> float:
    """Return what this process takes of the memory now [MiB]."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


@cache
def decoder() -> Decoder:
    forms = ("senml", "json", "number")
    points = [{"id": f, "topic": f, "format": f, "reads": READS} for f in forms]
    wild = {"id": "{1}", "bay": "{1}", "topic": "shop/+/+", "reads": READS}
    return Decoder([Point.model_validate(each) for each in (*points, wild)], {}, ["one", "two"])


def payload(topic: str) -> Callable[[bytes], bool]:
    def take(data: bytes) -> bool:
        try:
            readings = decoder().decode(topic, data, NOW_US)
        except PayloadError:
            return False
        assert readings
        assert all(math.isfinite(one.value) for one in readings)
        return True

    return take


def topic_name(data: bytes) -> bool:
    """Take bytes as a topic, as a topic filter and as a JSON Pointer."""
    text = data.decode("utf-8", "surrogateescape")
    with suppress(PayloadError):
        decoder().decode(text, b'[{"n":"t","v":20}]', NOW_US)
    try:
        table: TopicTable[int] = TopicTable()
        table.add(text, 1)
        table.match(text)
    except InputError:
        return False
    return True


def pointer(data: bytes) -> bool:
    """Take bytes as a JSON Pointer of the shop file, and follow it."""
    try:
        read = Read.model_validate({"pointer": data.decode("utf-8", "replace")})
        point = {"id": "p", "topic": "p", "format": "json", "reads": {"air_temp_c": read}}
        own = Decoder([Point.model_validate(point)], {}, [])
        own.decode("p", b'{"t": 20, "d": [{"/": 1}], "": {"": [[[[2]]]]}}', NOW_US)
    except (PayloadError, ValueError):
        return False
    return True


def press(data: bytes) -> bool:
    try:
        how, number = parse_press(data)
    except PayloadError:
        return False
    assert how in {"press", "double", "hold"}
    assert number is None or 0 <= number < 2**53
    return True


@cache
def folder() -> Path:
    """Return a folder in memory for files that a door reads."""
    shm = Path("/dev/shm")
    made = tempfile.mkdtemp(prefix="envmon-hostile-", dir=shm if shm.is_dir() else None)
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return Path(made)


def shop_file(data: bytes) -> bool:
    path = folder() / "shop.toml"
    path.write_bytes(data)
    try:
        load_shop(path)
    except ShopFileError as error:
        return not error.faults
    return True


@cache
def shop() -> Shop:
    return load_shop(FIXTURES / "shops" / "one_bay_metric.toml")


@cache
def duck() -> duckdb.DuckDBPyConnection:
    return open_duck()


def history(name: str) -> Callable[[bytes], bool]:
    """Take bytes as a file of history, up to where readings would be written."""

    def take(data: bytes) -> bool:
        path = folder() / name
        path.write_bytes(data)
        rows = 0
        try:
            with source_of(path, duck()) as source:
                known = Known(shop(), {}, any_point=True)
                for part in source.parts():
                    found = judged(part.given, known, ZoneInfo("Europe/Oslo"), NOW_US)
                    part.texts(found.refused[:20].tolist())
                    assert all(map(math.isfinite, found.rows.values.tolist()))
                    rows += len(found.rows.t_us)
        except InputError:
            return False
        return rows > 0

    return take


def bills(data: bytes) -> bool:
    try:
        found = bills_from_csv(data.decode("utf-8", "replace"), shop().heating, TODAY)
    except InputError:
        return False
    assert all(bill.first <= bill.last for bill in found)
    return True


def record(data: bytes) -> bool:
    try:
        return not checked(data).wrong
    except InputError:
        return False


def live_feed(data: bytes) -> bool:
    """Take bytes as what the watch said; topic and payload are parted by the first blank."""
    topic, _, text = data.partition(b" ")
    feed = LiveFeed()
    feed.take(topic.decode("utf-8", "replace"), text)
    document = feed.snapshot()[1]
    return bool(document["bays"]) or feed.heartbeat is not None


ODD: tuple[Any, ...] = (
    None, True, "", "\u00e9", "\ud800", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", 0, -1,
    2**63, 10**400, 1e308, -1e-320, [], {}, [[]], {"": []}, "x" * 5_000, "a/b", "one",
)  # fmt: skip


def _places(document: Any) -> list[tuple[Any, Any]]:
    """Return every place in a document, as what holds it and its key."""
    found, left = [], [document]
    while left:
        node = left.pop()
        keys = list(node) if isinstance(node, dict) else range(len(node))
        found += [(node, key) for key in keys]
        left += [node[key] for key in keys if isinstance(node[key], dict | list)]
    return found


def twisted(document: Any, seed: int) -> Any:
    """Return a document with one to three of its places changed, moved or gone."""
    luck, document = random.Random(seed), json.loads(json.dumps(document))
    for _ in range(luck.randint(1, 3)):
        places = _places(document)
        if not places:
            return document
        (node, key), (other, of) = luck.choice(places), luck.choice(places)
        act = luck.randrange(4)
        if act == 0:
            del node[key]
        elif act == 1:
            node[key] = json.loads(json.dumps(other[of]))
        elif act == 2 and isinstance(node[key], int | float):
            node[key] = luck.choice((-node[key], node[key] * 1_000_003, node[key] / 3))
        else:
            node[key] = luck.choice(ODD)
    return document


def forged(raw: bytes, seed: int) -> bytes:
    """Return a record that was changed and sealed again, as a forger would; or only changed."""
    document = twisted(json.loads(raw), seed)
    try:
        if seed % 2:
            reference = document.pop("reference")
            bare = {k: v for k, v in document.items() if k not in {"leaves", "digest"}}
            return text_of({**sealed(bare), "reference": reference}).encode()
    except Exception:  # noqa: BLE001 - what cannot be sealed is handed in as it is
        pass
    return json.dumps(document).encode("utf-8", "surrogatepass")


def senml_seeds() -> list[bytes]:
    pack = [{"bn": "x/", "bt": 1.7e9, "bu": "Cel"}, {"n": "t", "v": 20.5}, {"n": "d", "vb": True}]
    labels = {"bn": -2, "bt": -3, "bu": -4, "n": 0, "v": 2, "vb": 4}
    packed = cbor2.dumps([{labels[key]: value for key, value in one.items()} for one in pack])
    return [json.dumps(pack).encode(), packed, b'[{"n":"t","u":"K","v":293.15,"t":-5}]']


def shop_seeds() -> list[bytes]:
    return [path.read_bytes() for path in sorted((FIXTURES / "shops").glob("*.toml"))]


CSV = (
    b"time,point,quantity,value,unit,flag,seen\n"
    b"2026-01-13T08:00:00Z,air,air_temp_c,20.5,\xc2\xb0C,good,\n"
    b"2026-01-13 08:00:05,air,rel_hum_pct,55,,late+range,2026-01-13T08:00:06Z\n"
    b'"2026-01-13T09:00:00.123456+01:00","air","air_temp_c","68.5","\xc2\xb0F","",""\n'
)
BILLS = b"from,to,amount,unit,cost\n2025-01-01,2025-01-31,1200,kWh,190.50\nmonth\n"


def parquet_seeds() -> list[bytes]:
    path = folder() / "seed.parquet"
    rows = (
        "SELECT 'air' AS point, unnest(['air_temp_c', 'rel_hum_pct', 'air_temp_c']) AS quantity, "
        f"make_timestamptz({NOW_US} - unnest([0, 5000000, 10000000])) AS t, "
        "unnest([20.5, 55.0, 20.25]) AS value, unnest([0, 0, 4])::UTINYINT AS flag"
    )
    duck().execute(f"COPY ({rows}) TO '{path}' (FORMAT parquet)")
    return [path.read_bytes()]


@cache
def record_seeds() -> list[bytes]:
    (folder() / "story").mkdir()
    story = told_story(folder() / "story")
    made = story.desk(800.0).handed_out(JOB, "json")
    return [made]


def feed_seeds() -> list[bytes]:
    return [
        HEARTBEAT_TOPIC.encode() + b' {"state":"up","at":"2026-01-13T08:00:00Z"}',
        ALARMS_TOPIC.encode() + b' {"alarms":[]}',
        b'envmon/one/state {"bay":"one"}',
        b'envmon/one/job {"bay":"one"}',
    ]


DOORS: dict[str, Door] = {
    "senml": Door(payload("senml"), senml_seeds, (b'"n":"t"', b'"bver":', b"\xc4\x82", b"1e309")),
    "json": Door(payload("json"), lambda: [b'{"t": 20.5, "d": [{"/": true}]}'], (b'"t":', b"\\u")),
    "number": Door(payload("number"), lambda: [b"20.5", b" -1e-3\n"], (b"1e", b"inf")),
    "topic": Door(topic_name, lambda: [b"shop/+/air", b"shop/one/air"], (b"+", b"#", b"$SYS")),
    "pointer": Door(pointer, lambda: [b"/d/0/~1", b"/t", b"//"], (b"~0", b"~1", b"/")),
    "button": Door(press, lambda: [b"press", b'{"button":"hold","n":17}'], (b"double", b'"n":')),
    "shop": Door(shop_file, shop_seeds, (b"[[point]]", b"[[bay]]", b"= ", b'"""', b"{1}")),
    "csv": Door(history("in.csv"), lambda: [CSV], (b"\n2026-", b",air,", b'"', b"good+late")),
    "gzip": Door(history("in.csv.gz"), lambda: [gzip.compress(CSV, mtime=0)]),
    "parquet": Door(history("in.parquet"), parquet_seeds),
    "bills": Door(bills, lambda: [BILLS[:-6]], (b"month", b"kWh", b";", b",")),
    "record": Door(record, record_seeds, (b'"chain"', b'"digest"', b"null", b"[]")),
    "feed": Door(live_feed, feed_seeds, (b"envmon/", b"/state ", b"/outlook ")),
}
