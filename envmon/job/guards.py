"""What speaks against starting a step now: the limits, the order of work, the air of others."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SECOND_US, iso_from_us, us_from_iso
from envmon.guard.words import clock_time
from envmon.job.clocks import marks_of
from envmon.job.cure import cure_now, milestones
from envmon.job.live import Hindrance
from envmon.job.record_words import length_text
from envmon.shop.stages import BUILT_IN, PRACTICE

if TYPE_CHECKING:
    from envmon.guard.live import BayState, StageState
    from envmon.job.model import Job, StepNow
    from envmon.units import UnitSystem

WET: frozenset[str] = frozenset({"foam", "wash", "rinse"})
"""Stages that put water into the air."""
CURING: frozenset[str] = frozenset({"coating", "early_cure", "cure"})
WIPE_FLASH_S = 300.0
"""After a wipe whose sheet says nothing, before a coating (common practice) [s]."""
NAMES: dict[str, str] = {stage.id: stage.name for stage in BUILT_IN}
_WATER = frozenset({"dissolved_solids_ppm"})


class Neighbour(NamedTuple):
    """A bay that shares the air.

    Attributes:
        name: What people call it.
        bay_id: Its id.
        stage: Stage being worked there, or None.
        curing: A coated vehicle stands in it.
    """

    name: str
    bay_id: str
    stage: str | None
    curing: bool


class BayView(NamedTuple):
    """What is known around a job: its bay now, who shares the air, how people read it."""

    bay: BayState
    neighbours: tuple[Neighbour, ...]
    units: UnitSystem
    timezone: str


def hindrances(job: Job, index: int, view: BayView, now_us: int) -> tuple[Hindrance, ...]:
    """Return what speaks against starting a step now, the gravest first; a reason overrides it.

    Args:
        job: The job.
        index: Place of the step.
        view: The bay and its air, now.
        now_us: Time now [µs].
    """
    if index == job.current:
        return ()
    case = _Case(job, index, view, now_us)
    return (
        *case.before(), *case.panels(), *case.cure(), *case.drying_off(), *case.air(),
        *case.limits(),
    )  # fmt: skip


def _names(names: list[str]) -> str:
    """Return ``A``, ``A and B`` or ``A, B and 3 more``."""
    if len(names) > 3:
        return f"{', '.join(names[:2])} and {len(names) - 2} more"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


class _Case(NamedTuple):
    """One step that may be started."""

    job: Job
    at: int
    view: BayView
    now_us: int

    @property
    def step(self) -> StepNow:
        return self.job.steps[self.at]

    def before(self) -> list[Hindrance]:
        """Return the earlier steps that are neither done nor skipped.

        What was passed over with a reason once is not asked for again, but before a coating.
        """
        earlier = self.job.steps[: self.at]
        worked = [i for i, step in enumerate(earlier) if step.status in {"active", "done"}]
        since = 0 if self.step.stage == "coating" else max(worked, default=0)
        missing = [
            NAMES.get(step.stage, step.stage) for step in earlier[since:] if step.status == "todo"
        ]
        return [Hindrance("order", f"Not done: {_names(missing)}")] if missing else []

    def panels(self) -> list[Hindrance]:
        """Return the panels a coating before this step has left."""
        earlier = self.job.steps[: self.at]
        worked = any(s.stage == "coating" and s.status in {"active", "done"} for s in earlier)
        if not worked:
            return []
        from_us = self.job.coat_from_us
        left = [
            panel.name
            for panel in self.job.panels
            if not any(mark.step == "levelled" for mark in marks_of(panel, from_us))
        ]
        return [Hindrance("order", f"Not levelled: {_names(left)}")] if left else []

    def cure(self) -> list[Hindrance]:
        """Return that the coating may not get wet, or leave, yet."""
        wanted = {"hand_over": "full cure"} | dict.fromkeys(WET, "rain-safe")
        name = wanted.get(self.step.stage)
        cure = cure_now(self.job, self.now_us)
        earlier = self.job.steps[: self.at]
        if name is None or cure is None or not any(step.stage in CURING for step in earlier):
            return []
        mark = next(mark for mark in milestones(self.job, cure) if mark.name == name)
        if mark.left_s == 0:
            return []
        text = f"Not {name} yet: {length_text(mark.left_s)} to go"
        return [Hindrance("order", f"{text}{self._until(mark.at)}", mark.at)]

    def _until(self, at: str | None) -> str:
        return f", wait until {self._clock(us_from_iso(at))}" if at else ""

    def _clock(self, at_us: int) -> str:
        return clock_time(at_us, self.view.timezone)

    def drying_off(self) -> list[Hindrance]:
        """Return the products that have not flashed off, a wipe before a coating first of all."""
        found = []
        for step in self.job.steps[: self.at]:
            wait_s, source = self._flash_off(step)
            ended_us = step.runs[-1].to_us if step.runs else None
            until_us = (self.now_us if ended_us is None else ended_us) + round(wait_s * SECOND_US)
            if wait_s and until_us > self.now_us:
                name = NAMES.get(step.stage, step.stage)
                text = f"{name} flashes off {length_text(wait_s)} ({source}): wait until"
                at = iso_from_us(until_us)
                found.append(Hindrance("order", f"{text} {self._clock(until_us)}", at))
        return found

    def _flash_off(self, step: StepNow) -> tuple[float, str]:
        if step.status not in {"active", "done"}:
            return 0.0, ""
        sheet = self.job.products.get(step.product or "", {})
        if sheet.get("flash_off") is not None:
            return float(sheet["flash_off"]), "sheet"
        usual = step.stage == "wipe" and self.step.stage == "coating"
        return (WIPE_FLASH_S, PRACTICE) if usual else (0.0, "")

    def air(self) -> list[Hindrance]:
        """Return the bays in the same air that water would harm."""
        if self.step.stage not in WET:
            return []
        return [
            Hindrance("air", f"{bay.name} {_doing(bay)} in the same air: water will reach it")
            for bay in self.view.neighbours
            if bay.curing or bay.stage in CURING
        ]

    def limits(self) -> list[Hindrance]:
        """Return what the stage's own limits say."""
        stage = next((s for s in self.view.bay.stages if s.id == self.step.stage), None)
        if stage is None:
            name = NAMES.get(self.step.stage, self.step.stage)
            return [Hindrance("fitness", f"Nothing known of {name} in this bay")]
        if stage.goal or stage.fitness == "fit":
            return []
        if stage.fitness == "marginal":
            return self._settling(stage)
        return _unfit(stage)

    def _settling(self, stage: StageState) -> list[Hindrance]:
        if stage.ready_at is None:
            return []
        until = self._clock(us_from_iso(stage.ready_at))
        return [Hindrance("settle", f"Limits must hold until {until}", stage.ready_at)]


def _doing(bay: Neighbour) -> str:
    return "is coating" if bay.stage == "coating" else "is curing"


def _unfit(stage: StageState) -> list[Hindrance]:
    found = [
        Hindrance("water" if reason.quantity in _WATER else "fitness", reason.text)
        for reason in stage.reasons
        if reason.fitness in {"unfit", "unknown"}
    ]
    return found or [Hindrance("fitness", stage.summary or f"{stage.name}: not known")]
