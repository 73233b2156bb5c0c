"""How fast a million rows come in, how much memory that takes, and what a watch notices of it.

Beside ``envmon import`` stands a bare script (csv.reader, datetime.fromisoformat, executemany)
that checks nothing, in the same run, on the same table with the same promise to the disk.

    python tests/benchmarks/import_speed.py [ROWS] [RUNS]
"""

from __future__ import annotations

import csv
import os
import random
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from envmon.clock import SECOND_US, us_from_datetime
from envmon.facts import Flag, Reading
from envmon.service.watch_process import READY_FILE
from envmon.store.sqlite import SqliteStore

SHOP = Path(__file__).parents[2] / "fixtures" / "shops" / "three_bay_us.toml"
START = datetime(2026, 1, 5, tzinfo=UTC)
SERIES = [
    (f"bay{bay}-air", quantity, unit)
    for bay in range(1, 6)
    for quantity, unit in (("air_temp_c", "°C"), ("rel_hum_pct", "%"))
]
EVERY_S = 5
BESIDE_EVERY_S = 0.05
"""A small shop of chatty sensors beside the import [s]."""


class Ran(NamedTuple):
    """One run of a program."""

    seconds: float
    peak_mb: float
    said: str


def make_file(path: Path, rows: int) -> None:
    rng, start_s = random.Random(1), int(START.timestamp())
    with path.open("w", encoding="utf-8") as handle:
        handle.write("time,point,quantity,value,unit,flag,seen\n")
        for number in range(rows):
            at, (point, quantity, unit) = divmod(number, len(SERIES))[0], SERIES[number % 10]
            second = datetime.fromtimestamp(start_s + at * EVERY_S, UTC)
            text = f"{second:%Y-%m-%dT%H:%M:%S}.{rng.randrange(1000):03d}Z"
            value = rng.randrange(18_000, 24_000) / 1_000
            handle.write(f"{text},{point},{quantity},{value!r},{unit},,\n")


def ran(argv: list[str]) -> Ran:
    """Run a program to its end and return its time and peak memory."""
    started = time.perf_counter()
    with tempfile.TemporaryFile("w+") as said:
        child = subprocess.Popen(argv, stderr=said)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        seconds = time.perf_counter() - started
        said.seek(0)
        text = said.read()
    assert child.returncode == 0, text
    return Ran(seconds, usage.ru_maxrss / 1024, text)


def import_argv(file: Path, folder: Path) -> list[str]:
    command = [sys.executable, "-m", "envmon.cli", "import", str(SHOP), str(file)]
    return [*command, "--data", str(folder), "--any-point"]


def rate_of(said: str) -> float:
    """Return the rows per second the import itself tells: reading, judging and keeping."""
    match = re.search(r"([\d ]+) rows/s", said)
    assert match, said
    return float(match[1].replace(" ", ""))


def bare_import(file: Path, folder: Path) -> None:
    """Bring a file in as a script of ten lines would."""
    SqliteStore(folder).close()
    store = sqlite3.connect(folder / "live.sqlite3", isolation_level=None)
    store.execute("PRAGMA synchronous = FULL")
    ids: dict[tuple[str, str], int] = {}
    with file.open(encoding="utf-8", newline="") as handle:
        lines = csv.reader(handle)
        next(lines)
        block: list[tuple[int, int, float, int, int]] = []
        for text, point, quantity, value, *_ in lines:
            key = (point, quantity)
            if key not in ids:
                sql = "INSERT INTO series (point, quantity) VALUES (?, ?)"
                ids[key] = int(store.execute(sql, key).lastrowid or 0)
            t_us = us_from_datetime(datetime.fromisoformat(text))
            block.append((ids[key], t_us, float(value), 0, 0))
            if len(block) == 20_000:
                bare_write(store, block)
        bare_write(store, block)
    store.close()


def bare_write(store: sqlite3.Connection, block: list[tuple[int, int, float, int, int]]) -> None:
    store.execute("BEGIN")
    store.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)", block)
    store.execute("COMMIT")
    block.clear()


def beside(folder: Path, stop: threading.Event, waits_ms: list[float]) -> None:
    """Commit three readings twenty times a second, as a watch does; keep how long each took."""
    store = SqliteStore(folder)
    now_us = int(time.time() * SECOND_US)
    while not stop.wait(BESIDE_EVERY_S):
        now_us += SECOND_US
        some = [Reading("live", q, now_us, 1.0, Flag.GOOD, now_us) for q in ("a", "b", "c")]
        began = time.perf_counter()
        store.add_readings(some)
        waits_ms.append((time.perf_counter() - began) * 1e3)
    store.close()


def ran_beside_a_watch(file: Path, folder: Path) -> tuple[Ran, list[float]]:
    SqliteStore(folder).close()
    (folder / READY_FILE).touch()
    waits_ms: list[float] = []
    stop = threading.Event()
    writer = threading.Thread(target=beside, args=(folder, stop, waits_ms))
    writer.start()
    try:
        return ran(import_argv(file, folder)), waits_ms
    finally:
        stop.set()
        writer.join()


def main() -> None:
    """Run everything and print the table."""
    if sys.argv[1:2] == ["--bare"]:
        bare_import(Path(sys.argv[2]), Path(sys.argv[3]))
        return
    rows = int(sys.argv[1]) if sys.argv[1:] else 1_000_000
    runs = int(sys.argv[2]) if sys.argv[2:] else 3
    ours: list[Ran] = []
    again: list[Ran] = []
    bare: list[Ran] = []
    with tempfile.TemporaryDirectory(prefix="envmon-import-") as name:
        root, file = Path(name), Path(name) / "rows.csv"
        make_file(file, rows)
        for number in range(runs):
            folder = root / f"bare{number}"
            bare.append(ran([sys.executable, __file__, "--bare", str(file), str(folder)]))
            ours.append(ran(import_argv(file, root / f"ours{number}")))
            again.append(ran(import_argv(file, root / f"ours{number}")))
        watched, waits_ms = ran_beside_a_watch(file, root / "beside")
    print(f"{rows} rows, {len(SERIES)} series; medians of {runs} runs, interpreter start included")
    middle = statistics.median
    rate = middle(rate_of(each.said) for each in ours)
    print(f"envmon import: {rate:.0f} rows/s; peak {max(each.peak_mb for each in ours):.0f} MB")
    whole = middle(each.seconds for each in ours)
    print(f"  whole command, archive turn included: {rows / whole:.0f} rows/s")
    repeat = middle(rate_of(each.said) for each in again)
    print(f"  a second time (all there, in the archive): {repeat:.0f} rows/s")
    plain = rows / middle(each.seconds for each in bare)
    print(f"bare csv + executemany: {plain:.0f} rows/s; {max(b.peak_mb for b in bare):.0f} MB")
    print(f"ratio import / bare: {rate / plain:.2f}")
    waits_ms.sort()
    print(
        f"beside a watch: {rate_of(watched.said):.0f} rows/s; its commits (n = {len(waits_ms)}): "
        f"p50 {middle(waits_ms):.1f} ms, p99 {waits_ms[int(len(waits_ms) * 0.99)]:.1f} ms, "
        f"max {waits_ms[-1]:.1f} ms"
    )


if __name__ == "__main__":
    main()
