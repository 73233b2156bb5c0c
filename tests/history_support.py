"""A past to ask, and what plain Python makes of it."""

from __future__ import annotations

import math
from bisect import bisect_right
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from hypothesis import strategies as st

from envmon.clock import DAY_US, MINUTE_US, SECOND_US
from envmon.facts import Flag, Reading, kept_value
from envmon.store.archive import Archive, Rules
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from envmon.store.history_tally import Line

START_US = 1_774_656_000_000_000  # 2026-03-28T00:00Z, the day before Oslo's clocks are changed
AIR = ("bay-air", "air_temp_c")
HUMIDITY = ("bay-air", "rel_hum_pct")
PANEL = ("panel", "panel_temp_c")
ZONES = (
    "Europe/Oslo",
    "America/St_Johns",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "America/Havana",
)


def at(t_us: int, value: float, series: tuple[str, str] = AIR, flag: Flag = Flag.GOOD) -> Reading:
    """Return a reading as intake would have made it."""
    return Reading(*series, t_us, kept_value(value), flag, t_us + 250_000)


class Kept(NamedTuple):
    """A store, what reads it, and the folder both are in."""

    store: SqliteStore
    past: Past
    folder: Path

    def archive(self, now_us: int, *, months: bool = False) -> None:
        """Move every day two whole days before a time to the archive [µs]."""
        archive = Archive(self.store, self.folder, "yard")
        try:
            archive.archive_closed(now_us, Rules())
            if months:
                archive.merge_months(now_us, Rules())
        finally:
            archive.close()


@contextmanager
def kept(folder: Path, readings: Sequence[Reading] = ()) -> Iterator[Kept]:
    """Give a past with these readings, all live."""
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        store.add_readings(readings)
        yield Kept(store, past, folder)
    finally:
        past.close()
        store.close()


def ensure_archived(made: Kept, readings: Sequence[Reading]) -> None:
    """Move all of these readings to the archive."""
    made.archive((max(r.t_us for r in readings) // DAY_US + 3) * DAY_US)


class Plain(NamedTuple):
    """A bucket as plain Python counts it."""

    low: float
    total: float
    high: float
    count: int  # type: ignore[assignment]  # hides tuple.count on purpose
    flagged: int


def plain_buckets(readings: Sequence[Reading], edges_us: Sequence[int]) -> list[Plain]:
    """Return the buckets of one series, worked out reading by reading."""
    values: list[list[float]] = [[] for _ in edges_us[1:]]
    flagged = [0] * len(values)
    for r in readings:
        place = bisect_right(edges_us, r.t_us) - 1
        if 0 <= place < len(values):
            if r.flag.charted:
                values[place].append(r.value)
            else:
                flagged[place] += 1
    nan = math.nan
    return [
        Plain(min(v, default=nan), math.fsum(v), max(v, default=nan), len(v), bad)
        for v, bad in zip(values, flagged, strict=True)
    ]


def assert_equals_plain(line: Line, plain: Sequence[Plain]) -> None:
    """Compare exactly, and the mean to rounding."""
    assert line.count.tolist() == [p.count for p in plain]
    assert line.flagged.tolist() == [p.flagged for p in plain]
    for place, p in enumerate(plain):
        low, mean, high = line.low[place], line.mean[place], line.high[place]
        if p.count == 0:
            assert math.isnan(low)
            assert math.isnan(mean)
            assert math.isnan(high)
            continue
        assert (low, high) == (p.low, p.high)
        size = max(abs(p.low), abs(p.high))
        assert math.isclose(mean, p.total / p.count, rel_tol=1e-9, abs_tol=1e-12 * size)


def assert_same(one: Line, other: Line) -> None:
    """Compare two lines bit by bit."""
    for mine, yours in zip(one, other, strict=True):
        assert mine.tobytes() == yours.tobytes()


VALUES = st.one_of(
    st.integers(-6_000, 8_000).map(lambda hundredths: hundredths / 100),
    st.floats(-60, 80).map(kept_value),
    st.floats(0, 1e9).map(kept_value),
)
HEALTH = (Flag.SPIKE, Flag.RATE, Flag.FLAT | Flag.LATE, Flag.WET | Flag.LATE, Flag.APART)
SOME = [Flag.LATE, Flag.CLOCK, Flag.RANGE, Flag(3), Flag(5), *HEALTH]
FLAGS = st.sampled_from([Flag.GOOD] * 8 + SOME)
TIMES = st.one_of(
    st.integers(0, 9 * DAY_US - 1),
    st.integers(0, 4 * 24 * 60).map(lambda minute: minute * MINUTE_US + 24 * 3_600 * SECOND_US),
    st.integers(0, 30 * SECOND_US).map(lambda t_us: t_us + DAY_US),
)


@st.composite
def readings(draw: st.DrawFn) -> list[Reading]:
    """Draw readings of one series over nine days with gaps, flags and crowded minutes."""
    rows = draw(
        st.lists(st.tuples(TIMES, VALUES, FLAGS), min_size=1, max_size=60, unique_by=lambda r: r[0])
    )
    return [at(START_US + t_us, value, flag=flag) for t_us, value, flag in rows]


@st.composite
def questions(draw: st.DrawFn) -> tuple[int, int, int, str]:
    """Draw a span, a number of buckets and a zone."""
    long = draw(st.sampled_from([SECOND_US, MINUTE_US, 20 * MINUTE_US, DAY_US, 12 * DAY_US]))
    from_us = START_US + draw(st.integers(-DAY_US, 9 * DAY_US))
    to_us = from_us + draw(st.integers(1, long))
    return from_us, to_us, draw(st.integers(1, 400)), draw(st.sampled_from(ZONES))
