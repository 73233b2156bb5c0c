"""Acts on a job as a whole, judged against what is known: each becomes events, or is refused."""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from envmon.clock import SECOND_US
from envmon.errors import InputError
from envmon.job import events as names
from envmon.job.bodies import body_of
from envmon.job.guards import NAMES, hindrances
from envmon.job.live import Hindrance
from envmon.job.reference import reference_digest
from envmon.service.job_case import REASON_LEAST, Outcome, Refusal
from envmon.service.job_opening import limits_in_force, products_used
from envmon.service.job_panels import change_panels, mark_panel, panels_asked, undo
from envmon.store.base import Reference

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.job.model import Job, StepNow
    from envmon.service.job_case import Case
    from envmon.shop.work import Procedure

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


def _open(case: Case) -> Outcome:
    there = case.ledger.book.in_bay(case.bay)
    if there is not None:
        by = f" by {there.by}" if there.by else ""
        at = case.clock(there.opened_us)
        why = f"job {there.id} was opened here already at {at}{by}; close it first"
        raise Refusal(why, conflict=True)
    procedure = _procedure(case)
    body, panels = _body(case, procedure)
    job_id = _new_id(case)
    reference = _reference(case, job_id)
    digest = reference_digest(reference.salt, reference.text) if reference else ""
    event = case.event(
        names.OPENED,
        job_id,
        procedure=procedure.id,
        procedure_name=procedure.name,
        body=body,
        steps=[step.model_dump(exclude_none=True) for step in procedure.step],
        products=products_used(case.shop, procedure, _batches(case)),
        limits=limits_in_force(case.plan, case.bay, procedure),
        panels=panels,
        in_flight=_in_flight(case),
        reference_digest=digest,
    )
    return Outcome((event,), keep=reference)


def _procedure(case: Case) -> Procedure:
    wanted = case.text("procedure", 60)
    for procedure in case.shop.procedure:
        if procedure.id == wanted:
            return procedure
    known = ", ".join(procedure.id for procedure in case.shop.procedure) or "none in the shop file"
    raise Refusal(f"procedure is {wanted!r}; allowed: {known}")


def _body(case: Case, procedure: Procedure) -> tuple[str, list[dict[str, str]]]:
    """Return the name of the body shape and its panels: the list asked for wins over the shape."""
    wanted = case.text("body", 60, needed=False)
    try:
        body = body_of(case.shop, wanted) if wanted else None
    except InputError as error:
        raise Refusal(str(error)) from error
    if case.data.get("panels"):
        return (body.name if body else ""), panels_asked(case)
    if body is not None:
        return body.name, [panel._asdict() for panel in body.panels]
    if any(step.stage == "coating" for step in procedure.step):
        raise Refusal("a coating needs panels: choose a body shape, or name the panels")
    return "", []


def _new_id(case: Case) -> str:
    """Return the next id of the day: the local date and a number never given before."""
    zone = ZoneInfo(case.plan.timezone)
    day = f"{datetime.fromtimestamp(case.now_us / SECOND_US, zone):%y%m%d}"
    numbers = [
        int(job_id.partition("-")[2]) for job_id in case.ledger.bays if job_id.startswith(f"{day}-")
    ]
    return f"{day}-{max(numbers, default=0) + 1}"


def _reference(case: Case, job_id: str) -> Reference | None:
    text = case.text("reference", 200, needed=False)
    return Reference(job_id, text, secrets.token_hex(16)) if text else None


def _batches(case: Case) -> dict[str, str]:
    batches = case.data.get("batches") or {}
    sound = isinstance(batches, dict) and all(
        isinstance(text, str) and len(text) <= 60 for pair in batches.items() for text in pair
    )
    if not sound:
        raise Refusal("batches must be product ids with a batch number up to 60 each")
    return dict(batches)


def _in_flight(case: Case) -> int:
    if case.data.get("in_flight") is None:
        return case.shop.bench.in_flight
    return case.whole("in_flight", 1, 4)


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
    number = case.whole("in_flight", 1, 4)
    return Outcome((case.event(names.IN_FLIGHT_SET, case.job().id, in_flight=number),))


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
    "open": _open,
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
