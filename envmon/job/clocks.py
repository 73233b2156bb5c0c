"""Panel clocks: what each panel waits for, and until when."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from envmon.clock import SECOND_US, iso_from_us
from envmon.job.live import PanelState
from envmon.job.model import Flash
from envmon.physics.flash import FlashSheet, flash_window

if TYPE_CHECKING:
    from envmon.job.live import PanelPhase
    from envmon.job.model import Job, Mark, Panel
    from envmon.units import UnitSystem

PanelAct = Literal["apply", "level", "wipe", "inspect"]

_ACTS: dict[PanelPhase, tuple[PanelAct, ...]] = {
    "todo": ("apply",),
    "flashing": ("level",),
    "due": ("level",),
    "overdue": ("level",),
    "levelled": ("wipe", "inspect"),
    "wiped": ("inspect",),
    "done": (),
    "high_spot": ("level", "apply", "inspect"),
}
"""A high spot still soft is levelled again; one set hard is polished out and covered anew."""

iso = lru_cache(maxsize=4_096)(iso_from_us)
"""Times of marks are shown again each second; they are written out once."""


USUAL_FLASH_S = (120.0, 300.0)
"""From applying to levelling at 20 °C where the sheet gives no flash (common practice) [s]."""
_USUAL = "common practice"


def flash_of(
    product_facts: dict[str, Any], conditions: dict[str, float | None], units: UnitSystem
) -> Flash:
    """Return the flash window of a panel covered now; its words say where the range is from.

    Args:
        product_facts: What the product's sheet says, as a job keeps it; maybe nothing.
        conditions: ``panel_temp_c``, ``air_temp_c`` and ``rel_hum_pct``; None is not known.
        units: Units of temperatures in words.
    """
    window = flash_window(
        _sheet(product_facts),
        conditions.get("panel_temp_c"),
        conditions.get("air_temp_c"),
        conditions.get("rel_hum_pct"),
        units,
    )
    return Flash(*window)


def _sheet(facts: dict[str, Any]) -> FlashSheet:
    named = {
        "at_c": facts.get("flash_at"),
        "carrier": facts.get("carrier"),
        "rh_at_pct": facts.get("flash_rh_at"),
        "per_10_rh": facts.get("flash_per_10_rh"),
    }
    given = {name: value for name, value in named.items() if value is not None}
    if not facts.get("flash"):
        return FlashSheet(*USUAL_FLASH_S, carrier=given.get("carrier", "2-propanol"), whose=_USUAL)
    return FlashSheet(*facts["flash"], **given)


def due_us(mark: Mark) -> tuple[int, int] | None:
    """Return from when and by when a covered panel is to be levelled [µs]; None without a sheet."""
    if mark.flash is None:
        return None
    return (
        mark.at_us + round(mark.flash.from_s * SECOND_US),
        mark.at_us + round(mark.flash.to_s * SECOND_US),
    )


def marks_of(panel: Panel, from_us: int) -> tuple[Mark, ...]:
    """Return what was done to a panel since it was covered last.

    Args:
        panel: The panel.
        from_us: The coat being worked began then (``Job.coat_from_us``) [µs].
    """
    marks = [mark for mark in panel.marks if mark.at_us >= from_us]
    covered = [at for at, mark in enumerate(marks) if mark.step == "applied"]
    return tuple(marks[covered[-1] :] if covered else marks)


def phase_at(last: Mark | None, now_us: int) -> PanelPhase:
    """Return where a panel stands.

    Args:
        last: Its newest mark, or None.
        now_us: Time now [µs].
    """
    if last is None:
        return "todo"
    if last.step == "inspected":
        return "high_spot" if last.result == "high_spot" else "done"
    if last.step != "applied":
        return last.step
    due = due_us(last)
    if due is None or due[0] <= now_us <= due[1]:
        return "due"
    return "flashing" if now_us < due[0] else "overdue"


def panel_states(job: Job, now_us: int) -> tuple[PanelState, ...]:
    """Return the clocks of every panel, in the order of work.

    Args:
        job: The job.
        now_us: Time now [µs].
    """
    from_us, covering = job.coat_from_us, is_coating(job)
    states = []
    for panel in job.panels:
        marks = marks_of(panel, from_us)
        phase = phase_at(marks[-1] if marks else None, now_us)
        acts = () if job.closed_us is not None else _ACTS[phase]
        if not covering:
            acts = tuple(act for act in acts if act != "apply")
        states.append(_state(panel, marks, phase, acts))
    return tuple(states)


def is_coating(job: Job) -> bool:
    """Return whether the step being worked is a coating: only then panels are covered."""
    return job.current is not None and job.steps[job.current].stage == "coating"


def _state(
    panel: Panel, marks: tuple[Mark, ...], phase: PanelPhase, acts: tuple[PanelAct, ...]
) -> PanelState:
    at = {mark.step: iso(mark.at_us) for mark in marks}
    flash = marks[0].flash if marks else None
    due = due_us(marks[0]) if marks else None
    return PanelState(
        panel.id,
        panel.name,
        phase,
        at.get("applied"),
        iso(due[0]) if due else None,
        iso(due[1]) if due else None,
        flash.factor if flash else None,
        flash.why if flash else (),
        flash.outside_sheet if flash else "",
        at.get("levelled"),
        at.get("wiped"),
        at.get("inspected"),
        acts,
    )
