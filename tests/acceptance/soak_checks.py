"""What the soak holds against the truth, by plain SQLite and DuckDB and not by envmon."""

from __future__ import annotations

import contextlib
import csv
import itertools
import sqlite3
from collections import Counter
from typing import TYPE_CHECKING, Any

import duckdb

from tests.acceptance.soak_eye import BEHIND_S
from tests.acceptance.soak_faults import HURTS_WALL
from tests.acceptance.soak_stage import SILENCE_S
from tests.acceptance.soak_story import BEGIN_US, QUANTITIES, WATCHED

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from tests.acceptance.soak_eye import Noted, Seen
    from tests.acceptance.soak_faults import Fault
    from tests.acceptance.soak_story import Condition

Key = tuple[str, str, int]
Span = tuple[float, float]
TOLERANCE_S = 3.0
"""An alarm may be seen so much later than its delay says, on a busy machine [real s]."""


def truth_of(path: Path) -> dict[Key, int]:
    """Return every reading the nodes made, in thousandths."""
    with path.open(encoding="utf-8", newline="") as handle:
        return {
            (node, QUANTITIES[node][what], int(at)): round(float(value) * 1000)
            for node, what, at, value in csv.reader(handle)
        }


def stored_of(data: Path) -> list[tuple[Key, int]]:
    """Return every row kept, live and in Parquet files, in thousandths."""
    with contextlib.closing(sqlite3.connect(data / "live.sqlite3")) as db:
        live = db.execute(
            "SELECT point, quantity, t_us, value FROM reading JOIN series ON id = series_id"
        ).fetchall()
    files = [str(path) for path in (data / "archive").rglob("*.parquet")]
    old: list[Any] = []
    if files:
        old = duckdb.execute(
            "SELECT point, quantity, epoch_us(t), value_milli / 1000.0 "
            "FROM read_parquet(?, hive_partitioning = false)", [files],
        ).fetchall()  # fmt: skip
    return [((p, q, int(t)), round(value * 1000)) for p, q, t, value in [*live, *old]]


def readings(folder: Path) -> dict[str, Any]:
    """Hold what is stored against what was made."""
    made, kept = truth_of(folder / "truth.csv"), stored_of(folder / "data")
    times = Counter(key for key, _ in kept)
    values = dict(kept)
    lost = sorted(made.keys() - values.keys())
    return {
        "made": len(made),
        "stored": len(kept),
        "archived": len(kept) - _live_count(folder / "data"),
        "lost": len(lost),
        "first_lost": lost[:5],
        "doubled": sum(count - 1 for count in times.values()),
        "not_made": len(values.keys() - made.keys()),
        "changed": sum(made[key] != value for key, value in values.items() if key in made),
    }


def _live_count(data: Path) -> int:
    with contextlib.closing(sqlite3.connect(data / "live.sqlite3")) as db:
        return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])


def merged(spans: Iterable[Span]) -> list[Span]:
    """Return spans in order, those that touch made one."""
    found: list[Span] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((begin, end))
    return found


def behind_spans(noted: Noted) -> list[Span]:
    """Return when the store was behind."""
    spans = [
        (was - max(0.0, behind - BEHIND_S), now)
        for (was, behind), (now, _) in itertools.pairwise(noted.behind)
        if behind > BEHIND_S or now - was > BEHIND_S
    ]
    return merged(spans)


def outages(noted: Noted, faults: Sequence[Fault]) -> list[Span]:
    """Return when the watch could not know: behind, or its clock wrong, each by a fault."""
    near = [(fault.begin, fault.back or fault.over) for fault in faults]
    behind = [
        span for span in behind_spans(noted)
        if any(span[0] <= end + 1 and span[1] >= begin - 2 for begin, end in near)
    ]  # fmt: skip
    clock = [(f.begin, f.back or f.over) for f in faults if f.what.startswith("clock")]
    return merged([*behind, *clock])


def slow_spans(noted: Noted, faults: Sequence[Fault], whole: Span) -> list[Span]:
    """Return when the store was behind without any fault, in a whole span [s, Unix]."""
    excused = outages(noted, faults)
    return [
        span for span in behind_spans(noted)
        if whole[0] < span[0] < whole[1]
        and not any(span[0] <= e and span[1] >= b for b, e in excused)
    ]  # fmt: skip


def standing(events: Sequence[Seen], alarm: str) -> list[Span]:
    """Return when an alarm stood [s, Unix], as the chain says."""
    spans, since = [], None
    for event in events:
        if event.data.get("alarm") != alarm:
            continue
        if event.kind == "alarm_raised":
            since = event.at if since is None else since
        elif event.kind == "alarm_cleared" and since is not None:
            spans.append((since, event.at))
            since = None
    return [*spans, (since, float("inf"))] if since is not None else spans


def deadline(begin: float, end: float, need_s: float, away: Sequence[Span]) -> float | None:
    """Return when an alarm is due: the first so long stretch without an outage; None for none."""
    at = begin
    for out, back in away:
        if back <= at:
            continue
        if out - at >= need_s:
            break
        at = max(at, back)
    return at + need_s if at + need_s <= end else None


def alarms(
    found: Sequence[Condition], noted: Noted, faults: Sequence[Fault], real_start: float,
    speed: float,
) -> dict[str, Any]:  # fmt: skip
    """Hold the chain against the conditions that were made."""
    away = outages(noted, faults)
    missed: list[dict[str, Any]] = []
    judged, covered, late = Counter[str](), 0, [0.0]
    for condition in found:
        kind = condition.kind
        begin, end = (
            real_start + (us - BEGIN_US) / 1e6 / speed
            for us in (condition.from_us, condition.to_us)
        )
        due = deadline(begin, end, kind.after_s / speed + TOLERANCE_S, away)
        if due is None:
            covered += 1
            continue
        judged[kind.alarm] += 1
        stood = [span for span in standing(noted.events, kind.alarm) if span[1] > begin]
        first = next((max(span[0], begin) for span in stood if span[0] <= end), None)
        if first is None:
            missed.append({"alarm": kind.alarm, "begin": begin, "end": end, "due": due})
        else:
            late.append(first - (due - TOLERANCE_S))
    return {
        "conditions": len(found),
        "judged": sum(judged.values()),
        "by_alarm": dict(sorted(judged.items())),
        "covered_by_outage": covered,
        "missed": missed,
        "late": sum(one > TOLERANCE_S for one in late),
        "latest_s": round(max(late), 2),
        "silence": silence(noted, faults),
    }


def silence(noted: Noted, faults: Sequence[Fault]) -> dict[str, Any]:
    """Tell whether each long cut of the nodes alone was said as silence of all sensors."""
    cuts = [fault for fault in faults if fault.what == "cut nodes" and fault.back]
    stood = standing(noted.events, "shop-silence")
    said = [any(b <= cut.over + 1 and e >= cut.begin for b, e in stood) for cut in cuts]
    return {"cuts": len(cuts), "said": sum(said)}


def wall(noted: dict[str, Any], faults: Sequence[Fault]) -> dict[str, Any]:
    """Hold what the wall showed against the faults."""
    turns = [turn for turn in noted.get("turns", []) if turn[1] in WATCHED]
    hidden = [fault for fault in faults if fault.what in HURTS_WALL]
    not_blank = [f.what for f in hidden if not _blank_between(turns, f.begin, f.back or f.over)]
    blank = blank_spans(turns)
    waits = [(_wait_after(blank, fault), fault.what) for fault in faults]
    longest = max(waits, default=(0.0, ""))
    return {
        "streams_opened": len(noted.get("opens", [])),
        "stream_errors": noted.get("errors", 0),
        "messages": noted.get("messages", 0),
        "script_errors": noted.get("scriptErrors", []),
        "old_numbers_shown": len(noted.get("old", [])),
        "first_old": noted.get("old", [])[:5],
        "hiding_faults": len(hidden),
        "not_blank": not_blank,
        "never_back": sum(wait == float("inf") for wait, _ in waits),
        "longest_back_s": round(longest[0], 1) if longest[0] != float("inf") else None,
        "longest_back_after": longest[1],
        "heap_mb": [round(one[1] / 1e6, 1) for one in noted.get("heap", [])[:: 1 << 5]],
    }


def _blank_between(turns: Sequence[Any], begin: float, end: float) -> bool:
    return all(
        any(who == bay and text.startswith("blank") and begin <= at / 1000 <= end
            for at, who, text in turns)
        for bay in WATCHED
    )  # fmt: skip


def blank_spans(turns: Sequence[Any]) -> list[Span]:
    """Return when any bay showed no numbers [s, Unix], from the first time both showed some."""
    shown: dict[str, bool] = {}
    spans: list[Span] = []
    since: float | None = None
    begun = False
    for at, bay, text in turns:
        shown[bay] = text.startswith("numbers")
        all_there = len(shown) == 2 and all(shown.values())
        begun = begun or all_there
        if begun and not all_there and since is None:
            since = at / 1000
        elif all_there and since is not None:
            spans.append((since, at / 1000))
            since = None
    return [*spans, (since, float("inf"))] if since is not None else spans


def _wait_after(blank: Sequence[Span], fault: Fault) -> float:
    """Return how long after a fault's end numbers came back [s]; 0 when they never went."""
    until = (fault.back or fault.over) + SILENCE_S + 1
    ends = [end for begin, end in blank if fault.begin <= begin <= until]
    return max((end - fault.over for end in ends), default=0.0)
