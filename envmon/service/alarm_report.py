"""``envmon alarms``: what stands by the event chain, and the figures of how alarms behaved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import msgspec

from envmon.clock import DAY_US, MINUTE_US, SystemClock
from envmon.errors import InputError
from envmon.guard.alarm_kinds import KINDS
from envmon.guard.figures import counts_of
from envmon.guard.figures_judged import figures_of
from envmon.guard.occurrences import log_of
from envmon.service.span import local_from_us
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.guard.figures import Counts
    from envmon.guard.figures_judged import Figure
    from envmon.guard.occurrences import AlarmLog, Occurrence

MOST_DAYS = 3_660.0
FROM_MEMORY = "figures of ISA-18.2-2016 and IEC 62682:2014, from memory"


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of a span.

    Attributes:
        from_us: Start of the span [µs]: not before the chain's first event.
        to_us: End of the span [µs].
        counts: What was counted; None while the chain is too young to say anything.
    """

    from_us: int
    to_us: int
    counts: Counts | None

    @property
    def judged(self) -> tuple[Figure, ...]:
        """Each figure beside the standard's."""
        return figures_of(self.counts) if self.counts else ()


def figures_for(log: AlarmLog, days: float, now_us: int) -> Figures:
    """Return the figures of the last so many days.

    Args:
        log: Everything the chain says of alarms.
        days: Length of the span [d], above 0; what lies before the first event is left out.
        now_us: End of the span [µs].

    Raises:
        InputError: ``days`` is outside its range.
    """
    if not 0 < days <= MOST_DAYS:
        raise InputError(f"days is {days:g}; allowed is above 0 up to {MOST_DAYS:g}")
    from_us = now_us - round(days * DAY_US)
    if log.first_us is not None:
        from_us = max(from_us, log.first_us)
    young = log.first_us is None or now_us - from_us < MINUTE_US
    return Figures(from_us, now_us, None if young else counts_of(log, from_us, now_us))


def figures_document(figures: Figures) -> dict[str, Any]:
    """Return the figures as JSON types."""
    return {
        "from_ms": figures.from_us // 1000,
        "to_ms": figures.to_us // 1000,
        "counts": msgspec.to_builtins(figures.counts),
        "figures": msgspec.to_builtins(figures.judged),
        "source": FROM_MEMORY,
    }


def occurrence_document(one: Occurrence) -> dict[str, Any]:
    """Return one time an alarm stood as JSON types, times in ms and lengths in s."""
    kind = KINDS.get(one.what)
    ended, acknowledged = one.ended_us, one.acknowledged_us
    return {
        "alarm": one.alarm,
        "bay": one.bay,
        "what": one.what,
        "name": kind.name if kind else one.what,
        "priority": one.priority,
        "text": one.text,
        "stage": one.stage,
        "under": one.under,
        "raised_ms": one.raised_us // 1000,
        "again_ms": [at_us // 1000 for at_us in one.again_us],
        "ended_ms": None if ended is None else ended // 1000,
        "end": one.end,
        "stood_s": None if ended is None else (ended - one.raised_us) / 1e6,
        "acknowledged_ms": None if acknowledged is None else acknowledged // 1000,
        "waited_s": None if acknowledged is None else (acknowledged - one.raised_us) / 1e6,
        "by": one.by,
        "via": one.via,
        "reason": one.reason,
    }


@dataclass(frozen=True, slots=True)
class AlarmReport:
    """What ``envmon alarms`` says.

    Attributes:
        shop: Name of the shop.
        timezone: Its time zone.
        standing: Alarms that stand by the chain.
        figures: How alarms behaved.
    """

    shop: str
    timezone: str
    standing: list[Occurrence]
    figures: Figures


def alarm_report(
    shop_path: Path, days: float, data: str | None = None, clock: Clock | None = None
) -> AlarmReport:
    """Return what stands and the figures of the last so many days.

    Args:
        shop_path: The shop file.
        days: Length of the span [d].
        data: Data folder instead of the shop file's.
        clock: What time it is; the machine's own by default.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: There is no data yet.
        InputError: ``days`` is outside its range.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path, data)
    ensure_data(folder, shop_path)
    store = SqliteStore(folder)
    try:
        log = log_of(store.events())
    finally:
        store.close()
    figures = figures_for(log, days, (clock or SystemClock()).now_us())
    return AlarmReport(shop.shop.name, shop.shop.timezone, log.standing, figures)


def report_json(report: AlarmReport) -> str:
    """Return the report as one JSON document."""
    standing = [occurrence_document(one) for one in report.standing]
    document = {"standing": standing, **figures_document(report.figures)}
    return msgspec.json.encode(document).decode()


def print_report(report: AlarmReport) -> None:
    """Print what stands, then the figures beside the standard's."""
    from rich.console import Console  # noqa: PLC0415 - only this output needs it

    console = Console(highlight=False)
    if report.standing:
        console.print(_standing_table(report))
    else:
        console.print(f"{report.shop}: no alarm stands", markup=False)
    counts = report.figures.counts
    if counts is None:
        console.print("\nno figures yet: the event chain is less than a minute old")
        return
    edges = (report.figures.from_us, report.figures.to_us)
    since, until = (f"{local_from_us(at, report.timezone):%Y-%m-%d %H:%M}" for at in edges)
    console.print(f"\n{since} to {until}: {counts.alarms} alarms", style="bold")
    console.print(_figures_table(report.figures))
    for one in counts.top:
        console.print(f"{one.count:6}  {one.share_pct:4.1f} %  {one.alarm}", markup=False)
    console.print(f"({FROM_MEMORY})")


def _standing_table(report: AlarmReport) -> Any:
    rows = []
    for one in report.standing:
        since = f"{local_from_us(one.raised_us, report.timezone):%m-%d %H:%M}"
        seen = f"{one.by or 'yes'}" if one.acknowledged_us is not None else "no"
        rows.append((one.priority, one.alarm, since, seen, one.text))
    return _table(("priority", "alarm", "since", "acknowledged", "what"), rows)


def _figures_table(figures: Figures) -> Any:
    rows = [(one.name, one.text, one.standard, one.verdict) for one in figures.judged]
    return _table(("figure", "here", "standard", "verdict"), rows)


def _table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> Any:
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    table = Table(show_edge=False, pad_edge=False)
    for head in heads:
        table.add_column(head, overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table
