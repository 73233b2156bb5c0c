"""What the demo's person does next, from the job as it stands and the script of the day.

Pure: the same job, scene and time give the same wish. The script says what stands in the bay and
which stage it is time for; the person works the panels like a hand with some of them in flight.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import SECOND_US
from envmon.job.events import JOB_ACT

if TYPE_CHECKING:
    from envmon.job.model import Job, Panel
    from envmon.shop.work import BenchInfo

WORK = {
    "camper van": ("winter_coating", "quay_camper"),
    "motorcycle": ("short_coating", "quay_motorcycle"),
    "small boat on a trailer": ("wash_polish", "quay_boat"),
}
"""Vehicle of the script -> procedure and body of the demo's shop file."""
BY = "demo"
PATIENCE_S = 300.0
"""So long the person waits for a guard before starting with a reason [s]."""
PASSED = "the script of the demo has passed it"
_AFTER_COATING = frozenset({"early_cure", "cure", "hand_over"})
_WIPE_S, _INSPECT_S, _NO_SHEET_S = 15.0, 10.0, 180.0


class Scene(NamedTuple):
    """What the script has in a bay now: the stage it is time for, and what stands there."""

    stage: str | None = None
    vehicle: str | None = None


class Wish(NamedTuple):
    """A request as the store takes it: its kind and its data."""

    kind: str
    data: dict[str, Any]


def next_wish(
    scene: Scene, job: Job | None, now_us: int, bench: BenchInfo, waited_s: float = 0.0
) -> Wish | None:
    """Return what the person asks for next, or None while there is nothing to do.

    Args:
        scene: What the script has.
        job: The job open in the bay.
        now_us: The time [µs].
        bench: How long the hands take.
        waited_s: How long the start of the next step has been refused [s].
    """
    if job is None:
        return _opening(scene)
    if WORK.get(scene.vehicle or "", ("",))[0] != job.procedure[0]:
        return _act("close", reason="the vehicle was driven out")
    if all(step.status in {"done", "skipped"} for step in job.steps):
        return _act("close")
    if _panels_wait(job):
        return _panel_wish(job, now_us, bench)
    return _step_wish(scene, job, waited_s)


def _act(act: str, **more: object) -> Wish:
    return Wish(JOB_ACT, {"act": act, "by": BY, **more})


def _opening(scene: Scene) -> Wish | None:
    """Open a job for a vehicle that is not coated yet; later ones are past their panels."""
    if scene.vehicle not in WORK or scene.stage is None or scene.stage in _AFTER_COATING:
        return None
    procedure, body = WORK[scene.vehicle]
    return _act("open", procedure=procedure, body=body, reference=f"demo {scene.vehicle}")


def _step_wish(scene: Scene, job: Job, waited_s: float) -> Wish | None:
    now_at = -1 if job.current is None else job.current
    target = next((i for i, s in enumerate(job.steps) if s.stage == scene.stage), None)
    if scene.stage is None:
        return _pause_wish(job)
    if target is None or target < now_at or job.steps[target].status == "done":
        return None
    if target == now_at:
        return _act("finish", step=now_at) if job.steps[now_at].stage == "coating" else None
    passed = next((i for i in range(now_at + 1, target) if job.steps[i].status == "todo"), None)
    if passed is not None:
        return _act("skip", step=passed, reason=PASSED)
    reason = {"reason": "the day goes on"} if waited_s >= PATIENCE_S else {}
    return _act("start", step=target, **reason)


def _pause_wish(job: Job) -> Wish | None:
    """Between two stages of the script: end the one worked, or hand the vehicle over."""
    if job.current is not None:
        return _act("finish", step=job.current)
    following = job.following
    if following is not None and job.steps[following].stage == "hand_over":
        return _act("start", step=following, reason="the customer takes it before its full cure")
    return None


def _panels_wait(job: Job) -> bool:
    at = job.current
    return at is not None and job.steps[at].stage == "coating" and not all(
        panel.last is not None and panel.last.step == "inspected" for panel in job.panels
    )  # fmt: skip


def _panel_wish(job: Job, now_us: int, bench: BenchInfo) -> Wish | None:
    """Return the next act on a panel once the hands have had the time for it."""
    act, panel, takes_s, not_before_us = _next_panel(job, bench)
    ready_us = _hands_free_us(job) + round(takes_s * SECOND_US)
    if panel is None or now_us < max(ready_us, not_before_us):
        return None
    result = {"result": "clean"} if act == "inspect" else {}
    return _act(act, panel=panel.id, **result)


def _next_panel(job: Job, bench: BenchInfo) -> tuple[str, Panel | None, float, int]:
    """Return act, panel, how long it takes [s] and when it may be done at the earliest [µs]."""
    for step, act, takes_s in (("wiped", "inspect", _INSPECT_S), ("levelled", "wipe", _WIPE_S)):
        for panel in job.panels:
            if panel.last is not None and panel.last.step == step:
                return act, panel, takes_s, 0
    flying = sorted((p for p in job.panels if p.in_flight), key=due_us)
    bare = next((panel for panel in job.panels if panel.last is None), None)
    done_us = _hands_free_us(job) + round(bench.apply * SECOND_US)
    free = len(flying) < job.in_flight and (not flying or done_us <= due_us(flying[0]))
    if bare is not None and free:
        return "apply", bare, bench.apply, 0
    if flying:
        return "level", flying[0], bench.level, due_us(flying[0])
    return "apply", bare, bench.apply, 0


def due_us(panel: Panel) -> int:
    """Return when a panel in flight is levelled: a quarter into its flash window [µs]."""
    mark = panel.mark("applied")
    assert mark is not None  # a panel in flight was applied
    flash = mark.flash
    wait_s = _NO_SHEET_S if flash is None else flash.from_s + 0.25 * (flash.to_s - flash.from_s)
    return mark.at_us + round(wait_s * SECOND_US)


def _hands_free_us(job: Job) -> int:
    begun = job.steps[job.current].runs[-1].from_us if job.current is not None else 0
    return max([begun, *(mark.at_us for panel in job.panels for mark in panel.marks)])
