"""What the history board shows, as a file: one row for each bucket of each line."""

from __future__ import annotations

import csv
import io
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import SECOND_US, iso_from_us
from envmon.store.parquet import open_duck
from envmon.units import QUANTITIES, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon.units import UnitSystem
    from envmon_boards.history_lines import Lines, NamedLine

FORMATS = {"csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet"}
HEAD = (
    "start_utc", "start_local", "end_utc", "bay", "point", "quantity", "unit",
    "low", "mean", "high", "count", "flagged",
)  # fmt: skip
_COPY = (
    'COPY (SELECT make_timestamptz(start_us) AS start, make_timestamptz(end_us) AS "end", '
    "* EXCLUDE (start_us, end_us) FROM shown_rows) TO '{path}' (FORMAT parquet, COMPRESSION zstd)"
)


def file_name(bay: str, from_us: int, to_us: int, kind: str, zone: str) -> str:
    """Return a name such as ``history_north_2026-01-20_0600_2026-01-27_0600.csv``."""
    ends = [_local(at_us, zone).strftime("%Y-%m-%d_%H%M") for at_us in (from_us, to_us)]
    return f"history_{bay}_{'_'.join(ends)}.{kind}"


def _local(at_us: int, zone: str) -> datetime:
    return datetime.fromtimestamp(at_us // SECOND_US, UTC).astimezone(ZoneInfo(zone))


def csv_of(found: Lines, bay: str, zone: str, units: UnitSystem) -> str:
    """Return the buckets as CSV (RFC 4180) in the units that are shown.

    Args:
        found: The lines.
        bay: Id of the bay.
        zone: The shop's time zone, for the local times.
        units: Unit system of the numbers; each row names its unit.
    """
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(HEAD)
    for named in found.lines:
        rows.writerows(_csv_rows(named, found, bay, zone, units))
    return text.getvalue()


def _csv_rows(
    named: NamedLine, found: Lines, bay: str, zone: str, units: UnitSystem
) -> Iterator[list[Any]]:
    line, how = named.line, shown(QUANTITIES[named.quantity], units)
    digits = how.decimals + 2
    for place in np.flatnonzero(line.count + line.flagged).tolist():
        start_us, end_us = found.edges_us[place : place + 2].tolist()
        values = [
            round(float(column[place]) * how.factor + how.offset, digits) if line.count[place]
            else ""
            for column in (line.low, line.mean, line.high)
        ]  # fmt: skip
        local = _local(start_us, zone).isoformat(timespec="seconds")
        yield [
            iso_from_us(start_us), local, iso_from_us(end_us), bay, named.point,
            named.quantity, how.unit, *values, int(line.count[place]), int(line.flagged[place]),
        ]  # fmt: skip


def parquet_of(found: Lines, bay: str) -> bytes:
    """Return the buckets as Parquet, SI, times as UTC timestamps.

    Args:
        found: The lines.
        bay: Id of the bay.
    """
    columns = _columns(found, bay)
    with tempfile.TemporaryDirectory(prefix="envmon-export-") as folder:
        path = Path(folder) / "shown.parquet"
        duck = open_duck()
        try:
            duck.register("shown_rows", columns)
            duck.execute(_COPY.format(path=str(path).replace("'", "''")))
        finally:
            duck.close()
        return path.read_bytes()


def _columns(found: Lines, bay: str) -> dict[str, Any]:
    parts: list[dict[str, Any]] = []
    for named in found.lines:
        places = np.flatnonzero(named.line.count + named.line.flagged)
        texts = {"bay": bay, "point": named.point, "quantity": named.quantity}
        parts.append(
            {
                "start_us": found.edges_us[places],
                "end_us": found.edges_us[places + 1],
                **{name: np.full(len(places), text, object) for name, text in texts.items()},
                **{name: column[places] for name, column in named.line._asdict().items()},
            }
        )
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
