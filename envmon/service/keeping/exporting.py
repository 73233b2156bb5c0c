"""``envmon export``: everything kept of a span, as CSV or Parquet that any tool can read.

A day is read, written and forgotten, so that a whole winter needs no more memory than a day. An
export imported into an empty folder gives the same readings: values, flags and times exactly.
"""

from __future__ import annotations

import os
import sys
import tempfile
from contextlib import closing, contextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from envmon.clock import iso_from_us
from envmon.errors import InputError, StoreError
from envmon.service.keeping.import_judge import FLAG_WORDS
from envmon.service.keeping.import_lines import ALLOWED
from envmon.service.keeping.import_report import ProgressLine, grouped
from envmon.service.span import parse_moment
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop
from envmon.store.disk import sync
from envmon.store.parquet import open_duck, write_columns, write_merged
from envmon.store.past import Past
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from typing import TextIO

    from envmon.store.columns import Columns, SeriesName

_FLAG_TEXTS = [
    "+".join(word for word, flag in FLAG_WORDS.items() if bits & flag) for bits in range(256)
]
_BLOCK = 20_000


class ExportJob(NamedTuple):
    """What is exported.

    Attributes:
        shop_path: The shop file.
        since: Start, as the person wrote it.
        until: End, as the person wrote it; not included.
        form: Format of the file.
        out: Where it goes; None is stdout.
        data: Data folder instead of the shop file's.
        points: Only these points; empty is all.
        quantities: Only these quantities; empty is all.
        force: Whether a file that is there is replaced.
    """

    shop_path: Path
    since: str
    until: str
    form: Literal["csv", "parquet"] = "csv"
    out: Path | None = None
    data: str | None = None
    points: Sequence[str] = ()
    quantities: Sequence[str] = ()
    force: bool = False


def export(job: ExportJob, say: Callable[[str], None]) -> int:
    """Export a span; return 0, or 1 when nothing is kept of it.

    A file comes to be whole or not at all.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: A moment, point, quantity or file name that cannot be.
        StoreError: There is no data, or the disk fails.
    """
    shop = load_shop(job.shop_path)
    zone = shop.shop.timezone
    from_us, to_us = parse_moment(job.since, zone), parse_moment(job.until, zone)
    if from_us >= to_us:
        raise InputError(f"--from {job.since} is not before --to {job.until}; exchange them")
    _ensure_out(job)
    folder = data_folder(shop, job.shop_path, job.data)
    if not (folder / LIVE_FILE).exists():
        raise StoreError(f"no data in {folder}; check --data and the shop file's [store] folder")
    with closing(SqliteStore(folder)) as store, closing(Past(store, folder)) as past:
        series = _series(job, past)
        days = past.columns(from_us, to_us, series)
        first = next(days, None)
        if first is None:
            say(_nothing(past))
            return 1
        span = past.span() or (from_us, to_us)
        edges = max(from_us, span[0]), min(to_us, span[1])
        with ProgressLine(f"exporting {job.form}", edges[1] - edges[0]) as line:
            count = _written(job, _watched(first, days, edges[0], line))
    if job.out is not None:
        say(f"{job.out}: {grouped(count)} readings")
    return 0


def _ensure_out(job: ExportJob) -> None:
    if job.out is None:
        if job.form == "parquet":
            raise InputError("Parquet needs a file; give --out FILE.parquet")
        return
    if job.out.is_dir():
        raise InputError(f"{job.out} is a folder; give the name of a file in it")
    if job.out.exists() and not job.force:
        raise InputError(f"{job.out} is there already; --force replaces it")
    if not job.out.parent.is_dir():
        raise InputError(f"there is no folder {job.out.parent}; make it first")


def _series(job: ExportJob, past: Past) -> list[SeriesName] | None:
    """Return the series asked for; None is all."""
    known = past.series()
    unknown = sorted(set(job.quantities) - QUANTITIES.keys())
    if unknown:
        raise InputError(f"quantity is {unknown[0]!r}; allowed are {', '.join(QUANTITIES)}")
    points = {point for point, _ in known}
    missing = sorted(set(job.points) - points)
    if missing:
        raise InputError(
            f"point is {missing[0]!r}; kept are {', '.join(sorted(points)) or 'none yet'}"
        )
    if not job.points and not job.quantities:
        return None
    return [
        (point, quantity)
        for point, quantity in known
        if point in (job.points or points) and quantity in (job.quantities or QUANTITIES)
    ]


def _nothing(past: Past) -> str:
    span = past.span()
    if span is None:
        return "nothing is kept yet"
    return (
        f"nothing is kept of that span and choice; readings are kept from {iso_from_us(span[0])} "
        f"to {iso_from_us(span[1])}"
    )


def _watched(
    first: Columns, rest: Iterator[Columns], from_us: int, line: ProgressLine
) -> Iterator[Columns]:
    """Yield the days, and show how far along the span they are."""
    count = 0
    for day in chain([first], rest):
        yield day
        count += len(day.t_us)
        line.update(int(day.t_us.max()) - from_us, count)


def _written(job: ExportJob, days: Iterator[Columns]) -> int:
    if job.form == "parquet":
        assert job.out is not None
        return _write_parquet(job.out, days)
    if job.out is None:
        return _write_stdout(days)
    with _replacing(job.out) as handle:
        return _write_csv(handle, days)


@contextmanager
def _replacing(path: Path) -> Iterator[TextIO]:
    """Open a file that gets its name when it is whole and on the disk."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="\n") as handle:
            yield handle
            handle.flush()
            os.fsync(handle.fileno())
        part.rename(path)
        sync(path.parent)
    except OSError as error:
        raise StoreError(f"cannot write {path}: {error}; check that the disk has room") from error
    finally:
        part.unlink(missing_ok=True)


def _write_stdout(days: Iterator[Columns]) -> int:
    try:
        count = _write_csv(sys.stdout, days)
        sys.stdout.flush()
    except BrokenPipeError:
        # Who reads has enough; Python must not complain again when it closes stdout.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return count


def _write_csv(handle: TextIO, days: Iterator[Columns]) -> int:
    handle.write(",".join(ALLOWED) + "\n")
    count = 0
    for day in days:
        heads = [f"{point},{quantity}," for point, quantity in day.names]
        tails = [f",{_unit(quantity)}," for _, quantity in day.names]
        blocks = (slice(at, at + _BLOCK) for at in range(0, len(day.t_us), _BLOCK))
        handle.writelines(_lines(day, block, heads, tails) for block in blocks)
        count += len(day.t_us)
    return count


def _unit(quantity: str) -> str:
    known = QUANTITIES.get(quantity)
    return known.unit if known else ""


def _lines(day: Columns, block: slice, heads: list[str], tails: list[str]) -> str:
    columns = zip(
        _iso_texts(day.t_us[block]),
        day.series[block].tolist(),
        day.values()[block].tolist(),
        day.flag[block].tolist(),
        _iso_texts(day.t_us[block] + day.lag_us[block]),
        strict=True,
    )
    return "".join(
        f"{t}Z,{heads[series]}{value!r}{tails[series]}{_FLAG_TEXTS[flag]},{seen}Z\n"
        for t, series, value, flag, seen in columns
    )


def _iso_texts(times_us: np.ndarray[tuple[int], np.dtype[np.int64]]) -> list[str]:
    texts: list[str] = np.datetime_as_string(times_us.astype("datetime64[us]")).tolist()
    return texts


def _write_parquet(path: Path, days: Iterator[Columns]) -> int:
    """Write a file a day, then one of them all, sorted; both steps keep to little memory."""
    count = 0
    with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as name:
        folder = Path(name)
        parts: list[Path] = []
        with closing(open_duck(folder / "spill")) as duck:
            for day in days:
                parts.append(folder / f"{len(parts)}.parquet")
                write_columns(duck, day, parts[-1])
                count += len(day.t_us)
            write_merged(duck, parts, folder / "whole.parquet")
        (folder / "whole.parquet").rename(path)
        sync(path.parent)
    return count
