"""What the events of a job say of it, as JSON types: what a record has without readings."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from envmon.clock import SECOND_US
from envmon.guard.alarm_kinds import KINDS
from envmon.guard.occurrences import log_of
from envmon.job import events as names
from envmon.job.cure import cure_now, cure_state
from envmon.job.record_numbers import iso_us
from envmon.job.record_words import local_time
from envmon.shop.stages import BUILT_IN, PRACTICE

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from envmon.facts import Event
    from envmon.guard.occurrences import Occurrence
    from envmon.job.model import Cure, Job, Mark, Panel, StepNow
    from envmon.units import UnitSystem

FIRST_WASH_DAYS = 14
"""Days to the first wash where no sheet says it (common practice)."""
_MIXING = "mix"
_STAGES = {stage.id: stage for stage in BUILT_IN}


class Scenery(NamedTuple):
    """What a record needs besides the job.

    Attributes:
        made_us: When it is made [µs].
        timezone: The shop's time zone; days follow it.
        units: What people there read.
    """

    made_us: int
    timezone: str
    units: UnitSystem


def told(job: Job, events: Sequence[Event], scenery: Scenery) -> dict[str, Any]:
    """Return what the events say of a job.

    Args:
        job: The job, folded from these events.
        events: Its own events and those of alarms in its bay, in the order of the chain.
        scenery: When and where.
    """
    return {
        "job": _head(job),
        "products": [_product(job, product) for product in job.products],
        "limits": job.limits,
        "stages": [_step(job, at, step) for at, step in enumerate(job.steps)],
        "panels": [row for panel in job.panels for row in _panel_rows(panel)],
        "cure": _cure(job, scenery),
        "overrides": list(_overrides(job, events)),
        "alarms": [_alarm(one) for one in log_of(events).past],
        "notes": list(_notes(job, mixing=False)),
        "mixing": list(_notes(job, mixing=True)),
        "aftercare": _aftercare(job, scenery),
        "cautions": _cautions(job),
    }


def until_us(job: Job, made_us: int) -> int:
    """Return up to when a record tells of a job [µs]: hand-over, else when it is made."""
    return made_us if job.closed_us is None else job.closed_us


def stage_name(stage: str) -> str:
    """Return what people call a stage."""
    return _STAGES[stage].name if stage in _STAGES else stage


def _iso(at_us: int | None) -> str | None:
    return None if at_us is None else iso_us(at_us)


def _head(job: Job) -> dict[str, Any]:
    return {
        "id": job.id,
        "bay": job.bay,
        "body": job.body,
        "procedure": {"id": job.procedure[0], "name": job.procedure[1]},
        "opened": iso_us(job.opened_us),
        "opened_by": job.by,
        "closed": _iso(job.closed_us),
        "close_reason": job.close_reason,
        "in_flight": job.in_flight,
        "reference_digest": job.reference_digest,
    }


def _product(job: Job, product: str) -> dict[str, Any]:
    stages = [step.stage for step in job.steps if step.product == product]
    return {"id": product, "batch": "", **job.products[product], "stages": stages}


def _step(job: Job, at: int, step: StepNow) -> dict[str, Any]:
    stage = _STAGES.get(step.stage)
    product = job.products.get(step.product or "", {})
    return {
        "step": at,
        "stage": step.stage,
        "name": stage_name(step.stage),
        "goal": bool(stage and stage.goal),
        "product": str(product.get("name", "")),
        "status": step.status,
        "skip_reason": step.skip_reason,
        "runs": [
            {
                "from": iso_us(run.from_us), "to": _iso(run.to_us), "by": run.by,
                "against": list(run.against), "reason": run.reason,
            }
            for run in step.runs
        ],
    }  # fmt: skip


def _panel_rows(panel: Panel) -> Iterator[dict[str, Any]]:
    """Yield a row for each time a panel was coated; one without any for a panel never coated."""
    rounds: list[list[Mark]] = []
    for mark in panel.marks:
        if mark.step == "applied" or not rounds:
            rounds.append([])
        rounds[-1].append(mark)
    for marks in rounds or [[]]:
        yield {"panel": panel.id, "name": panel.name, **_panel_row(marks)}


def _panel_row(marks: Sequence[Mark]) -> dict[str, Any]:
    last = {mark.step: mark for mark in marks}
    applied, levelled = last.get("applied"), last.get("levelled")
    flash = applied.flash if applied else None
    wait_s = (levelled.at_us - applied.at_us) / SECOND_US if applied and levelled else None
    times: dict[str, str | None] = {step: _iso(mark.at_us) for step, mark in last.items()}
    inspected = last.get("inspected")
    return {
        **dict.fromkeys(("applied", "levelled", "wiped", "inspected")),
        **times,
        "result": inspected.result if inspected else "",
        "wait_s": wait_s,
        "flash": msgspec.to_builtins(flash),
        "by": ", ".join(dict.fromkeys(mark.by for mark in marks if mark.by)),
    }


def _cure(job: Job, scenery: Scenery) -> dict[str, Any] | None:
    cure = cure_now(job, scenery.made_us)
    state = cure_state(job, scenery.made_us, scenery.timezone, scenery.units)
    if cure is None or state is None:
        return None
    return {
        "since": iso_us(cure.since_us),
        "to": iso_us(cure.at_us),
        "clock_s": state.clock_s,
        "inside_s": state.inside_s,
        "outside_s": state.outside_s,
        "unknown_s": state.unknown_s,
        "held": cure_held(cure),
        "breaks": [
            {"from": iso_us(b.from_us), "to": _iso(b.to_us), "fitness": b.fitness}
            for b in cure.breaks
        ],
        "milestones": [msgspec.to_builtins(mark) for mark in state.milestones],
        "text": state.text,
    }


def cure_held(cure: Cure) -> bool | None:
    """Return whether a cure kept to its window; None when nobody can say."""
    if cure.outside_us:
        return False
    return None if cure.unknown_us else True


def _overrides(job: Job, events: Iterable[Event]) -> Iterator[dict[str, Any]]:
    """Yield what was started against a guard or skipped, with the reason given."""
    for event in events:
        data = event.data
        if event.kind == names.STAGE_STARTED and data.get("against"):
            what, against = "started", [str(text) for text in data["against"]]
        elif event.kind == names.SKIPPED:
            what, against = "skipped", []
        elif event.kind == names.CLOSED and data.get("reason"):
            what, against = "closed early", []
        else:
            continue
        at = data.get("step")
        stage = job.steps[int(at)].stage if at is not None else ""
        yield {
            "at": iso_us(event.at_us), "what": what, "stage": stage, "against": against,
            "reason": str(data.get("reason", "")), "by": str(data.get("by", "")),
        }  # fmt: skip


def _alarm(one: Occurrence) -> dict[str, Any]:
    kind = KINDS.get(one.what)
    return {
        "alarm": one.alarm,
        "bay": one.bay,
        "name": kind.name if kind else one.what,
        "priority": one.priority,
        "text": one.text,
        "stage": one.stage,
        "raised": iso_us(one.raised_us),
        "ended": _iso(one.ended_us),
        "end": one.end,
        "acknowledged": _iso(one.acknowledged_us),
        "by": one.by,
    }


def _notes(job: Job, *, mixing: bool) -> Iterator[dict[str, Any]]:
    """Yield the notes on mixing, which begin with that word, or the others."""
    for note in job.notes:
        if note.text.strip().casefold().startswith(_MIXING) == mixing:
            yield {"at": iso_us(note.at_us), "text": note.text, "by": note.by}


def _aftercare(job: Job, scenery: Scenery) -> dict[str, Any] | None:
    """Return the day of the first wash: the longest a sheet asks for; None without a coating."""
    coats = [step for step in job.steps if step.stage == "coating" and step.runs]
    if not coats:
        return None
    sheets = [job.products[s.product] for s in coats if s.product and s.product in job.products]
    asked = [(s["first_wash_days"], s) for s in sheets if s.get("first_wash_days") is not None]
    days, sheet = max(asked, key=lambda pair: int(pair[0]), default=(FIRST_WASH_DAYS, None))
    day = local_time(until_us(job, scenery.made_us), scenery.timezone).date()
    return {
        "first_wash_days": int(days),
        "first_wash": (day + timedelta(days=int(days))).isoformat(),
        "source": PRACTICE if sheet is None else str(sheet.get("source") or sheet.get("name", "")),
    }


def _cautions(job: Job) -> list[str]:
    worked = [step.stage for step in job.steps if step.runs and step.stage in _STAGES]
    return list(dict.fromkeys(text for stage in worked for text in _STAGES[stage].cautions))
