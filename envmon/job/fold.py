"""Jobs from the events of the chain: the same events give the same jobs, live and years later."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import msgspec

from envmon.job import events as names
from envmon.job.model import (
    Book,
    Break,
    Cure,
    Flash,
    Job,
    Mark,
    Note,
    Panel,
    PanelStep,
    Run,
    StepNow,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from envmon.facts import Event
    from envmon.job.model import Window

replace = msgspec.structs.replace
Span = TypeVar("Span", bound=Run | Break)

_STEPS: dict[str, PanelStep] = {
    names.APPLIED: "applied",
    names.LEVELLED: "levelled",
    names.WIPED: "wiped",
    names.INSPECTED: "inspected",
}


def fold(book: Book, events: Iterable[Event]) -> Book:
    """Return the book after events of the chain, in its order; others than of jobs are passed over.

    Args:
        book: What is known so far; not changed.
        events: In the order of the chain.
    """
    jobs = dict(book.jobs)
    for event in events:
        job = _job_of(jobs, event)
        if event.kind == names.OPENED:
            jobs[str(event.data["job"])] = _opened(event)
        elif job is not None and event.kind in _TAKES:
            taken = _TAKES[event.kind](job, event)
            jobs[job.id] = replace(_with_cure(taken), seq=event.seq)
    return Book(jobs)


def _job_of(jobs: dict[str, Job], event: Event) -> Job | None:
    """Return the job an event names, or for the guard's own the one open in its bay."""
    if event.kind == names.CURE_FITNESS:
        return Book(jobs).in_bay(event.bay)
    return jobs.get(str(event.data.get("job", "")))


def cure_at(cure: Cure, now_us: int) -> Cure:
    """Return the cure counted up to a time, the last verdict holding until then.

    Args:
        cure: As counted so far.
        now_us: Time to count to [µs]; an earlier one than its own changes nothing.
    """
    span_us = max(0, now_us - cure.at_us)
    name = {"unfit": "outside_us", "unknown": "unknown_us"}.get(cure.fitness, "inside_us")
    longer: dict[str, Any] = {name: getattr(cure, name) + span_us}
    return replace(cure, at_us=cure.at_us + span_us, **longer)


def _opened(event: Event) -> Job:
    data = event.data
    steps = tuple(StepNow(step["stage"], step.get("product")) for step in data["steps"])
    panels = tuple(Panel(panel["id"], panel["name"]) for panel in data["panels"])
    return Job(
        id=data["job"],
        bay=event.bay,
        opened_us=event.at_us,
        seq=event.seq,
        procedure=(data["procedure"], data["procedure_name"]),
        body=data["body"],
        steps=steps,
        products=data["products"],
        limits=data["limits"],
        panels=panels,
        in_flight=data["in_flight"],
        reference_digest=data.get("reference_digest", ""),
        first_seq=event.seq,
        by=data.get("by", ""),
    )


def _closed(job: Job, event: Event) -> Job:
    if job.cure is not None:
        cure = cure_at(job.cure, event.at_us)
        job = replace(job, cure=replace(cure, breaks=_ended(cure.breaks, cure.at_us)))
    ended = _end_step(job, event.at_us)
    return replace(ended, closed_us=event.at_us, close_reason=event.data.get("reason", ""))


def _noted(job: Job, event: Event) -> Job:
    note = Note(event.at_us, event.data["text"], event.data.get("by", ""))
    return replace(job, notes=(*job.notes, note))


def _panels_changed(job: Job, event: Event) -> Job:
    known = {panel.id: panel for panel in job.panels}
    panels = tuple(
        Panel(item["id"], item["name"], known[item["id"]].marks if item["id"] in known else ())
        for item in event.data["panels"]
    )
    return replace(job, panels=panels)


def _batch_set(job: Job, event: Event) -> Job:
    product = event.data["product"]
    sheet = {**job.products.get(product, {}), "batch": event.data["batch"]}
    return replace(job, products={**job.products, product: sheet})


def _in_flight_set(job: Job, event: Event) -> Job:
    return replace(job, in_flight=event.data["in_flight"])


def _end_step(job: Job, at_us: int) -> Job:
    at = job.current
    if at is None:
        return job
    return _with_step(
        job, at, replace(job.steps[at], status="done", runs=_ended(job.steps[at].runs, at_us))
    )


def _with_step(job: Job, at: int, step: StepNow) -> Job:
    return replace(job, steps=(*job.steps[:at], step, *job.steps[at + 1 :]))


def _stage_started(job: Job, event: Event) -> Job:
    """Start a step; an earlier one is gone back to, and what came after it is to be done again."""
    at, data = int(event.data["step"]), event.data
    job = _end_step(job, event.at_us)
    back = any(step.status == "done" for step in job.steps[at:])
    run = Run(
        event.at_us, None, tuple(data.get("against", ())), data.get("reason", ""),
        data.get("by", ""),
    )  # fmt: skip
    step = job.steps[at]
    step = replace(step, status="active", runs=(*step.runs, run), skip_reason="")
    job = _with_step(job, at, step)
    return _gone_back(job, at) if back else job


def _gone_back(job: Job, at: int) -> Job:
    later = tuple(replace(step, status="todo", skip_reason="") for step in job.steps[at + 1 :])
    job = replace(job, steps=(*job.steps[: at + 1], *later))
    if any(step.stage == "coating" for step in later):
        # What stood on the panels is polished or wiped away.
        panels = tuple(replace(panel, marks=()) for panel in job.panels)
        job = replace(job, panels=panels, cure=None)
    return job


def _stage_ended(job: Job, event: Event) -> Job:
    return _end_step(job, event.at_us)


def _skipped(job: Job, event: Event) -> Job:
    at = int(event.data["step"])
    if at == job.current:
        job = _end_step(job, event.at_us)
    step = replace(job.steps[at], status="skipped", skip_reason=event.data["reason"])
    return _with_step(job, at, step)


def _panel_done(job: Job, event: Event) -> Job:
    data, flash = event.data, event.data.get("flash")
    mark = Mark(
        _STEPS[event.kind],
        event.at_us,
        event.seq,
        data.get("by", ""),
        msgspec.convert(flash, Flash) if flash else None,
        data.get("result", ""),
    )
    panel = job.panel(data["panel"])
    return job if panel is None else _with_panel(job, replace(panel, marks=(*panel.marks, mark)))


def _with_panel(job: Job, panel: Panel) -> Job:
    return replace(job, panels=tuple(panel if p.id == panel.id else p for p in job.panels))


def _undone(job: Job, event: Event) -> Job:
    panel = job.panel(event.data["panel"])
    if panel is None:
        return job
    kept = tuple(mark for mark in panel.marks if mark.seq != event.data["undoes"])
    return _with_panel(job, replace(panel, marks=kept))


def _window(job: Job, event: Event) -> Job:
    fitness: Window = event.data["fitness"]
    if fitness == job.window:
        return job
    cure = None if job.cure is None else _turned(job.cure, event.at_us, fitness)
    return replace(job, window=fitness, windows=(*job.windows, (event.at_us, fitness)), cure=cure)


def _turned(cure: Cure, at_us: int, fitness: Window) -> Cure:
    """Return the cure after its window's verdict changed."""
    cure = cure_at(cure, at_us)
    ended = _ended(cure.breaks, cure.at_us)
    # Two verdicts of the same moment: the later one counts, and nothing was broken between them.
    breaks = tuple(gone for gone in ended if gone.to_us != gone.from_us)
    if fitness in {"unfit", "unknown"}:
        breaks = (*breaks, Break(cure.at_us, None, fitness))
    return replace(cure, fitness=fitness, breaks=breaks)


def _ended(spans: tuple[Span, ...], at_us: int) -> tuple[Span, ...]:
    """Return the spans with the last one ended, if it still lasts."""
    if not spans or spans[-1].to_us is not None:
        return spans
    return (*spans[:-1], replace(spans[-1], to_us=at_us))


def _unchanged(job: Job, _event: Event) -> Job:
    return job


def _erased(job: Job, _event: Event) -> Job:
    return replace(job, erased=True)


def _with_cure(job: Job) -> Job:
    """Return the job with its cure begun or forgotten, as its panels stand."""
    marks = [panel.mark("levelled") for panel in job.panels]
    levelled = [mark.at_us for mark in marks if mark and mark.at_us >= job.coat_from_us]
    if not marks or len(levelled) < len(marks) or _in_flight(job):
        return replace(job, cure=None) if job.cure is not None else job
    since_us = max(levelled)
    if job.cure is not None and job.cure.since_us == since_us:
        return job
    return replace(job, cure=_cure_since(job, since_us))


def _cure_since(job: Job, since_us: int) -> Cure:
    """Return a cure that began at a time, counted over all its window has said since."""
    before: list[Window] = [fitness for at_us, fitness in job.windows if at_us <= since_us]
    cure = _turned(Cure(since_us, since_us), since_us, before[-1] if before else "unknown")
    for at_us, fitness in job.windows:
        if at_us > since_us:
            cure = _turned(cure, at_us, fitness)
    return cure


def _in_flight(job: Job) -> bool:
    return any(panel.in_flight for panel in job.panels)


_TAKES: dict[str, Callable[[Job, Event], Job]] = {
    names.CLOSED: _closed,
    names.NOTED: _noted,
    names.PANELS_CHANGED: _panels_changed,
    names.BATCH_SET: _batch_set,
    names.IN_FLIGHT_SET: _in_flight_set,
    names.SKIPPED: _skipped,
    names.STAGE_STARTED: _stage_started,
    names.STAGE_ENDED: _stage_ended,
    names.APPLIED: _panel_done,
    names.LEVELLED: _panel_done,
    names.WIPED: _panel_done,
    names.INSPECTED: _panel_done,
    names.UNDONE: _undone,
    names.CURE_FITNESS: _window,
    names.RECORD_MADE: _unchanged,
    names.ERASED: _erased,
}
