"""Acts on a job as a whole, judged against what is known: each becomes events, or is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.job import events as names
from envmon.job.guards import NAMES, hindrances
from envmon.job.live import Hindrance
from envmon.job.reference import reference_digest
from envmon.service.job.case import REASON_LEAST, Outcome, Refusal
from envmon.service.job.opening import open_job
from envmon.service.job.panels import change_panels, mark_panel, undo

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.job.model import Job, StepNow
    from envmon.service.job.case import Case

DIGEST_LENGTH = 64
FORMS = ("json", "html", "pdf")


def outcome_of(case: Case) -> Outcome:
    """Return what an act becomes.

    Raises:
        Refusal: It is not done.
    """
    do = _DO.get(case.act)
    if do is None:
        raise Refusal(f"act is {case.act[:40]!r}; allowed: {', '.join(sorted(_DO))}")
    return do(case)


def _step(case: Case, job: Job) -> tuple[int, StepNow]:
    index = case.whole("step", 0, len(job.steps) - 1)
    return index, job.steps[index]


def _start(case: Case) -> Outcome:
    job = case.job()
    index, step = _step(case, job)
    if step.status == "active":
        raise Refusal(_was(case, step, "started"), conflict=True)
    seen = case.data.get("seen")
    if seen is not None and seen != step.status:
        raise Refusal(_was(case, step, step.status), conflict=True)
    against = case.reason_against(hindrances(job, index, case.look(), case.now_us))
    return Outcome((_started(case, job, index, against),))


def _started(
    case: Case, job: Job, index: int, against: dict[str, Any]
) -> tuple[str, dict[str, Any]]:
    stage = job.steps[index].stage
    return case.event(names.STAGE_STARTED, job.id, step=index, stage=stage, **against)


def _was(case: Case, step: StepNow, done: str) -> str:
    """Return that a step was started, done or skipped already, when and by whom."""
    name, run = NAMES[step.stage], step.runs[-1] if step.runs else None
    if done == "skipped" or run is None:
        return f"{name} is {done} already" if done != "todo" else f"{name} is to be done again"
    at_us = run.from_us if done == "started" or run.to_us is None else run.to_us
    by = f" by {run.by}" if done == "started" and run.by else ""
    word = "started" if done == "started" else "finished"
    return f"{name} was {word} already at {case.clock(at_us)}{by}"


def _finish(case: Case) -> Outcome:
    """End the step being worked; early cure begins with the end of the coating."""
    job = case.job()
    index = job.current
    if case.data.get("step") is not None:
        index, step = _step(case, job)
        if step.status != "active":
            over = step.status in {"done", "skipped"}
            name = NAMES[step.stage]
            why = _was(case, step, step.status) if over else f"{name} is not being worked"
            raise Refusal(why, conflict=True)
    if index is None:
        raise Refusal("no step is being worked; start one first", conflict=True)
    stage = job.steps[index].stage
    open_panels = _not_levelled(job) if stage == "coating" else ()
    against = case.reason_against(open_panels)
    more = against if open_panels else {}
    ended = case.event(names.STAGE_ENDED, job.id, step=index, stage=stage, **more)
    after = index + 1
    if stage != "coating" or after == len(job.steps) or job.steps[after].stage != "early_cure":
        return Outcome((ended,))
    return Outcome((ended, _started(case, job, after, {"against": [], "reason": ""})))


def _not_levelled(job: Job) -> tuple[Hindrance, ...]:
    if job.cure is not None:
        return ()
    left = [
        panel.name
        for panel in job.panels
        if panel.in_flight
        or (mark := panel.mark("levelled")) is None
        or mark.at_us < job.coat_from_us
    ]
    return (Hindrance("order", f"not levelled yet: {', '.join(left)}"),) if left else ()


def _skip(case: Case) -> Outcome:
    job = case.job()
    index, step = _step(case, job)
    reason = case.text("reason", 500)
    if len(reason) < REASON_LEAST:
        raise Refusal(f"reason is {reason!r}; allowed is {REASON_LEAST} characters or more")
    if step.status not in {"todo", "active"}:
        raise Refusal(_was(case, step, step.status), conflict=True)
    skipped = case.event(names.SKIPPED, job.id, step=index, stage=step.stage, reason=reason)
    if step.status == "active":  # the guard must know that it is over
        ended = case.event(names.STAGE_ENDED, job.id, step=index, stage=step.stage)
        return Outcome((ended, skipped))
    return Outcome((skipped,))


def _note(case: Case) -> Outcome:
    return Outcome((case.event(names.NOTED, case.job().id, text=case.text("text", 500)),))


def _batch(case: Case) -> Outcome:
    job, product = case.job(), case.text("product", 60)
    if product not in job.products:
        known = ", ".join(job.products) or "none"
        raise Refusal(f"product is {product!r}; allowed: {known}")
    batch = case.text("batch", 60, needed=False)
    return Outcome((case.event(names.BATCH_SET, job.id, product=product, batch=batch),))


def _set_in_flight(case: Case) -> Outcome:
    job, number = case.job(), case.whole("in_flight", 1, 4)
    return Outcome((case.event(names.IN_FLIGHT_SET, job.id, in_flight=number),))


def _close(case: Case) -> Outcome:
    """Hand the vehicle over; before all is done that needs a reason."""
    job = case.job()
    left = [
        NAMES[step.stage]
        for index, step in enumerate(job.steps)
        if step.status == "todo" or (step.status == "active" and index < len(job.steps) - 1)
    ]
    open_steps = (Hindrance("order", f"not done yet: {', '.join(left)}"),) if left else ()
    reason = case.reason_against(open_steps)["reason"] or case.text("reason", 500, needed=False)
    closed = case.event(names.CLOSED, job.id, reason=reason)
    if job.current is None:
        return Outcome((closed,))
    stage = job.steps[job.current].stage
    ended = case.event(names.STAGE_ENDED, job.id, step=job.current, stage=stage)
    return Outcome((ended, closed))


def _named(case: Case) -> str:
    """Return the id of a job that may be over long since."""
    job_id = case.text("job", 20)
    if case.ledger.bays.get(job_id) != case.bay:
        raise Refusal(f"there is no job {job_id!r} in {case.bay_name}")
    return job_id


def _record(case: Case) -> Outcome:
    job_id, digest, form = _named(case), case.text("digest", DIGEST_LENGTH), case.text("form", 10)
    if len(digest) != DIGEST_LENGTH or set(digest) - set("0123456789abcdef"):
        raise Refusal(f"digest is {digest!r}; allowed is SHA-256 as {DIGEST_LENGTH} hex digits")
    if form not in FORMS:
        raise Refusal(f"form is {form!r}; allowed: {', '.join(FORMS)}")
    return Outcome((case.event(names.RECORD_MADE, job_id, digest=digest, form=form),))


def _erase(case: Case) -> Outcome:
    job_id = _named(case)
    reference = case.reference(job_id)
    if reference is None:
        raise Refusal(f"the reference of job {job_id} is not kept: never given, or erased already")
    digest = reference_digest(reference.salt, reference.text)
    return Outcome((case.event(names.ERASED, job_id, digest=digest),), forget=job_id)


_DO: dict[str, Callable[[Case], Outcome]] = {
    "open": open_job,
    "start": _start,
    "finish": _finish,
    "skip": _skip,
    **dict.fromkeys(names.PANEL_EVENTS, mark_panel),
    "undo": undo,
    "note": _note,
    "panels": change_panels,
    "batch": _batch,
    "in_flight": _set_in_flight,
    "close": _close,
    "record": _record,
    "erase": _erase,
}
