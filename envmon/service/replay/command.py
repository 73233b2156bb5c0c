"""``envmon replay``: the guards over stored history, and what other limits would have done."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.errors import InputError
from envmon.guard.plan import plan_from_shop
from envmon.service.replay.compare import compare
from envmon.service.replay.feed import told_by
from envmon.service.replay.judged import judged_by, narrowed
from envmon.service.replay.runs import runs_of, shown_twice
from envmon.service.replay.walk import Walker, Way
from envmon.service.restored import plan_fingerprint
from envmon.service.span import local_from_us, moment_note, parse_moment
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.shop.stages import stage_by_id
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from envmon.service.replay.compare import Comparison
    from envmon.service.replay.judged import Judged
    from envmon.service.replay.runs import Run
    from envmon.shop.models import Shop


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked.

    Attributes:
        shop_path: The shop file.
        from_text: Start, as a person writes it.
        to_text: End, not included.
        other_path: A shop file with other limits, or None.
        stages: Only these stages; empty for all.
        data: Data folder in place of the shop file's, or None.
    """

    shop_path: Path
    from_text: str
    to_text: str
    other_path: Path | None = None
    stages: tuple[str, ...] = ()
    data: str | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a replay says.

    Attributes:
        shop: The shop file.
        from_us: Start of what was asked about [µs].
        to_us: Its end [µs].
        kept: First moment and end of everything kept [µs]; None when nothing is.
        readings: Readings taken in inside the span.
        own: As the shop's limits judge it; None when nothing is kept in the span.
        other: As the other limits judge it, or None.
        comparison: How far it agrees with what happened; None when nothing is kept in the span.
        notes: What a person should know.
    """

    shop: Shop
    from_us: int
    to_us: int
    kept: tuple[int, int] | None
    readings: int
    own: Judged | None
    other: Judged | None
    comparison: Comparison | None
    notes: tuple[str, ...]

    @property
    def zone(self) -> str:
        """The shop's time zone."""
        return self.shop.shop.timezone


def replay(question: Question, progress: Callable[[float, int], None] | None = None) -> Answer:
    """Run the guards over what is kept of a span. Nothing in the data folder is changed.

    Args:
        question: What is asked.
        progress: Called now and then with the share done and how many readings were taken in.

    Raises:
        ShopFileError: A shop file has faults.
        InputError: A time is none, the span is empty, a stage or the other file does not fit.
        StoreError: There is no data, or it cannot be read.
    """
    shop = load_shop(question.shop_path)
    other = load_shop(question.other_path) if question.other_path else None
    zone = shop.shop.timezone
    span = parse_moment(question.from_text, zone), parse_moment(question.to_text, zone)
    if span[0] >= span[1]:
        raise InputError(
            f"--from {question.from_text} is not before --to {question.to_text}; the span runs "
            "up to --to, which is not included"
        )
    for stage in question.stages:
        stage_by_id(stage)
    if other is not None:
        ensure_same_place(shop, other)
    notes = [moment_note(text, zone) for text in (question.from_text, question.to_text)]
    folder = data_folder(shop, question.shop_path, question.data)
    ensure_data(folder, question.shop_path)
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        store.run("BEGIN")  # one view of the store for all that follows
        answer = _answer(shop, other, past, span, progress or (lambda *_: None))
    finally:
        past.close()
        store.close()
    if question.stages:
        own, beside = (
            narrowed(part, question.stages) if part else None for part in (answer.own, answer.other)
        )
        answer = dataclasses.replace(answer, own=own, other=beside)
    return dataclasses.replace(answer, notes=(*filter(None, notes), *answer.notes))


def ensure_same_place(shop: Shop, other: Shop) -> None:
    """Check that two shop files tell of the same bays and points; limits may differ.

    Raises:
        InputError: They do not; the message names the first difference.
    """
    ours = {f"bay {bay.id}": (bay.id, bay.air_space) for bay in shop.bay}
    theirs = {f"bay {bay.id}": (bay.id, bay.air_space) for bay in other.bay}
    ours_too = {f"point {point.id}": (point.bay, point.topic, point.reads) for point in shop.point}
    theirs_too = {f"point {p.id}": (p.bay, p.topic, p.reads) for p in other.point}
    mine: dict[str, object] = {**ours, **ours_too}
    its: dict[str, object] = {**theirs, **theirs_too}
    for name in (*mine, *its):
        if mine.get(name) != its.get(name):
            where = "is not in it" if name not in its else "is only in it"
            where = "differs in it" if name in its and name in mine else where
            raise InputError(
                f"--limits must name a shop file with the same bays and points: {name} {where}; "
                "copy the shop file and change its limits only"
            )


def _answer(
    shop: Shop,
    other: Shop | None,
    past: Past,
    span: tuple[int, int],
    progress: Callable[[float, int], None],
) -> Answer:
    runs = runs_of(past, shop.store.retain_days)
    kept = (min(r.begin_us for r in runs), max(r.end_us for r in runs)) if runs else None
    judged = _judged_span(runs, span)
    if judged is None:
        return Answer(shop, *span, kept, 0, None, None, None, ())
    lead_us = DAY_US if other else 0
    told = told_by(past.store, runs, span[0] - 1 - lead_us, span[1])
    plan = plan_from_shop(shop)
    own = Walker(plan, plan_fingerprint(plan))
    beside = Walker(plan_from_shop(other), "") if other else None
    way = Way(past, runs, told, shown_twice(runs), progress)
    way.walk([own, beside] if beside else [own], *span, lead_us)
    comparison = compare(own, runs, told, span)
    zone = shop.shop.timezone
    return Answer(
        shop, *span, kept, way.readings, judged_by(own, zone, judged),
        judged_by(beside, zone, judged) if beside else None, comparison,
        tuple(_run_notes(runs, span, zone)),
    )  # fmt: skip


def _judged_span(runs: Sequence[Run], span: tuple[int, int]) -> tuple[int, int] | None:
    parts = [(max(span[0], r.begin_us), min(span[1], r.end_us)) for r in runs]
    real = [part for part in parts if part[0] < part[1]]
    return (min(a for a, _ in real), max(b for _, b in real)) if real else None


def _run_notes(runs: Sequence[Run], span: tuple[int, int], zone: str) -> list[str]:
    notes = []
    for before, after in pairwise(runs):
        if after.begin_us < span[1] and before.end_us > span[0]:
            was, now = (local_from_us(at, zone) for at in (before.end_us, after.begin_us))
            notes.append(
                f"the clock was set back from {was:%Y-%m-%d %H:%M:%S} to {now:%Y-%m-%d %H:%M:%S}; "
                "that time counts as it was judged the second time"
            )
    return notes
