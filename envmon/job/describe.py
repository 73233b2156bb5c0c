"""A job as the live state that is published and shown."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import iso_from_us
from envmon.job.clocks import iso, panel_states
from envmon.job.cure import cure_state, wet_risk
from envmon.job.guards import NAMES, hindrances
from envmon.job.live import BenchState, JobState, NoteState, StepState, UndoState
from envmon.job.propose import Scene, propose_with, rhythm_text

if TYPE_CHECKING:
    from envmon.job.guards import BayView
    from envmon.job.live import CureState
    from envmon.job.model import Job, Mark, Panel, StepNow
    from envmon.shop.work import BenchInfo

_NOTES_SHOWN = 3


class Extra(NamedTuple):
    """What is shown of a bay's work beside its open job.

    Attributes:
        last_job: Id of the job closed last, or empty.
        refused: What was refused last, in words, or empty.
        refused_us: When [µs], or None.
    """

    last_job: str = ""
    refused: str = ""
    refused_us: int | None = None


def describe_job(
    job: Job | None, view: BayView, now_us: int, bench: BenchInfo, extra: Extra | None = None
) -> BenchState:
    """Return what is published of a bay's work.

    Args:
        job: The job open in the bay, or None.
        view: The bay and its air, now.
        now_us: Time now [µs].
        bench: How long the hands take.
        extra: What is shown beside the job.
    """
    more = extra or Extra()
    return BenchState(
        view.bay.bay,
        iso_from_us(now_us),
        None if job is None else job_state(job, view, now_us, bench),
        more.last_job,
        more.refused,
        None if more.refused_us is None else iso(more.refused_us),
    )


def job_state(job: Job, view: BayView, now_us: int, bench: BenchInfo) -> JobState:
    """Return a job as a screen shows it.

    Args:
        job: The job.
        view: The bay and its air, now.
        now_us: Time now [µs].
        bench: How long the hands take.
    """
    following = job.following
    found = () if following is None else hindrances(job, following, view, now_us)
    scene = Scene(job, view, now_us, bench, found)
    return JobState(
        job.id,
        job.seq,
        job.procedure[1],
        job.body,
        iso(job.opened_us),
        tuple(_step(job, at, step) for at, step in enumerate(job.steps)),
        job.current,
        following,
        found,
        panel_states(job, now_us),
        job.in_flight,
        sum(panel.in_flight for panel in job.panels),
        propose_with(scene),
        _cure(job, view, now_us),
        _notes(job),
        _undo(job),
        _products(job),
        rhythm_text(scene),
    )


def _step(job: Job, at: int, step: StepNow) -> StepState:
    product = job.products.get(step.product or "", {}).get("name", step.product or "")
    run = step.runs[-1] if step.runs else None
    return StepState(
        at,
        step.stage,
        NAMES.get(step.stage, step.stage),
        product,
        step.status,
        None if run is None else iso(run.from_us),
        None if run is None or run.to_us is None else iso(run.to_us),
        step.skip_reason,
        () if run is None else run.against,
        "" if run is None else run.reason,
    )


def _cure(job: Job, view: BayView, now_us: int) -> CureState | None:
    """Return the cure, with a word in front when the panel is wet or nearly so."""
    cure = cure_state(job, now_us, view.timezone, view.units, _worst(job, view))
    margin = view.bay.conditions.get("dew_margin_k")
    if cure is None or margin is None:
        return cure
    risk = wet_risk([margin.value], view.units)
    if risk.level not in {"wet", "near"}:
        return cure
    return msgspec.structs.replace(cure, text=f"{risk.text}. {cure.text}")


def _worst(job: Job, view: BayView) -> str:
    """Return what keeps the cure stage being worked out of its window, in words, or empty."""
    at = None if job.current is None else job.steps[job.current].stage
    stage = next((stage for stage in view.bay.stages if stage.id == at), None)
    if stage is None or at not in {"early_cure", "cure"}:
        return ""
    return next((reason.text for reason in stage.reasons if reason.fitness == "unfit"), "")


def _notes(job: Job) -> tuple[NoteState, ...]:
    newest = reversed(job.notes[-_NOTES_SHOWN:])
    return tuple(NoteState(iso(note.at_us), note.text, note.by) for note in newest)


def _undo(job: Job) -> UndoState | None:
    """Return the newest mark on any panel: the one an undo takes back."""
    if job.closed_us is not None:
        return None
    newest: tuple[Mark, Panel] | None = None
    for panel in job.panels:
        if panel.last is not None and (newest is None or panel.last.seq > newest[0].seq):
            newest = (panel.last, panel)
    if newest is None:
        return None
    mark, panel = newest
    return UndoState(mark.seq, f"{panel.name} {mark.step}")


def _products(job: Job) -> tuple[str, ...]:
    return tuple(
        " · ".join(part for part in (sheet.get("name", key), sheet.get("batch", "")) if part)
        for key, sheet in job.products.items()
    )
