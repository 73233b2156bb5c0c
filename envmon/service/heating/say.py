"""``envmon heating``: the heating log as a table, JSON, CSV or PDF."""

from __future__ import annotations

import sys
from contextlib import closing
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import msgspec

from envmon.errors import InputError, StoreError
from envmon.guard.plan import plan_from_shop
from envmon.heating.csv_rows import days_csv
from envmon.heating.page import page
from envmon.heating.report import document_of
from envmon.heating.sentences import span_words
from envmon.service.heating.make import make_report, since_kept, span_from, this_winter
from envmon.service.heating.table import print_log
from envmon.service.record.files import write_whole
from envmon.service.record.pdf import pdf_from
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop
from envmon.store.past import Past
from envmon.store.sqlite import LIVE_FILE, SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.clock import Clock

Form = Literal["csv", "pdf", "html", "json"]
FORMS: dict[str, Form] = {".csv": "csv", ".pdf": "pdf", ".html": "html", ".json": "json"}


class HeatWish(NamedTuple):
    """What ``envmon heating`` is asked for.

    Attributes:
        shop_path: The shop file.
        since: First day; empty for the first of this heating year.
        until: Day it ends before; empty for tomorrow.
        out: File to write; its ending says in which form.
        data: Data folder instead of the shop file's.
        force: Whether a file that is there is replaced.
        as_json: One JSON document instead of a table.
    """

    shop_path: Path
    since: str = ""
    until: str = ""
    out: Path | None = None
    data: str | None = None
    force: bool = False
    as_json: bool = False


def heating(wish: HeatWish, clock: Clock, say: Callable[[str], None]) -> int:
    """Write or print the heating log; return 0, or 1 where nothing at all is kept of its days.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: The days or the file are not allowed.
        StoreError: There is no data, or the disk fails.
    """
    form = None if wish.out is None else form_of(wish.out, force=wish.force)
    document, winter_from = asked_document(wish, clock)
    if wish.as_json:
        sys.stdout.write(msgspec.json.encode(document).decode() + "\n")
    if is_empty(document):
        say(
            f"nothing is kept of {span_words(document)}; envmon import brings readings in, "
            "envmon bills bills"
        )
        return 1
    if form is not None and wish.out is not None:
        write_whole(wish.out, content_of(document, form))
        say(f"{wish.out}: heating log {document['first']} to {document['last']}")
    elif not wish.as_json:
        print_log(document, winter_from)
    return 0


def asked_document(wish: HeatWish, clock: Clock) -> tuple[dict[str, Any], int]:
    """Return the document that was asked for, and the first month of a heating year."""
    shop = load_shop(wish.shop_path)
    usual = this_winter(clock.now_us(), shop)
    span = span_from(wish.since or str(usual.first), wish.until or str(usual.end))
    folder = data_folder(shop, wish.shop_path, wish.data)
    if not (folder / LIVE_FILE).exists():
        raise StoreError(
            f"no data in {folder} yet; start it with: envmon run {wish.shop_path}, or bring in "
            "what there is: envmon import, envmon bills"
        )
    with closing(SqliteStore(folder)) as store, closing(Past(store, folder)) as past:
        span = span if wish.since else since_kept(past, shop, span)
        report = make_report(past, shop, plan_from_shop(shop), span, clock.now_us())
    return document_of(report, shop), shop.heating.winter_from


def content_of(document: dict[str, Any], form: Form) -> bytes:
    """Return a document in a form."""
    if form == "csv":
        return days_csv(document).encode()
    if form == "json":
        return msgspec.json.encode(document) + b"\n"
    html = page(document)
    return html.encode() if form == "html" else pdf_from(html)


def is_empty(document: dict[str, Any]) -> bool:
    """Return whether nothing at all is kept of a log's days."""
    known = document["whole"]["known"]
    return not any(known.values()) and not document["bills"]


def form_of(out: Path, *, force: bool) -> Form:
    """Return the form a file is written in.

    Raises:
        InputError: It cannot be so named, or is there already.
    """
    form = FORMS.get(out.suffix.casefold())
    if form is None:
        raise InputError(f"--out is {out}; allowed is a name in {', '.join(FORMS)}")
    if out.is_dir() or not out.parent.is_dir():
        raise InputError(f"--out is {out}; give the name of a file in a folder that is there")
    if out.exists() and not force:
        raise InputError(f"{out} is there already; --force replaces it")
    return form
