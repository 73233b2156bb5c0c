"""How fast a replay runs over an archived stretch, beside a loop that only reads the same rows.

Ten quantities every five seconds for some days, moved into Parquet as the keeper moves them; the
air of two bays swings with the day, with the noise a sensor has, through the limits of most stages.

Run: ``python -m tests.benchmarks.replay [--days N] [--rounds N] [--keep FOLDER]``
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import DAY_US, SECOND_US
from envmon.facts import Flag, NewEvent, Reading
from envmon.service.replay.command import Question, replay
from envmon.service.span import parse_moment
from envmon.store.archive import Archive, Rules
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable

FIRST_US = parse_moment("2026-01-01T00:00Z", "UTC")
EVERY_US = 5 * SECOND_US
SHOP = """
[shop]
name = "Harbour Row Surface Care"
site = "harbour_row"
timezone = "Europe/Oslo"
""" + "".join(
    f"""
[[bay]]
id = "{bay}"
name = "Bay {bay}"
by_hand = ["dissolved_solids_ppm"]

[[point]]
id = "{bay}-air"
bay = "{bay}"
topic = "hall/{bay}/air"
reads = {{ air_temp_c = {{ name = "t" }}, rel_hum_pct = {{ name = "rh" }} }}

[[point]]
id = "{bay}-low"
bay = "{bay}"
topic = "hall/{bay}/low"
reads = {{ air_temp_c = {{ name = "t" }} }}

[[point]]
id = "{bay}-panel"
bay = "{bay}"
topic = "hall/{bay}/panel"
reads = {{ panel_temp_c = {{ name = "t" }} }}

[[point]]
id = "{bay}-bucket"
bay = "{bay}"
topic = "hall/{bay}/bucket"
reads = {{ water_temp_c = {{ name = "t" }} }}
"""
    for bay in ("one", "two")
)
# (point's end, quantity, middle, swing over the day, noise of the sensor)
SERIES = (
    ("air", "air_temp_c", 19.5, 4.0, 0.03),
    ("air", "rel_hum_pct", 52.0, -12.0, 0.15),
    ("low", "air_temp_c", 19.3, 4.0, 0.03),
    ("panel", "panel_temp_c", 17.0, 4.5, 0.05),
    ("bucket", "water_temp_c", 36.0, 6.0, 0.05),
)


def readings_of_day(day: int) -> list[Reading]:
    """Return a day of ten quantities, every five seconds, in the order of time."""
    rng = np.random.default_rng(day)
    steps = np.arange(DAY_US // EVERY_US)
    warmer = 3.0 * np.sin(day / 2.3)
    found = []
    for place, bay in enumerate(("one", "two")):
        drift = np.cumsum(rng.normal(0, 0.004, len(steps)))
        for end, quantity, middle, swing, noise in SERIES:
            wave = np.sin((steps * 5 - 8 * 3600 - 1800 * place) / 86_400 * 2 * np.pi)
            values = middle + swing * wave + warmer * np.sign(swing) + drift
            values = np.round(values + rng.normal(0, noise, len(steps)), 2)
            found.append((f"{bay}-{end}", quantity, values.tolist()))
    begin_us = FIRST_US + day * DAY_US
    return [
        Reading(point, quantity, t_us, values[step], Flag.GOOD, t_us + 20_000 + 1_000 * place)
        for step in range(len(steps))
        for place, (point, quantity, values) in enumerate(found)
        for t_us in (begin_us + step * EVERY_US + place,)
    ]


def fill(folder: Path, days: int) -> Path:
    """Write shop file, readings and what people did; move all into the archive."""
    shop_file = folder / "shop.toml"
    shop_file.write_text(SHOP, encoding="utf-8")
    store = SqliteStore(folder / "data")
    for day in range(days):
        store.add_readings(readings_of_day(day))
        at_us = FIRST_US + day * DAY_US
        store.add_events(
            [
                NewEvent(at_us + hour * 3_600 * SECOND_US, kind, "one", {"stage": stage})
                for hour, kind, stage in (
                    (7, "stage_started", "polish"), (11, "stage_started", "coating"),
                    (16, "stage_ended", None),
                )
            ]
        )  # fmt: skip
    archive = Archive(store, folder / "data", "harbour_row")
    archive.archive_closed(FIRST_US + (days + 3) * DAY_US, Rules())
    archive.close()
    store.close()
    return shop_file


def only_read(folder: Path, days: int) -> int:
    """Read the same readings in the same order and do nothing with them."""
    store = SqliteStore(folder / "data")
    past = Past(store, folder / "data")
    count = 0
    for chunk in past.readings_seen(FIRST_US, FIRST_US + days * DAY_US):
        for _reading in chunk:
            count += 1
    past.close()
    store.close()
    return count


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=5)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        shop_file = folder / "shop.toml"
        if not shop_file.exists():
            fill(folder, options.days)
        report(folder, shop_file, options.days, options.rounds)


def report(folder: Path, shop_file: Path, days: int, rounds: int) -> None:
    end = f"2026-01-{days + 1:02d}T00:00Z"
    plain = Question(shop_file, "2026-01-01T00:00Z", end)
    ways: dict[str, Callable[[], int]] = {
        "replay": lambda: replay(plain).readings,
        "replay with other limits": lambda: (
            replay(Question(shop_file, plain.from_text, end, shop_file)).readings
        ),
        "only read": lambda: only_read(folder, days),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    count = 0
    for _ in range(rounds):
        for name, way in ways.items():
            began = time.perf_counter()
            count = way()
            took[name].append(time.perf_counter() - began)
    print(f"{days} days, {count:,} readings, median of {rounds}")
    for name, times in took.items():
        took_s = statistics.median(times)
        speed = days * 86_400 / took_s
        print(f"{name:26} {took_s:7.2f} s {count / took_s:12,.0f} readings/s {speed:10,.0f} x real")


if __name__ == "__main__":
    main()
