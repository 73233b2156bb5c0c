"""The next best act, in words short enough for a button."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SECOND_US, iso_from_us, us_from_iso
from envmon.guard.words import clock_time
from envmon.job.ahead import strokes_left
from envmon.job.clocks import due_us, flash_of, is_coating, marks_of, phase_at
from envmon.job.cure import coating_product, cure_now, milestones
from envmon.job.guards import NAMES, hindrances
from envmon.job.live import Proposal
from envmon.job.rhythm import Rhythm, minutes, plan_rhythm

if TYPE_CHECKING:
    from envmon.job.clocks import PanelAct
    from envmon.job.guards import BayView
    from envmon.job.live import Hindrance, PanelPhase
    from envmon.job.model import Job, Panel
    from envmon.shop.work import BenchInfo

_FLASH_QUANTITIES = ("panel_temp_c", "air_temp_c", "rel_hum_pct")
_CURE_MARK = {"early_cure": "rain-safe", "cure": "full cure"}


def propose(job: Job, view: BayView, now_us: int, bench: BenchInfo) -> Proposal:
    """Return the next best act.

    Args:
        job: The job.
        view: The bay and its air, now.
        now_us: Time now [µs].
        bench: How long the hands take.
    """
    found = () if job.following is None else hindrances(job, job.following, view, now_us)
    return propose_with(Scene(job, view, now_us, bench, found))


def propose_with(scene: Scene) -> Proposal:
    """Return the next best act when the hindrances of the following step are known already."""
    if scene.job.closed_us is not None:
        return Proposal("none", "Closed")
    panel = _panels(scene)
    return panel if panel is not None else _steps(scene)


class Scene(NamedTuple):
    """All a proposal is made from."""

    job: Job
    view: BayView
    now_us: int
    bench: BenchInfo
    hindrances: tuple[Hindrance, ...]


def rhythm_now(job: Job, view: BayView, bench: BenchInfo) -> Rhythm:
    """Return what hands and product take in the air of now."""
    held = view.bay.conditions
    conditions = {name: held[name].value for name in _FLASH_QUANTITIES if name in held}
    flash = flash_of(coating_product(job), conditions, view.units)
    return Rhythm(bench.apply, bench.level, flash.from_s, flash.to_s, job.in_flight)


def rhythm_text(scene: Scene) -> str:
    """Return how the panels left are best spaced and when the last is levelled, in words.

    Only while a coating is worked or comes next; empty when no panel is left.
    """
    job = scene.job
    left = len(_by_phase(job, scene.now_us).get("todo", []))
    at = job.following if job.current is None else job.current
    rhythm = rhythm_now(job, scene.view, scene.bench)
    if not left or at is None or job.steps[at].stage != "coating":
        return ""
    plan = plan_rhythm(rhythm, left)
    end_us = scene.now_us + round(plan.turns[-1].level_end * SECOND_US)
    spaced = f"one each {minutes(plan.period)}, level after {minutes(plan.wait)}"
    end = clock_time(end_us, scene.view.timezone)
    words = f"{left} left: {spaced}, done about {end}"
    return f"{words}; {plan.why}" if plan.why else words


def _panels(scene: Scene) -> Proposal | None:
    """Return what to do to a panel; None when none needs anything."""
    job, at = scene.job, _by_phase(scene.job, scene.now_us)
    for phase, words, urgent in _LEVEL:
        if phase in at:
            panel = min(at[phase], key=_late_us)
            return _on("level", words.format(panel.name), panel, job, urgent=urgent)
    # Before the next is covered: the time to level is for the second wipe too, and a high spot
    # found an hour later has set hard.
    if "levelled" in at:
        return _on("wipe", f"Wipe {at['levelled'][0].name}", at["levelled"][0], job)
    if "wiped" in at:
        return _on("inspect", f"Inspect {at['wiped'][0].name}", at["wiped"][0], job)
    return _stroke(scene, at)


_LEVEL: tuple[tuple[PanelPhase, str, bool], ...] = (
    ("overdue", "Level {} NOW", True),
    ("due", "Level {}", True),
    ("high_spot", "High spot: level {}", False),
)


def _by_phase(job: Job, now_us: int) -> dict[PanelPhase, list[Panel]]:
    from_us = job.coat_from_us
    found: dict[PanelPhase, list[Panel]] = {}
    for panel in job.panels:
        marks = marks_of(panel, from_us)
        found.setdefault(phase_at(marks[-1] if marks else None, now_us), []).append(panel)
    return found


def _on(act: PanelAct, text: str, panel: Panel, job: Job, *, urgent: bool = False) -> Proposal:
    return Proposal(act, text, panel.id, job.current, urgent=urgent)


def _late_us(panel: Panel) -> int:
    due = None if panel.last is None else due_us(panel.last)
    return 0 if due is None else due[1]


def _stroke(scene: Scene, at: dict[PanelPhase, list[Panel]]) -> Proposal | None:
    """Return which panel to cover, or for what to wait; None when nothing is left to do so."""
    job = scene.job
    todo = at.get("todo", []) if is_coating(job) else []
    if not todo:
        return _until_due(job, at)
    rhythm = rhythm_now(job, scene.view, scene.bench)
    first = strokes_left(job, scene.now_us, rhythm)[0]
    panel = job.panel(first.panel)
    assert panel is not None
    if first.from_us > scene.now_us:
        return _wait(f"Wait, then {first.act} {panel.name}", panel, job, first.from_us)
    return _on("apply", f"Apply {panel.name}", panel, job)


def _until_due(job: Job, at: dict[PanelPhase, list[Panel]]) -> Proposal | None:
    """Return which panel to wait for when none is left to be covered; None when none flashes."""
    if "flashing" not in at:
        return None
    panel = min(at["flashing"], key=_late_us)
    due = None if panel.last is None else due_us(panel.last)
    return _wait(f"Wait, then level {panel.name}", panel, job, due[0] if due else None)


def _wait(text: str, panel: Panel, job: Job, at_us: int | None) -> Proposal:
    at = None if at_us is None else iso_from_us(at_us)
    return Proposal("wait", text, panel.id, job.current, at)


def _steps(scene: Scene) -> Proposal:
    """Return which step to start or finish, or what to wait for."""
    job = scene.job
    at, following = job.current, job.following
    if at is None:
        return _start(scene, following) if following is not None else _close(None)
    stage = job.steps[at].stage
    waiting = _curing(scene, at) or _working_towards(scene, at)
    if waiting is not None:
        return waiting
    if following is None:
        return _close(at) if stage == "hand_over" else _finish(stage, at)
    if scene.hindrances or stage == "coating":
        return _finish(stage, at)
    return _start(scene, following)


def _start(scene: Scene, at: int) -> Proposal:
    name = _name(scene.job.steps[at].stage)
    if not scene.hindrances:
        return Proposal("start", f"Start {name}", step=at)
    ends = [hindrance.until for hindrance in scene.hindrances]
    # ISO texts of one form order as their times do.
    known = [end for end in ends if end is not None]
    until = max(known) if len(known) == len(ends) else None
    return Proposal("wait", f"{name}: {scene.hindrances[0].text}", step=at, at=until)


def _finish(stage: str, at: int) -> Proposal:
    return Proposal("finish", f"Finish {_name(stage)}", step=at)


def _close(at: int | None) -> Proposal:
    return Proposal("close", "Hand over, close the job", step=at)


def _name(stage: str) -> str:
    return NAMES.get(stage, stage)


def _curing(scene: Scene, at: int) -> Proposal | None:
    """Return until when the cure is to be left alone; None when it need not be."""
    job, wanted = scene.job, _CURE_MARK.get(scene.job.steps[at].stage)
    cure = cure_now(job, scene.now_us)
    if wanted is None or cure is None:
        return None
    mark = next(mark for mark in milestones(job, cure) if mark.name == wanted)
    if mark.left_s == 0:
        return None
    if mark.at is None:
        return Proposal("wait", f"Not {wanted}: air is not in its window", step=at)
    until = clock_time(us_from_iso(mark.at), scene.view.timezone)
    return Proposal("wait", f"No water. {wanted.capitalize()} at {until}", step=at, at=mark.at)


def _working_towards(scene: Scene, at: int) -> Proposal | None:
    """Return what a warm-up or drying still waits for."""
    stage = next((s for s in scene.view.bay.stages if s.id == scene.job.steps[at].stage), None)
    if stage is None or not stage.goal or stage.fitness in {"fit", "marginal"}:
        return None
    worst = stage.reasons[0].text if stage.reasons else stage.summary
    return Proposal("wait", f"{stage.name}: {worst}", step=at)
