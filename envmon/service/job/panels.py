"""Acts on the panels of a vehicle: apply, level, wipe, inspect, undo, and which there are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from envmon.errors import InputError
from envmon.job import events as names
from envmon.job.bodies import panels_from_names
from envmon.job.clocks import flash_of, is_coating, marks_of, panel_states
from envmon.service.job.case import Outcome, Refusal

if TYPE_CHECKING:
    from envmon.job.model import Job, Mark, Panel
    from envmon.service.job.case import Case

PANELS_MOST = 60
NAME_LONGEST = 30
_DONE = {"apply": "applied", "level": "levelled", "wipe": "wiped", "inspect": "inspected"}
_AT_FLASH = ("air_temp_c", "rel_hum_pct", "panel_temp_c", "dew_margin_k")
EVENT_OF = {_DONE[act]: kind for act, kind in names.PANEL_EVENTS.items()}
"""Step of a mark -> the event it came from."""


def mark_panel(case: Case) -> Outcome:
    """Apply, level, wipe or inspect a panel.

    Raises:
        Refusal: There is no such panel, or it is not in the state for it.
    """
    job = case.job()
    panel = _panel_of(case, job)
    _ensure_turn(case, job, panel)
    more: dict[str, Any] = {}
    if case.act == "apply":
        more = _applied(case, job)
    elif case.act == "inspect":
        more = {"result": _result(case)}
    kind = names.PANEL_EVENTS[case.act]
    return Outcome((case.event(kind, job.id, panel=panel.id, **more),))


def _panel_of(case: Case, job: Job) -> Panel:
    panel_id = case.text("panel", 60)
    panel = job.panel(panel_id)
    if panel is None:
        known = ", ".join(panel.id for panel in job.panels)
        raise Refusal(f"there is no panel {panel_id!r}; allowed: {known}", conflict=True)
    return panel


def _ensure_turn(case: Case, job: Job, panel: Panel) -> None:
    """Refuse an act that what was done last to the panel does not lead to."""
    states = {state.id: state for state in panel_states(job, case.now_us)}
    if case.act in states[panel.id].acts:
        return
    if case.act == "apply" and not is_coating(job):
        raise Refusal("panels are applied while coating; start the coating first", conflict=True)
    marks = marks_of(panel, job.coat_from_us)
    if not marks:
        raise Refusal(f"{panel.name} is not applied yet", conflict=True)
    already = next((mark for mark in reversed(marks) if mark.step == _DONE[case.act]), None)
    if already is not None:
        why = f"{panel.name} was {already.step} already at {_when(case, already)}"
    else:
        why = f"{panel.name} was {marks[-1].step} at {_when(case, marks[-1])}; level it first"
    raise Refusal(why, conflict=True)


def _when(case: Case, mark: Mark) -> str:
    return case.clock(mark.at_us) + (f" by {mark.by}" if mark.by else "")


def _applied(case: Case, job: Job) -> dict[str, Any]:
    """Return the flash window of a panel applied now, and the conditions it follows from."""
    assert job.current is not None
    live = case.look().bay.conditions
    conditions = {name: live[name].value if name in live else None for name in _AT_FLASH}
    sheet = job.products.get(job.steps[job.current].product or "", {})
    flash = flash_of(sheet, conditions, case.plan.units)
    return {"flash": msgspec.to_builtins(flash), "conditions": conditions}


def _result(case: Case) -> str:
    result = case.text("result", 20)
    if result not in {"clean", "high_spot"}:
        raise Refusal(f"result is {result!r}; allowed: clean, high_spot")
    return result


def newest_mark(job: Job) -> tuple[Panel, Mark] | None:
    """Return the mark an undo takes back when none is named: the last one made."""
    last = [(panel, panel.last) for panel in job.panels if panel.last is not None]
    return max(last, key=lambda pair: pair[1].seq, default=None)


def undo(case: Case) -> Outcome:
    """Take back the last mark on a panel.

    Raises:
        Refusal: There is none, it was taken back already, or another came after it.
    """
    job = case.job()
    if case.data.get("seq") is None:
        newest = newest_mark(job)
        if newest is None:
            raise Refusal("there is nothing to undo on the panels")
        panel, mark = newest
    else:
        panel, mark = _mark_at(job, case.whole("seq", 1, 2**53))
    if mark is not panel.last:
        last = panel.last
        assert last is not None
        why = f"{panel.name} was {last.step} at {_when(case, last)} since; undo that first"
        raise Refusal(why, conflict=True)
    data = {"panel": panel.id, "undoes": mark.seq, "undone_kind": EVENT_OF[mark.step]}
    return Outcome((case.event(names.UNDONE, job.id, **data),))


def _mark_at(job: Job, seq: int) -> tuple[Panel, Mark]:
    for panel in job.panels:
        for mark in panel.marks:
            if mark.seq == seq:
                return panel, mark
    raise Refusal("that was taken back already, or is none of the marks on the panels",
                  conflict=True)  # fmt: skip


def change_panels(case: Case) -> Outcome:
    """Replace the list of panels; one that was worked stays.

    Raises:
        Refusal: The list cannot be, or leaves out a panel that has marks.
    """
    job = case.job()
    panels = panels_asked(case)
    kept = {panel["id"] for panel in panels}
    gone = [panel.name for panel in job.panels if panel.marks and panel.id not in kept]
    if gone:
        raise Refusal(f"{', '.join(gone)} was worked already; undo that before taking it out")
    return Outcome((case.event(names.PANELS_CHANGED, job.id, panels=panels),))


def panels_asked(case: Case) -> list[dict[str, str]]:
    """Return the panels an act names: those with an id keep it, new ones are given one.

    Raises:
        Refusal: There is none, one has no name, or two have the same.
    """
    asked = case.data.get("panels")
    if not isinstance(asked, list) or not 0 < len(asked) <= PANELS_MOST:
        raise Refusal(f"panels must be a list of 1 to {PANELS_MOST} names")
    pairs = [_pair(item) for item in asked]
    given = [panel_id for panel_id, _ in pairs if panel_id]
    if len(set(given)) < len(given):
        raise Refusal("panels has an id twice; allowed is each once")
    try:
        named = panels_from_names(name for _, name in pairs)
    except InputError as error:
        raise Refusal(str(error)) from error
    return _with_ids(pairs, [panel.id for panel in named], set(given))


def _pair(item: object) -> tuple[str, str]:
    """Return id and name of a panel as asked for, the id empty for a new one."""
    known: dict[str, Any] = item if isinstance(item, dict) else {"name": item}
    panel_id, name = known.get("id", ""), known.get("name")
    if not isinstance(panel_id, str) or not isinstance(name, str):
        raise Refusal(f"panel is {str(item)[:40]!r}; allowed is a name, or an id with a name")
    if not 0 < len(name.strip()) <= NAME_LONGEST:
        raise Refusal(f"panel is {name[:40]!r}; allowed is a name up to {NAME_LONGEST}")
    return panel_id, name.strip()


def _with_ids(
    pairs: list[tuple[str, str]], made: list[str], used: set[str]
) -> list[dict[str, str]]:
    """Return the panels with an id each; one made from a name gives way to one that is there."""
    panels = []
    for (panel_id, name), fresh in zip(pairs, made, strict=True):
        free, number = fresh, 2
        while not panel_id and free in used:
            free, number = f"{fresh}-{number}", number + 1
        used.add(panel_id or free)
        panels.append({"id": panel_id or free, "name": name})
    return panels
