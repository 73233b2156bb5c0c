"""Charts of a season at every zoom, beside plain DuckDB, pandas and SQLite over the same readings.

``python tests/benchmarks/history.py [--folder FOLDER] [--rounds N]`` makes a season (212 days, ten
quantities every 5 s, about 36 million readings; see ``history_season.py``) unless the folder
holds it already, asks the same questions of all four in one run and prints medians and ratios.
Without a folder the data is deleted afterwards. Two minutes for the season, five for the questions.

"Archive" charts end two months before the newest reading, "live" ones end with it: the last two
days of the season are not archived. Peak memory is that of a fresh process that asks everything.
The others answer for the archive alone. SQLite alone holds one month; for longer spans its time is
that of the month, scaled by the length of the span, and marked ×.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US  # noqa: E402 - run as a script
from envmon.store.history import dew_lines, history  # noqa: E402
from envmon.store.history_live import PIECE_US, _memory, remember_live  # noqa: E402
from envmon.store.past import Past  # noqa: E402
from envmon.store.sqlite import LIVE_FILE, SqliteStore  # noqa: E402
from tests.benchmarks.history_rivals import Alone, Duck, Pandas, Question  # noqa: E402
from tests.benchmarks.history_season import (  # noqa: E402
    LIVE_DAYS,
    NAMES,
    SPAN_US,
    months,
    write_season,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from envmon.store.columns import SeriesName

ZONE = "Europe/Oslo"
HALF_HOUR_ZONE = "Asia/Kolkata"
"""Its hours cut the hours of UTC, so that only minutes are of use."""
AIR, HUMIDITY, PANEL = (
    ("bay-air", "air_temp_c"),
    ("bay-air", "rel_hum_pct"),
    ("panel", "panel_temp_c"),
)
CHARTED = (AIR, ("heater", "heater_power_w"), ("yard", "outdoor_rel_hum_pct"))
MOST = (1_000, 2_000)
BY_HOUR = 6_000
SPANS = {
    "5 min": 5 * MINUTE_US, "1 h": HOUR_US, "12 h": 12 * HOUR_US, "1 day": DAY_US,
    "1 week": 7 * DAY_US, "1 month": 30 * DAY_US, "82 days": 82 * DAY_US,
}  # fmt: skip
ARCHIVE_END = SPAN_US[1] - 61 * DAY_US
SEASON = (SPAN_US[0], SPAN_US[1] - LIVE_DAYS * DAY_US)
JANUARY = months()[3]


def timed(ask: Callable[[], object], rounds: int) -> list[float]:
    """Return how long each round took [ms]."""
    found = []
    for _ in range(rounds):
        start = time.perf_counter()
        ask()
        found.append((time.perf_counter() - start) * 1e3)
    return found


def places(span_us: int) -> Iterator[int]:
    """Yield ends of archived spans, at several places of the season [µs]."""
    for days_back in (0, 19, 41):
        end = ARCHIVE_END - days_back * DAY_US - 7 * HOUR_US
        if end - span_us >= SPAN_US[0]:
            yield end


def charts(past: Past, rounds: int) -> None:
    """Print how long charts of one quantity take, over all places and series."""
    print("\nOne quantity, ms: median (longest) over 3 series, up to 3 places and all rounds")
    heads = [f"{kind}, at most {most:,}" for most in MOST for kind in ("archive", "live")]
    print(f"{'span':9}" + "".join(f"{head:>24}" for head in heads))
    for name, span_us in {**SPANS, "season": SPAN_US[1] - SPAN_US[0]}.items():
        archived = (
            [SEASON] if name == "season" else [(end - span_us, end) for end in places(span_us)]
        )
        cells = [
            _cell(past, spans, most, rounds)
            for most in MOST
            for spans in (archived, [(SPAN_US[1] - span_us, SPAN_US[1])])
        ]
        print(f"{name:9}" + "".join(f"{cell:>24}" for cell in cells))


def _cell(past: Past, spans: list[tuple[int, int]], most: int, rounds: int) -> str:
    found: list[float] = []
    for series in CHARTED:
        for span in spans:
            found += timed(partial(history, past, [series], *span, most, ZONE), rounds)
    return f"{statistics.median(found):.1f} ({max(found):.1f})"


def big_ones(past: Past, folder: Path, rounds: int) -> None:
    """Print how long the questions over the whole season take."""
    whole = SPAN_US
    edges = history(past, [AIR], *whole, MOST[1], ZONE).edges_us

    def by_hour() -> object:
        return history(past, NAMES, *whole, BY_HOUR, ZONE)

    def beforehand() -> None:
        _memory._pieces.clear()
        remember_live(past.store)

    def growing() -> None:
        newest = (whole[1] - 1) // PIECE_US * PIECE_US
        for key in [key for key in _memory._pieces if key[3] == newest]:
            del _memory._pieces[key]

    def anew() -> None:
        store = SqliteStore(folder)
        other = Past(store, folder)
        history(other, [AIR], ARCHIVE_END - HOUR_US, ARCHIVE_END, MOST[0], ZONE)
        other.close()
        store.close()

    rows: dict[str, Callable[[], object]] = {
        "all ten over the season by the hour, archive": lambda: history(
            past, NAMES, *SEASON, BY_HOUR, ZONE),
        "the same and the live days": by_hour,
        "one over the season, zone of half hours": lambda: history(
            past, [AIR], *whole, MOST[1], HALF_HOUR_ZONE),
        "dew point and margin over the season": lambda: dew_lines(
            past, [AIR], [HUMIDITY], [PANEL], edges),
        "one hour, raw, with everything opened for it": anew,
    }  # fmt: skip
    print("\nMore than one chart, ms: median (longest)")
    for name, ask in rows.items():
        ask()
        _say(name, timed(ask, rounds))
    for name, before in {
        "ten with live days, first time, nothing ready": _memory._pieces.clear,
        "ten with live days, first time in the boards": beforehand,
        "ten with live days, new readings since": growing,
    }.items():
        _say(name, _timed_after(before, by_hour, rounds))
    _say("making the live days ready, in the background", timed(beforehand, rounds))


def _timed_after(
    before: Callable[[], object], ask: Callable[[], object], rounds: int
) -> list[float]:
    found = []
    for _ in range(rounds):
        before()
        found += timed(ask, 1)
    return found


def _say(name: str, found: list[float]) -> None:
    print(f"{name:50} {statistics.median(found):8.1f} ({max(found):.1f})")


def questions() -> dict[str, tuple[list[SeriesName], int, int, int]]:
    """Return what all tools are asked: series, span [µs], most buckets; all of it archived."""
    first, end = JANUARY.start * DAY_US, JANUARY.stop * DAY_US
    middle = (first + end) // 2 // DAY_US * DAY_US
    asked = {
        name: ([AIR], middle, middle + span_us, MOST[0])
        for name, span_us in SPANS.items()
        if span_us <= 7 * DAY_US
    }
    asked["1 month"] = ([AIR], first, end, MOST[0])
    asked["82 days"] = ([AIR], SEASON[1] - 82 * DAY_US, SEASON[1], MOST[0])
    asked["season"] = ([AIR], *SEASON, MOST[0])
    asked["all ten by the hour"] = (list(NAMES), *SEASON, BY_HOUR)
    return asked


def rivals(past: Past, folder: Path) -> None:
    """Print the same questions beside the other tools."""
    files = [file.path for file in past.files(*SPAN_US)]
    tools: list[Duck | Pandas] = [Duck(files), Pandas(files)]
    alone = Alone(folder, JANUARY)
    print("\nBeside others, ms (times as long as ours); archive only, UTC")
    print(f"{'question':22}{'ours':>8}{'DuckDB':>18}{'pandas':>18}{'SQLite alone':>22}")
    for name, asked in questions().items():
        found = history(past, *asked, "UTC")
        question = Question(
            asked[0], int(found.edges_us[0]), int(found.edges_us[-1]), found.step_s * SECOND_US
        )
        counted = sum(int(line.count.sum()) for line in found.lines.values())
        ours = statistics.median(timed(partial(history, past, *asked, "UTC"), 9))
        cells = []
        for tool in tools:
            assert tool.ask(question) == counted, name
            ms = statistics.median(timed(partial(tool.ask, question), 3))
            cells.append(f"{ms:,.1f} ({ms / ours:,.1f})")
        ms, scale = _alone(alone, question)
        cells.append(f"{'×' if scale > 1 else ''}{ms:,.1f} ({ms / ours:,.1f})")
        print(f"{name:22}{ours:8.1f}{cells[0]:>18}{cells[1]:>18}{cells[2]:>22}")
    print(f"SQLite alone: {alone.bytes_a_row():.1f} bytes a reading")
    alone.close()


def _alone(alone: Alone, q: Question) -> tuple[float, float]:
    """Return the time SQLite alone takes [ms], and by what it was scaled."""
    first, end = JANUARY.start * DAY_US, JANUARY.stop * DAY_US
    inside = q._replace(from_us=max(q.from_us, first), to_us=min(q.to_us, end))
    if inside.from_us >= inside.to_us:
        inside = q._replace(from_us=first, to_us=end)
    scale = (q.to_us - q.from_us) / (inside.to_us - inside.from_us)
    return statistics.median(timed(partial(alone.ask, inside), 3)) * scale, scale


def sizes(past: Past, folder: Path) -> None:
    """Print how large everything is for each archived reading."""
    files = past.files(*SPAN_US)
    rows, size = sum(f.row_count for f in files), sum(f.byte_count for f in files)
    print(f"\n{rows:,} archived readings; Parquet {size / 1e6:.1f} MB, {size / rows:.2f} a reading")
    for step_s, summed in past.store.rows(
        "SELECT step_s, sum(length(packed)) FROM summary GROUP BY step_s"
    ):
        print(f"summaries of {step_s} s: {summed / 1e6:.1f} MB, {summed / rows:.3f} a reading")
    print(f"live file with all summaries: {(folder / LIVE_FILE).stat().st_size / 1e6:.1f} MB")


def peak(folder: Path, tool: str) -> None:
    """Ask everything once with one tool, in a process of its own, and print its peak memory."""
    store = SqliteStore(folder)
    past = Past(store, folder)
    files = [file.path for file in past.files(*SPAN_US)]
    if tool == "ours":
        for asked in questions().values():
            history(past, *asked, ZONE)
        edges = history(past, NAMES, *SPAN_US, BY_HOUR, ZONE).edges_us
        dew_lines(past, [AIR], [HUMIDITY], [PANEL], edges)
        history(past, [AIR], *SPAN_US, MOST[1], HALF_HOUR_ZONE)
    else:
        rival = Duck(files) if tool == "DuckDB" else Pandas(files)
        rival.ask(Question(NAMES, *SEASON, HOUR_US))
    past.close()
    store.close()
    # Not getrusage: there a new process begins with the memory of the one that started it.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    kilobytes = next(int(line.split()[1]) for line in status.splitlines() if "VmHWM" in line)
    print(f"{kilobytes / 1024:.0f} MB {tool}")


def fresh(folder: Path) -> None:
    """Print the peak memory of each tool."""
    print("\nPeak memory, each in a fresh process (ours asks everything, the others all ten):")
    for tool in ("ours", "DuckDB", "pandas"):
        command = [sys.executable, __file__, "--folder", str(folder), "--peak", tool]
        print(
            "  "
            + subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
        )


def run(folder: Path, rounds: int) -> None:
    """Make the season unless it is there, and print all tables."""
    if not (folder / LIVE_FILE).exists():
        start = time.perf_counter()
        print(f"{write_season(folder):,} readings made in {time.perf_counter() - start:.0f} s")
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        sizes(past, folder)
        charts(past, rounds)
        big_ones(past, folder, rounds)
        rivals(past, folder)
    finally:
        past.close()
        store.close()
    fresh(folder)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="keep the season here")
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--peak", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.peak:
        peak(asked.folder, asked.peak)
    elif asked.folder:
        run(asked.folder, asked.rounds)
    else:
        with tempfile.TemporaryDirectory() as folder:
            run(Path(folder), asked.rounds)


if __name__ == "__main__":
    main()
