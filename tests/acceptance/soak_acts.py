"""What a person was answered in the soak, held against the chain by plain SQLite and SHA-256."""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Any, NamedTuple

from tests.acceptance.soak_person import BAY, NAME

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from tests.acceptance.soak_person import Asked

BECOMES = {
    "open": "job_opened", "start": "stage_started", "finish": "stage_ended", "note": "job_note",
    "apply": "panel_applied", "level": "panel_levelled", "inspect": "panel_inspected",
    "close": "job_closed",
}  # fmt: skip
"""Act -> the event it becomes, when it is not refused."""
ACKNOWLEDGED, REFUSED = "alarm_acknowledged", "act_refused"
OF_STEPS = ("stage_started", "stage_ended")


class Entry(NamedTuple):
    """An entry of the chain."""

    seq: int
    at_us: int
    kind: str
    bay: str
    data: dict[str, Any]
    hash: str


def chain_of(data: Path) -> tuple[list[Entry], int]:
    """Return the chain, and how many requests were never taken up."""
    with contextlib.closing(sqlite3.connect(data / "live.sqlite3")) as db:
        rows = db.execute("SELECT seq, at_us, kind, bay, data, hash FROM event ORDER BY seq")
        entries = [Entry(s, at, kind, bay, json.loads(d), h) for s, at, kind, bay, d, h in rows]
        waiting = int(db.execute("SELECT count(*) FROM request").fetchone()[0])
    return entries, waiting


def first_break(entries: Iterable[Entry]) -> int | None:
    """Return the first place whose hash does not follow from the one before; None for none."""
    before = "0" * 64
    for place, one in enumerate(entries, 1):
        whole = [before, place, one.at_us, one.kind, one.bay, one.data]
        text = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        if one.seq != place or hashlib.sha256(text.encode()).hexdigest() != one.hash:
            return place
        before = one.hash
    return None


def acts(data: Path, asked: Sequence[Asked], log_ins: int) -> dict[str, Any]:
    """Hold the chain against what the person was answered.

    Args:
        data: Data folder.
        asked: Everything that was asked for.
        log_ins: So often a session was begun.
    """
    entries, waiting = chain_of(data)
    mine = [one for one in entries if one.data.get("by") == NAME]
    of_jobs = [one for one in entries if one.bay == BAY]
    told = Counter(one.status for one in asked)
    return {
        "log_ins": log_ins,
        "asked": len(asked),
        "answers": {str(status): count for status, count in sorted(told.items())},
        "jobs_opened": sum(one.kind == "job_opened" for one in of_jobs),
        "jobs_closed": sum(one.kind == "job_closed" for one in of_jobs),
        "refused": sum(one.kind == REFUSED for one in of_jobs),
        "acknowledged": sum(one.kind == ACKNOWLEDGED for one in mine),
        "lost": [*named_and_gone(of_jobs, asked), *_counted(of_jobs, mine, asked, lost=True)],
        "doubled": [*twice(of_jobs), *_counted(of_jobs, mine, asked, lost=False)],
        "waiting": waiting,
        "events": len(entries),
        "chain_breaks_at": first_break(entries),
    }


def named_and_gone(entries: Sequence[Entry], asked: Sequence[Asked]) -> list[str]:
    """Return the acts whose answer named a place in the chain where something else stands."""
    at = {one.seq: one.kind for one in entries}
    return [
        f"{one.act} at {one.seq}"
        for one in asked
        if one.seq and at.get(one.seq) != BECOMES.get(one.act)
    ]


def stands(of_jobs: Sequence[Entry], mine: Sequence[Entry]) -> Counter[str]:
    """Return how often each act stands in the chain, done or refused, and each text and alarm."""
    found: Counter[str] = Counter()
    for entry in of_jobs:
        act = next((act for act, kind in BECOMES.items() if kind == entry.kind), entry.kind)
        found[str(entry.data["act"]) if entry.kind == REFUSED else act] += 1
        if entry.kind == "job_note":
            found[str(entry.data["text"])] += 1
    found.update(str(entry.data["alarm"]) for entry in mine if entry.kind == ACKNOWLEDGED)
    return found


def _counted(
    of_jobs: Sequence[Entry], mine: Sequence[Entry], asked: Sequence[Asked], *, lost: bool
) -> list[str]:
    """Return what stands in the chain less often than it was answered, or oftener than asked."""
    there = stands(of_jobs, mine)
    answered, all_asked = Counter[str](), Counter[str]()
    for one in asked:
        is_act = one.act != "acknowledge"
        all_asked.update({name for name in (one.act if is_act else "", one.mark) if name})
        # 202: it is kept for the watch, which does or refuses it; 409: it was refused.
        if is_act and one.status in {200, 202, 409}:
            answered[one.act] += 1
        if one.mark and one.status == 200:
            answered[one.mark] += 1
    if lost:
        return sorted(name for name, count in answered.items() if there[name] < count)
    return sorted(name for name, count in all_asked.items() if there[name] > count)


def twice(entries: Sequence[Entry]) -> list[str]:
    """Return what happened twice to a job: opened, closed, or a step begun without its end."""
    found = []
    by_job: dict[str, list[Entry]] = defaultdict(list)
    for one in entries:
        if "job" in one.data:
            by_job[str(one.data["job"])].append(one)
    for job, mine in by_job.items():
        kinds = Counter(one.kind for one in mine)
        found += [f"{job} {kind}" for kind in ("job_opened", "job_closed") if kinds[kind] > 1]
        steps = [(one.kind, one.data["step"]) for one in mine if one.kind in OF_STEPS]
        found += [f"{job} {kind} {step}" for (kind, step), n in Counter(steps).items() if n > 1]
    return found
