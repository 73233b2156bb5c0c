"""``envmon jobs``: every job of the chain, and whether its cure held."""

from __future__ import annotations

import sys
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
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    console = Console(highlight=False)
    if not documents:
        console.print(f"{shop.shop.name}: no job was opened yet", markup=False)
        return
    table = Table(show_edge=False, pad_edge=False)
    for head in ("job", "bay", "vehicle", "procedure", "opened", "stands at", "cure"):
        table.add_column(head, overflow="fold", no_wrap=head == "job")
    for each in documents:
        table.add_row(*(Text(cell) for cell in _cells(each, shop)))
    console.print(table)


def _cells(each: dict[str, Any], shop: Shop) -> tuple[str, ...]:
    opened = local_time(each["opened_ms"] * 1000, shop.shop.timezone)
    stands = "handed over" if each["closed_ms"] is not None else "in the bay"
    if each["stage"] is not None:
        stands = stage_name(each["stage"])
    cure = each["cure"]["text"] if each["cure"] else "none"
    bay, body = each["bay"], each["body"] or "—"
    return each["job"], bay, body, each["procedure"], f"{opened:%Y-%m-%d %H:%M}", stands, cure
