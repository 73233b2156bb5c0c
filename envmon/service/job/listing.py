"""``envmon jobs``: every job of the chain, and whether its cure held."""

from __future__ import annotations

import sys
import textwrap
from contextlib import closing
from typing import TYPE_CHECKING, Any

import msgspec

from envmon.job.cure import cure_state
from envmon.job.record_told import stage_name
from envmon.job.record_words import local_time
from envmon.service.job.book import book_from, judged_until_us
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.job.model import Job
    from envmon.shop.models import Shop


def list_jobs(shop_path: Path, data: str | None, clock: Clock, *, as_json: bool) -> int:
    """Print every job, the newest first; return 0.

    Args:
        shop_path: The shop file.
        data: Data folder instead of the shop file's.
        clock: What time it is.
        as_json: One JSON document instead of a table.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: There is no data yet, or it cannot be read.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path, data)
    ensure_data(folder, shop_path)
    with closing(SqliteStore(folder)) as store:
        book = book_from(store)
        until_us = judged_until_us(store, clock.now_us())
    jobs = sorted(book.jobs.values(), key=lambda job: job.first_seq, reverse=True)
    documents = [job_document(job, shop, until_us) for job in jobs]
    if as_json:
        sys.stdout.write(msgspec.json.encode({"jobs": documents}).decode() + "\n")
    else:
        _print(documents, shop)
    return 0


def job_document(job: Job, shop: Shop, now_us: int) -> dict[str, Any]:
    """Return a job for a list, as JSON types.

    Args:
        job: The job.
        shop: The shop file.
        now_us: Time up to which it is counted [µs].
    """
    cure = cure_state(job, now_us, shop.shop.timezone, shop.shop.units)
    current = None if job.current is None else job.steps[job.current].stage
    return {
        "job": job.id,
        "bay": job.bay,
        "procedure": job.procedure[1],
        "body": job.body,
        "opened_ms": job.opened_us // 1000,
        "closed_ms": None if job.closed_us is None else job.closed_us // 1000,
        "stage": current,
        "panels": len(job.panels),
        "erased": job.erased,
        "cure": None if cure is None else msgspec.to_builtins(cure),
    }


def _print(documents: list[dict[str, Any]], shop: Shop) -> None:
    from rich.console import Console  # noqa: PLC0415 - only this output needs it
    from rich.text import Text  # noqa: PLC0415

    console = Console(highlight=False)
    if not documents:
        console.print(f"{shop.shop.name}: no job was opened yet", markup=False)
        return
    for line in table_lines(documents, shop.shop.timezone, console.width):
        console.print(Text(line), soft_wrap=True)


HEADS = ("job", "bay", "opened", "stands at", "work")


def table_lines(documents: list[dict[str, Any]], zone: str, width: int) -> list[str]:
    """Return the jobs as lines of text; a cure stands on lines of its own below its job.

    Args:
        documents: Of each job what ``job_document`` returns.
        zone: Of the shop.
        width: Of the terminal; no line is wider.
    """
    rows = [HEADS, *(_cells(each, zone) for each in documents)]
    wide = [max(len(row[column]) for row in rows) for column in range(len(HEADS) - 1)]
    cures = [None, *(each["cure"] for each in documents)]
    lines = []
    for row, cure in zip(rows, cures, strict=True):
        before = "  ".join(cell.ljust(size) for cell, size in zip(row, wide, strict=False))
        lines += _wrapped(row[-1], f"{before}  ", width)
        if cure is not None:
            lines += _wrapped(f"cure: {cure['text']}", " " * (wide[0] + 2), width)
    return lines


def _wrapped(text: str, before: str, width: int) -> list[str]:
    """Return a text after what stands before it, its further lines below its first."""
    room = max(width - len(before), 12)
    first, *more = textwrap.wrap(text, room) or [""]
    return [f"{before}{first}".rstrip(), *(" " * len(before) + line for line in more)]


def _cells(each: dict[str, Any], zone: str) -> tuple[str, ...]:
    opened = local_time(each["opened_ms"] * 1000, zone)
    stands = "handed over" if each["closed_ms"] is not None else "in the bay"
    if each["stage"] is not None:
        stands = stage_name(each["stage"])
    work = ", ".join(filter(None, (each["procedure"], each["body"])))
    return each["job"], each["bay"], f"{opened:%Y-%m-%d %H:%M}", stands, work
