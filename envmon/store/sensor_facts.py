"""What the live file says of each sensor: its newest reading, and what was held against it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.facts import Flag

if TYPE_CHECKING:
    from envmon.store.columns import SeriesName
    from envmon.store.sqlite import SqliteStore

_NEWEST = (
    "SELECT t_us, value, flag FROM reading WHERE series_id = ? AND t_us <= ? AND NOT flag & ? "
    "ORDER BY t_us DESC LIMIT 1"
)
_AHEAD = "SELECT max(t_us + lag_us) FROM reading WHERE series_id = ? AND t_us > ? AND flag & ?"
_COUNTS = (
    "SELECT flag, count(*) FROM reading WHERE series_id = ? AND t_us >= ? AND t_us < ? "
    "GROUP BY flag"
)


class Newest(NamedTuple):
    """The newest reading of a series whose time can be believed."""

    t_us: int
    value: float
    flag: Flag


class Counted(NamedTuple):
    """Readings of a series in a span.

    Attributes:
        total: How many there are.
        flagged: How many of them have any flag.
        by_flag: Flag -> how many have it; one reading may have several.
    """

    total: int
    flagged: int
    by_flag: dict[Flag, int]


def newest_readings(store: SqliteStore, until_us: int) -> dict[SeriesName, Newest]:
    """Return the newest live reading of each series up to a time [µs]; archived ones are older.

    Raises:
        StoreError: The live file cannot be read.
    """
    found = {}
    for name, number in store.series().items():
        row = store.run(_NEWEST, (number, until_us, Flag.CLOCK)).fetchone()
        if row is not None:
            found[name] = Newest(row[0], row[1], Flag(row[2]))
    return found


def ahead_of_time(store: SqliteStore, now_us: int) -> dict[SeriesName, int]:
    """Return when a series with a wrong clock last sent a reading ahead of its time [µs].

    Raises:
        StoreError: The live file cannot be read.
    """
    found = {}
    for name, number in store.series().items():
        (seen_us,) = store.run(_AHEAD, (number, now_us, Flag.CLOCK)).fetchone()
        if seen_us is not None:
            found[name] = seen_us
    return found


def counted_readings(store: SqliteStore, from_us: int, to_us: int) -> dict[SeriesName, Counted]:
    """Return how many live readings with ``from_us <= t_us < to_us`` there are, and how flagged.

    Raises:
        StoreError: The live file cannot be read.
    """
    return {
        name: _counted(store.run(_COUNTS, (number, from_us, to_us)).fetchall())
        for name, number in store.series().items()
    }


def _counted(rows: list[tuple[int, int]]) -> Counted:
    by_flag = {flag: sum(n for value, n in rows if value & flag) for flag in Flag if flag}
    flagged = sum(count for value, count in rows if value)
    return Counted(
        sum(count for _, count in rows), flagged, {f: n for f, n in by_flag.items() if n}
    )
