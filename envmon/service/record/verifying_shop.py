"""A record held to the shop's own chain and readings: finds out who rewrote the digests too."""

from __future__ import annotations

import math
from contextlib import closing
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from envmon.clock import SECOND_US, us_from_iso
from envmon.errors import InputError
from envmon.guard.plan import plan_from_shop
from envmon.job import events as names
from envmon.job.record_measured import measured
from envmon.job.record_series import Scene, Source
from envmon.job.record_told import until_us
from envmon.service.record.chain import history_from, history_of, job_from
from envmon.service.record.readings import heard
from envmon.service.record.verifying import BROKEN, LISTED, Outcome
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.service.record.chain import History
    from envmon.shop.models import Shop

WITHIN = 2e-6
"""Numbers may differ by so much: the last digit kept, since sums are rounded by the machine."""
Document = dict[str, Any]


def held_to_shop(
    outcome: Outcome, document: Document, shop_path: Path, data: str | None
) -> Outcome:
    """Return the outcome after a record was held to a shop's chain and readings.

    Args:
        outcome: What the record alone gave.
        document: The record.
        shop_path: The shop file.
        data: Data folder instead of the shop file's.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: There is no data, or it cannot be read.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path, data)
    ensure_data(folder, shop_path)
    wrong, said = list(outcome.wrong), list(outcome.said)
    with closing(SqliteStore(folder)) as store, closing(Past(store, folder)) as past:
        try:
            history = history_from(document["chain"])
            wrong += _chain_faults(history, store)
            wrong += _own_faults(history, document, store)
            wrong += _entry_faults(document, store)
            found, remarks = _number_faults(history, document, past, shop)
            wrong, said = wrong + found, said + remarks
        except BROKEN as error:
            wrong.append(f"a part is not as a record has it: {type(error).__name__} {error}")
    return outcome._replace(wrong=tuple(wrong), said=tuple(said))


def _chain_faults(history: History, store: SqliteStore) -> Iterator[str]:
    """Yield which hashes of the record are not those of the shop."""
    said = dict(history.others) | {history.head[0]: history.head[1]}
    for event, before in history.own:
        said[event.seq] = event.hash
        if event.seq > 1:
            said.setdefault(event.seq - 1, before)
    kept = {e.seq: e.hash for e in store.events(min(said) - 1) if e.seq in said}
    for seq, digest in sorted(said.items()):
        if seq not in kept:
            yield f"entry {seq} is not in the shop's chain"
        elif kept[seq] != digest:
            yield f"entry {seq} has another hash in the shop's chain"


def _own_faults(history: History, document: Document, store: SqliteStore) -> Iterator[str]:
    """Yield events of the job that the shop has and the record leaves out."""
    try:
        there = history_of(store, str(document["job"]["id"]))
    except InputError:
        yield f"job {document['job']['id']} is not in the shop's chain"
        return
    own = {event.seq for event in history.events}
    for event in there.events:
        if event.seq <= history.head[0] and event.seq not in own:
            yield f"event {event.seq} ({event.kind}) of this job is left out"


def _entry_faults(document: Document, store: SqliteStore) -> Iterator[str]:
    """Yield that the shop did not enter this record, or not yet."""
    mine = {"job": document["job"]["id"], "digest": document["digest"]}
    if any(mine.items() <= event.data.items() for event in store.events_of(names.RECORD_MADE)):
        return
    asked = [r.data for r in store.requests() if r.kind == names.JOB_ACT]
    if any(mine.items() <= data.items() for data in asked):
        yield "not entered yet: it waits for the watch; start it with envmon run, then verify again"
    else:
        yield "the shop never entered a record with this digest"


def _number_faults(
    history: History, document: Document, past: Past, shop: Shop
) -> tuple[list[str], list[str]]:
    """Return numbers that do not follow from the stored readings, and what else is to say."""
    kept = document["measured"]
    job = job_from(history.events, document["job"]["id"])
    if job is None:
        return [], []
    sources = {
        name: [Source(str(s["point"]), round(s["stale_s"] * SECOND_US)) for s in group]
        for name, group in kept["sources"].items()
    }
    until = until_us(job, us_from_iso(document["made"]))
    taken = kept["taken_in_until"]
    taken_us = None if taken is None else us_from_iso(taken)
    found = heard(past, sources, (job.opened_us, until), taken_us)
    if taken is not None and not found.said:
        return _gone(shop)
    scene = Scene(sources, found.said, float(kept["air_pressure_pa"]))
    now = measured(job, scene, until, found.taken_in_us)
    del now["definition"]
    wrong = [
        f"measured{path} is {a}; from the stored readings follows {b}"
        for path, a, b in differences({k: kept.get(k) for k in now}, now)
    ]
    more = [f"and {len(wrong) - LISTED} further numbers"] if len(wrong) > LISTED else []
    return [*wrong[:LISTED], *more], _other_sensors(sources, job.bay, shop)


def _gone(shop: Shop) -> tuple[list[str], list[str]]:
    text = "no reading of that time is kept any more: the numbers could not be worked out again"
    days = shop.store.retain_days
    if days is None:
        return [text], []
    return [], [f"{text} (the shop keeps readings for {days} days)"]


def _other_sensors(sources: dict[str, list[Source]], bay_id: str, shop: Shop) -> list[str]:
    """Return a remark where the shop file has other sensors by now."""
    bay = plan_from_shop(shop).bays.get(bay_id)
    now = {
        name: [Source(series.point, series.stale_us) for series in group]
        for name, group in (bay.sources.items() if bay else ())
        if name in sources
    }
    if now == sources:
        return []
    return ["the shop file has other sensors now; the numbers were worked out with the record's"]


def differences(kept: Any, now: Any, path: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Yield (place, kept, now) wherever two JSON values differ by more than the last digit."""
    if isinstance(kept, dict) and isinstance(now, dict):
        for key in sorted({*kept, *now}):
            yield from differences(kept.get(key), now.get(key), f"{path}/{key}")
    elif isinstance(kept, list) and isinstance(now, list):
        for at, (one, other) in enumerate(zip_longest(kept, now)):
            yield from differences(one, other, f"{path}/{at}")
    elif _is_number(kept) and _is_number(now):
        if not math.isclose(kept, now, rel_tol=1e-12, abs_tol=WITHIN):
            yield path, kept, now
    elif kept != now:
        yield path, kept, now


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
